"""What was read, set aside, filled in and linked, which analyses could not run, and how all of it was worked out."""

from collections.abc import Sequence
from typing import Any

from dashboards import page, terms, theme
from dashboards.answers import Answers, Said
from dashboards.charts.rows import Mark, Row, rows_figure
from dashboards.formats import count, percent, phrase, sentence_case, whole
from dashboards.pages.healing import agreement_block
from dashboards.pages.notes_read import notes_block
from dashboards.tables import NumberTable, table_of
from dashboards.words import comparisons as words
from dashboards.words import quality as words_quality
from pipeline.results import Quality, Results
from pipeline.results.technique import TradeCheck, TradeCount

RECORDED = {"naocl_percent": "Strengths of sodium hypochlorite", "length_short_of_apex_mm": "Filling to apex"}
SHOWN = 6  # fields on the picture


def render(results: Results) -> str:
    """The page `data_quality.html`, for inside the practice only."""
    q, said = results.quality, Said()
    filled = _filled(q)
    return page.inside(
        "data_quality.html",
        results,
        title="Can these records be trusted?",
        answers=Answers(words_quality.answers(results), picture=_picture(q)),
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
    return table_of("Texts that are not understood", q.other_texts, {
        "Field": lambda t: _named(t.table, t.field),
        "Rows": lambda t: whole(t.rows),
        "Of those filled in": lambda t: percent(t.rows, filled.get((t.table, t.field), t.rows)),
        "Different texts": lambda t: whole(t.texts),
    })  # fmt: skip


def checks_table(results: Results) -> NumberTable:
    """Figures that another library computed again; one that does not agree says so."""
    return table_of("Figures computed a second time", results.checks, {
        "Figure": lambda c: c.what,
        "Computed again by": lambda c: c.by,
        "Rows": lambda c: whole(c.rows),
        "Largest gap": lambda c: f"{c.largest_gap:.1e}",
        "Verdict": lambda c: "agrees" if c.largest_gap <= c.tolerance else "DOES NOT AGREE",
    }, ("Computed again by", "Verdict"))  # fmt: skip


def _named(table: str, field: str) -> str:
    """What a field is, and what it is called where it is asked for."""
    return f"{terms.field(table, field)}: {table}.{field}"


def _loads(q: Quality) -> NumberTable:
    return table_of("Files read", q.loads, {
        "File": lambda r: r.file,
        "Table": lambda r: r.table,
        "Rows read": lambda r: whole(r.rows_read),
        "Loaded": lambda r: whole(r.loaded),
        "Seen before": lambda r: whole(r.duplicate),
        "Taken back": lambda r: whole(r.reversed),
        "Set aside": lambda r: whole(r.quarantined),
        "Of these mended": lambda r: whole(r.mended),
        "Fingerprint": lambda r: r.hash[:12],
    }, ("Table", "Fingerprint"))  # fmt: skip


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


def plausibility_block(results: Results) -> dict[str, Any]:
    """Is the recorded technique plausible: what `plausibility.html.j2` shows; without any the sentence says so."""
    checks, counts = results.trade_checks, results.trade_counts
    return {
        "sentence": plausibility_sentence(checks),
        "found": _implausible(checks),
        "kept": _plausible(checks),
        "counts": [_recorded(counts, field, caption) for field, caption in RECORDED.items()],
    }


def plausibility_sentence(checks: Sequence[TradeCheck]) -> str:
    """How many rules were broken, of those that could be looked at."""
    looked = [c for c in checks if c.checked]
    if not looked:
        return "No technique was recorded, so there is nothing to hold against what the trade knows."
    broken = [c for c in looked if c.rows]
    wrong = [c for c in broken if c.kind == "impossible"]
    said = f"{count(len(looked), 'rule')} could be checked"
    if not broken:
        return f"{said}, and every row keeps all of them."
    how = f"{whole(len(wrong))} of them by what cannot be right" if wrong else "by what is unusual but may be right"
    return (
        f"{said}; {whole(len(broken))} {'is' if len(broken) == 1 else 'are'} broken in some rows, {how}. Nothing "
        "was changed or left out: the rows count as recorded."
    )


def _implausible(checks: Sequence[TradeCheck]) -> NumberTable:
    return table_of("Recorded technique that asks for a second look", (c for c in checks if c.rows), {
        "What was found": lambda c: c.sentence,
        "Field": _place,
        "Of rows checked": lambda c: percent(c.rows, c.checked),
        "Kind": lambda c: "cannot be right" if c.kind == "impossible" else "unusual",
        "What to do": lambda c: c.what_to_do,
        "From where the rule is": lambda c: c.source,
    }, ("Field", "Kind", "What to do", "From where the rule is"))  # fmt: skip


def _plausible(checks: Sequence[TradeCheck]) -> NumberTable:
    rows = tuple((c.sentence, _place(c), c.source) for c in checks if not c.rows)
    heads = ("What was looked for", "Field", "From where the rule is")
    return NumberTable("Rules that no row breaks, or that had nothing to look at", heads, rows, heads[1:])


def _recorded(counts: Sequence[TradeCount], field: str, caption: str) -> NumberTable:
    own = [c for c in counts if c.field == field]
    named = any(c.means for c in own)
    rows = tuple(
        (sentence_case(c.label), whole(c.rows), percent(c.rows, c.of), *((c.means,) if named else ())) for c in own
    )
    heads = ("Recorded", "Rows", "Share", *(("May be",) if named else ()))
    return NumberTable(caption, heads, rows, ("May be",))


def _place(check: TradeCheck) -> str:
    return f"{phrase(check.table)}: {phrase(check.field)}"
