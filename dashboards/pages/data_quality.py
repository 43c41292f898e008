"""What was read, set aside, filled in and linked, which analyses could not run, and how all of it was worked out."""

from dashboards import page, terms, theme
from dashboards.answers import Answers
from dashboards.charts.rows import Mark, Row, rows_figure
from dashboards.formats import count, percent, sentence_case, whole
from dashboards.pages.healing import agreement_block
from dashboards.pages.notes_read import notes_block
from dashboards.pages.plausibility import plausibility_block
from dashboards.said import Said
from dashboards.tables import NumberTable
from dashboards.words import comparisons as words
from dashboards.words import quality as words_quality
from pipeline.results import Quality, Results

SHOWN = 6  # fields on the picture


def render(results: Results) -> str:
    """The page `data_quality.html`, for inside the practice only."""
    q, said = results.quality, Said()
    filled = _filled(q)
    return page.render(
        "data_quality.html.j2",
        title="Can these records be trusted?",
        audience="inside",
        practice=results.practice,
        here="data_quality.html",
        cautions=results.cautions,
        answers=Answers(words_quality.answers(results), picture=_picture(q)),
        scope=words.scope_sentence(results),
        trust=said.each(words.trust_sentences(results)),
        held=_held_heading(results),
        heads={
            "read": words_quality.read_heading(q),
            "plausible": words_quality.plausible_heading(results.trade_checks),
            "changes": words_quality.changes_heading(q),
            "aside": words_quality.aside_heading(q),
            "codes": words_quality.codes_heading(q),
            "filled": words_quality.filled_heading(q),
            "links": words_quality.links_heading(results),
            "others": words_quality.others_heading(results),
            "not_run": words_quality.not_run_heading(results.not_run),
            "checks": words_quality.checks_heading(results),
        },
        loads=_loads(q),
        adds_up=words_quality.loads_sentence(q),
        plausibility=plausibility_block(results),
        quarantine=_quarantine(q),
        codes=_codes(q),
        codes_advice="\n".join(q.codes_advice),
        changes=_changes(q),
        vanished=words_quality.vanished_sentence(q),
        readings=agreement_block(results),
        notes=notes_block(results),
        filled=filled,
        of_all_rows=words_quality.of_all_rows(results),
        other_texts=other_texts_table(q),
        links=_counted("Cases that linking counted, and what they mean", q, of_others=False),
        others=_counted("What others did, and what it means for the results", q, of_others=True),
        others_said=words_quality.elsewhere_sentences(results),
        flow=q.flow,
        flows=[(c.title, c.flow) for c in results.comparisons if c.flow],
        not_run=_not_run(results),
        checks=checks_table(results),
        calibration=results.calibration,
    )


def _held_heading(results: Results) -> str:
    n = results.counts
    return f"{count(n.crowns, 'crown')} and {count(n.endo_courses, 'root canal')} are held"


def _picture(q: Quality) -> theme.Chart | None:
    """The fields that are filled in least, of 100 rows that could hold them; None where none has a gap."""
    thin = words_quality.thinnest(q)[:SHOWN]
    if not thin:
        return None
    look = theme.Look(theme.INK, "solid", "none", "square")
    rows = [
        Row(words_quality.field_name(f), (Mark(100 * f.filled / f.rows, None, None, look, "%{x:.0f} of 100 rows"),))
        for f in thin
    ]
    title = "Filled in, of 100 rows"
    figure, height = rows_figure(rows, title=title, span=(0, 100), ticks=(0, 50, 100), pitch=34, beside=True)
    told = "; ".join(f"{words_quality.field_name(f)} {percent(f.filled, f.rows)}" for f in thin)
    return theme.chart(figure, id="filled-in", label=f"The fields that are filled in least: {told}.", height=height)


