"""What was read, set aside, filled in and linked, which analyses could not run, and how all of it was worked out."""

from __future__ import annotations

from dashboards import page, words, words_sheet
from dashboards.formats import count, percent, sentence_case, whole
from dashboards.pages.healing import agreement_block
from dashboards.pages.notes_read import notes_block
from dashboards.pages.plausibility import plausibility_block
from dashboards.tables import NumberTable
from pipeline.results import Quality, Results

# What the log of changes calls a row that the later export no longer has.
VANISHED = "row vanished"
_SETTING = "root_canals_elsewhere"
_SAYS = {
    "none": "The practice says that no root canals of its patients are done elsewhere.",
    "some": "The practice says that some root canals of its patients are done elsewhere.",
    "most": "The practice says that most root canals of its patients are done elsewhere.",
    "unknown": (
        "The practice has not said whether root canals of its patients are done elsewhere. Nothing in these records "
        "can tell it: write none, some or most."
    ),
}
# Counts of which any at all gainsays that none are done elsewhere.
_GAINSAY = frozenset(
    {"root_canals_elsewhere_dated", "root_canals_elsewhere_undated", "courses_elsewhere", "crowns_opened_elsewhere"}
)
_ASKED = frozenset({"late_refunds", "hints_filling_on_crown", "hints_undated_root_canal"})


def render(results: Results) -> str:
    """The page `data_quality.html`, for inside the practice only."""
    q = results.quality
    return page.render(
        "data_quality.html.j2",
        title="Can these records be trusted?",
        audience="inside",
        practice=results.practice,
        here="data_quality.html",
        cautions=results.cautions,
        grade=words_sheet.worst(results.owner.lines) if results.owner.lines else "",
        graded=words_sheet.trust_answer(results.owner.lines),
        scope=words.scope_sentence(results),
        trust=words.trust_sentences(results),
        loads=_loads(q),
        adds_up=loads_sentence(q),
        plausibility=plausibility_block(results),
        quarantine=_quarantine(q),
        codes=_codes(q),
        codes_advice="\n".join(q.codes_advice),
        changes=_changes(q),
        vanished=vanished_sentence(q),
        readings=agreement_block(results),
        notes=notes_block(results),
        filled=[(f.table, f.field, f.rows, f.filled, percent(f.filled, f.rows)) for f in q.filled_in],
        other_texts=other_texts_table(q),
        links=[note for note in q.links if not note.of_others],
        others=[note for note in q.links if note.of_others],
        others_said=elsewhere_sentences(results),
        flow=q.flow,
        flows=[(c.title, c.flow) for c in results.comparisons if c.flow],
        not_run=results.not_run,
        rules=results.rules,
        analysis=results.analysis,
        versions=results.versions,
        checks=checks_table(results),
        calibration=results.calibration,
    )


def other_texts_table(q: Quality) -> NumberTable:
    """Fields whose texts are not all among the words that are understood; how many, never which."""
    filled = {(f.table, f.field): f.filled for f in q.filled_in}
    rows = tuple(
        (f"{t.table}.{t.field}", whole(t.rows), percent(t.rows, filled.get((t.table, t.field), t.rows)), whole(t.texts))
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


def loads_sentence(q: Quality) -> str:
    """Whether rows read = loaded + seen before + taken back + set aside, in every file."""
    if not q.loads:
        return "No file has been read."
    wrong = sum(r.rows_read != r.loaded + r.duplicate + r.reversed + r.quarantined for r in q.loads)
    if wrong:
        return f"In {count(wrong, 'file')} the rows do not add up: treat every figure with suspicion and report this."
    read = sum(r.rows_read for r in q.loads)
    loaded, again = sum(r.loaded for r in q.loads), sum(r.duplicate for r in q.loads)
    back, aside = sum(r.reversed for r in q.loads), sum(r.quarantined for r in q.loads)
    mended = sum(r.mended for r in q.loads)
    return (
        f"Every row is accounted for: {whole(read)} read = {whole(loaded)} loaded + {whole(again)} seen before + "
        f"{whole(back)} taken back + {whole(aside)} set aside."
        + (f" Of those set aside, {whole(mended)} were mended and count in their mended copy." if mended else "")
    )


def vanished_sentence(q: Quality) -> str:
    """How many rows a later export of the same ledger no longer has; they stay."""
    gone = sum(c.rows for c in q.changes if c.field == VANISHED)
    if not gone:
        return ""
    return (
        f"{count(gone, 'row')} of an earlier export {'is' if gone == 1 else 'are'} not in the later one, and nothing "
        "there takes its place. Such rows still count: whether they were deleted or left out cannot be told."
    )


def elsewhere_sentences(results: Results) -> tuple[str, ...]:
    """The practice's own word on root canals done elsewhere, whether the records gainsay it, and what can be done."""
    word = results.rules.get(_SETTING, "unknown")
    met = {note.id for note in results.quality.links if note.of_others and note.count}
    said = [_SAYS.get(word, _SAYS["unknown"])]
    if word == "none" and met & _GAINSAY:
        said.append("Yet these records name some, as counted below: say some or most, or correct those records.")
    if not met:
        said.append("These records tell of no work by others. That is no proof that there was none.")
    if met & _ASKED:
        said.append("The worksheet lists, on its sheet done elsewhere, each tooth that still waits for an answer.")
    return tuple(said)


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
        (c.earlier, c.later, f"{c.table}.{c.field}", whole(c.rows))
        for c in sorted(q.changes, key=lambda c: (c.earlier, c.later, c.table, c.field))
        if c.field != VANISHED
    )
    heads = ("Earlier file", "Later file", "Field", "Rows changed")
    return NumberTable("Rows that a later export corrects", heads, rows, ("Later file", "Field"))


def _quarantine(q: Quality) -> NumberTable:
    rows = tuple(
        (r.meaning or sentence_case(r.reason), f"{r.table}.{r.field}", whole(r.rows), r.what_to_do, r.stage, r.reason)
        for r in sorted(q.quarantine, key=lambda r: (-r.rows, r.table, r.field, r.reason))
    )
    heads = ("Why", "Field", "Rows", "What to do", "Found at", "Reason code")
    return NumberTable("Rows set aside", heads, rows, ("Field", "What to do", "Found at", "Reason code"))


def _codes(q: Quality) -> NumberTable:
    ordered = sorted(q.unknown_codes, key=lambda c: (-c.rows, c.code))
    rows = tuple((c.code, whole(c.rows), whole(c.teeth)) for c in ordered)
    return NumberTable("Procedure codes that the code list does not know", ("Code", "Rows", "Teeth"), rows)