def other_texts_table(q: Quality) -> NumberTable:
    """Fields whose texts are not all among the words that are understood; how many, never which."""
    filled = {(f.table, f.field): f.filled for f in q.filled_in}
    rows = tuple(
        (
            _named(t.table, t.field),
            whole(t.rows),
            percent(t.rows, filled.get((t.table, t.field), t.rows)),
            whole(t.texts),
        )
        for t in q.other_texts
    )
    return NumberTable(
        "Texts that are not understood", ("Field", "Rows", "Of those filled in", "Different texts"), rows
    )


def checks_table(results: Results) -> NumberTable:
    """Figures that another library computed again; one that does not agree says so."""
    rows = tuple(
        (
            c.what,
            c.by,
            whole(c.rows),
            f"{c.largest_gap:.1e}",
            "agrees" if c.largest_gap <= c.tolerance else "DOES NOT AGREE",
        )
        for c in results.checks
    )
    heads = ("Figure", "Computed again by", "Rows", "Largest gap", "Verdict")
    return NumberTable("Figures computed a second time", heads, rows, ("Computed again by", "Verdict"))


def _named(table: str, field: str) -> str:
    """What a field is, and what it is called where it is asked for."""
    return f"{terms.field(table, field)}: {table}.{field}"


def _loads(q: Quality) -> NumberTable:
    rows = tuple(
        (
            r.file,
            r.table,
            *map(whole, (r.rows_read, r.loaded, r.duplicate, r.reversed, r.quarantined, r.mended)),
            r.hash[:12],
        )
        for r in q.loads
    )
    heads = (
        *("File", "Table", "Rows read", "Loaded", "Seen before", "Taken back", "Set aside", "Of these mended"),
        "Fingerprint",
    )
    return NumberTable("Files read", heads, rows, ("Table", "Fingerprint"))


def _changes(q: Quality) -> NumberTable:
    rows = tuple(
        (c.earlier, c.later, _named(c.table, c.field), whole(c.rows))
        for c in sorted(q.changes, key=lambda c: (c.earlier, c.later, c.table, c.field))
        if c.field != words_quality.VANISHED
    )
    heads = ("Earlier file", "Later file", "Field", "Rows changed")
    return NumberTable("Rows that a later export corrects", heads, rows, ("Later file", "Field"))


def _quarantine(q: Quality) -> NumberTable:
    rows = tuple(
        (r.meaning or sentence_case(r.reason), _named(r.table, r.field), whole(r.rows), r.what_to_do, r.stage, r.reason)
        for r in sorted(q.quarantine, key=lambda r: (-r.rows, r.table, r.field, r.reason))
    )
    heads = ("Why", "Field", "Rows", "What to do", "Found at", "Reason code")
    return NumberTable("Rows set aside", heads, rows, ("Field", "What to do", "Found at", "Reason code"))


def _codes(q: Quality) -> NumberTable:
    ordered = sorted(q.unknown_codes, key=lambda c: (-c.rows, c.code))
    rows = tuple((c.code, whole(c.rows), whole(c.teeth)) for c in ordered)
    return NumberTable("Procedure codes that the code list does not know", ("Code", "Rows", "Teeth"), rows)


def _filled(q: Quality) -> NumberTable:
    rows = tuple(
        (_named(f.table, f.field), whole(f.rows), whole(f.filled), percent(f.filled, f.rows)) for f in q.filled_in
    )
    heads = ("Field", "Rows", "Filled in", "Share")
    return NumberTable("Rows that could hold a field, and have it filled in", heads, rows)


def _counted(caption: str, q: Quality, *, of_others: bool) -> NumberTable:
    rows = tuple((n.meaning, whole(n.count), n.id) for n in q.links if n.of_others == of_others)
    return NumberTable(caption, ("Meaning", "Cases", "Name"), rows, ("Name",))


def _not_run(results: Results) -> NumberTable:
    rows = tuple((a.title, sentence_case(words_quality.not_run(a))) for a in results.not_run)
    return NumberTable("What each lacks", ("Analysis", "Lacks"), rows, ("Lacks",))
