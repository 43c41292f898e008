"""Sentences of the data-quality page: its answers, headings that are findings, and how the rows add up."""

from collections.abc import Sequence

from dashboards import terms
from dashboards.answers import Answer, kept
from dashboards.formats import count, listing, lower_first, percent, phrase, plural, sentence_case, whole
from dashboards.words import sheet as words_sheet
from dashboards.words.comparisons import MOSTLY_NONE
from pipeline.results import DAYS_PER_YEAR, FilledIn, NotRun, Quality, Results
from pipeline.results.technique import TradeCheck

# What the log of changes calls a row that the later export no longer has.
VANISHED = "row vanished"
SETTING = "root_canals_elsewhere"
_SAYS = {
    "none": "The practice says that no root canals of its patients are done elsewhere.",
    "some": "The practice says that some root canals of its patients are done elsewhere.",
    "most": "The practice says that most root canals of its patients are done elsewhere.",
    "unknown": (
        "The practice has not said whether root canals of its patients are done elsewhere. Nothing in these records "
        "can tell it: write none, some or most."
    ),
}
_HEADS = {"none": "none, says the practice", "some": "some root canals", "most": "most root canals"}
# Counts of which any at all gainsays that none are done elsewhere.
_GAINSAY = frozenset(
    {"root_canals_elsewhere_dated", "root_canals_elsewhere_undated", "courses_elsewhere", "crowns_opened_elsewhere"}
)
_ASKED = frozenset({"late_refunds", "hints_filling_on_crown", "hints_undated_root_canal"})
THINNEST = 3
# Of all rows of the ledger, cleanings and notes too: `of_all_rows` says how many crowns and root canals lack one.
_OF_ALL_ROWS = frozenset({("procedures", "provider_id"), ("procedures", "site_id")})


def answers(results: Results) -> tuple[Answer, ...]:
    """What the page opens with: the grade, whether rows were lost, how far teeth were followed, what is thin."""
    q, given = results.quality, []
    if lines := results.owner.lines:
        grade = words_sheet.worst(lines)
        said = f"{words_sheet.trust_answer(lines, results.recalls).rstrip('.')}."
        given.append(Answer(said, asked="Can they be trusted?", link="owner.html#grades", code=grade))
    given.append(Answer(_used(q), asked="Was every row used?", link="#set-aside"))
    if results.followup:
        told = [
            f"half of the {row.of} {row.median_days / DAYS_PER_YEAR:.1f} years or more"
            for row in results.followup
            if row.median_days is not None
        ]
        lost = listing([f"{percent(row.lost, 1)} of the {row.of}" for row in results.followup])
        said = f"{sentence_case(listing(told))}; " if told else ""
        said = f"{said}not followed to the end of the records: {lost}."
        given.append(Answer(said, asked="How long were teeth followed?", link="#held"))
    if thin := thinnest(q)[:THINNEST]:
        said = listing([f"{lower_first(field_name(f))} {percent(f.filled, f.rows)}" for f in thin])
        aside = "Clinician and clinic aside, least" if of_all_rows(results) else "Least of all"
        given.append(Answer(f"{aside} {said}.", asked="What is filled in?", link="#filled"))
    given.append(Answer(f"{not_run_heading(results.not_run)}.", asked="What could not be asked?", link="#not-run"))
    return kept(given)


def thinnest(q: Quality) -> list[FilledIn]:
    """Fields that some rows leave empty, those of the smallest share first; those rightly empty are not among them."""
    known = [f for f in q.filled_in if 0 < f.rows > f.filled and (f.table, f.field) not in MOSTLY_NONE | _OF_ALL_ROWS]
    return sorted(known, key=lambda f: (f.filled / f.rows, f.table, f.field))


def of_all_rows(results: Results) -> str:
    """Why clinician and clinic are not among the fields filled in least, though few rows have them."""
    gaps = [f for f in results.quality.filled_in if (f.table, f.field) in _OF_ALL_ROWS and 0 < f.rows > f.filled]
    if not gaps:
        return ""
    told = [f"{percent(f.filled, f.rows)} name the {lower_first(terms.field(f.table, f.field))}" for f in gaps]
    said = f"Of all rows, those of examinations and cleanings too, {listing(told)}"
    lacking = [
        f"{whole(m.funnel.not_recorded)} of {count(m.teeth, terms.outcome(m.outcome).noun)}"
        for m in results.monitoring
        if m.funnel is not None
    ]
    return f"{said}; no clinician is named for {listing(lacking)}." if lacking else f"{said}."


def field_name(f: FilledIn) -> str:
    """`Kind of sealer (endo details)`."""
    return terms.field_of_table(f.table, f.field)


def _used(q: Quality) -> str:
    read, aside = sum(r.rows_read for r in q.loads), sum(r.quarantined for r in q.loads)
    again, back = sum(r.duplicate for r in q.loads), sum(r.reversed for r in q.loads)
    if not read:
        return "No row has been read."
    if not aside:
        return f"All of {count(read, 'row')}: none had to be set aside."
    most = max(q.quarantine, key=lambda r: (r.rows, r.reason), default=None)
    ways = ["used", f"are copies ({whole(again)})" if again else "",
            f"taken back ({whole(back)})" if back else ""]  # fmt: skip
    were = listing([way for way in ways if way], "or")
    said = f"All but {whole(aside)} of {count(read, 'row')} ({percent(aside, read)}) were {were}"
    if most is None:
        return f"{said}."
    why = lower_first((most.meaning or phrase(most.reason)).split(". ")[0].rstrip("."))
    return f"{said}; {whole(most.rows)} of the {whole(aside)} were left out since {why}."


def read_heading(q: Quality) -> str:
    """Whether the rows of every file add up."""
    if not q.loads:
        return "No file has been read"
    wrong = sum(not r.adds_up for r in q.loads)
    if wrong:
        return f"In {count(wrong, 'file')} the rows do not add up"
    return f"{count(len(q.loads), 'file')} {plural(len(q.loads), 'was')} read, and the rows of each add up"


def plausible_heading(checks: tuple[TradeCheck, ...]) -> str:
    """How many rules of the trade the recorded technique breaks."""
    looked = [c for c in checks if c.checked]
    broken = [c for c in looked if c.rows]
    if not looked:
        return "No technique was recorded"
    if not broken:
        return "The recorded technique is plausible"
    return f"{whole(len(broken))} of {count(len(looked), 'check')} raised questions"


def changes_heading(q: Quality) -> str:
    """Whether a later export corrects an earlier one."""
    files = {(c.earlier, c.later) for c in q.changes if c.field != VANISHED}
    if not files:
        return "No export corrects another"
    return f"{count(len(files), 'later export')} {'correct' if len(files) > 1 else 'corrects'} an earlier one"


def aside_heading(q: Quality) -> str:
    """How many rows were set aside, for how many reasons."""
    rows = sum(r.rows for r in q.quarantine)
    if not rows:
        return "No row was set aside"
    reasons = len({(r.reason, r.table, r.field) for r in q.quarantine})
    return f"{count(rows, 'row')} set aside for {count(reasons, 'reason')}, each with what to do"


def codes_heading(q: Quality) -> str:
    """How many codes the list does not know."""
    if not q.unknown_codes:
        return "Every procedure code is known"
    return f"{count(len(q.unknown_codes), 'code')} {plural(len(q.unknown_codes), 'is')} not known"


def filled_heading(q: Quality) -> str:
    """Which field is filled in least."""
    thin = thinnest(q)
    if not q.filled_in:
        return "No field was counted"
    if not thin:
        return "Every field that is recorded at all is filled in"
    return f"Filled in least: {lower_first(field_name(thin[0]))}"


def links_heading(results: Results) -> str:
    """How many kinds of cases linking counted."""
    met = sum(not note.of_others for note in results.quality.links)
    return (
        f"Linking met {count(met, 'kind')} of cases that matter" if met else "Linking met nothing out of the ordinary"
    )


def others_heading(results: Results) -> str:
    """What the practice says of root canals done by others."""
    return f"Done elsewhere: {_HEADS.get(results.rules.get(SETTING, 'unknown'), 'the practice has not said')}"


def not_run_heading(found: Sequence[NotRun]) -> str:
    """How many analyses could not run, for want of a field or of cases."""
    few = sum(bool(a.groups) for a in found)
    lacking = len(found) - few
    told = [f"{count(lacking, 'analysis', 'lacks')} a field"] if lacking else []
    told += [f"{whole(few)} {plural(few, 'has')} too few cases" if told else f"{count(few, 'analysis', 'has')} too few "
             "cases"] if few else []  # fmt: skip
    return "; ".join(told) or "Every analysis ran"


def not_run(found: NotRun) -> str:
    """What an analysis lacks: fields or codes, or cases where its groups are too small, with their sizes."""
    if not found.groups:
        return f"needs {', '.join(found.needs)}"
    asked = found.needs[0].partition(": ")[2] or "more teeth in each group"
    sizes = listing([f"{whole(g.teeth)} ({lower_first(g.label)})" if g.label else whole(g.teeth) for g in found.groups])
    return f"too few cases: groups of {sizes} teeth; asked for are {asked}"


def not_run_says(found: Sequence[NotRun]) -> list[str]:
    """Each with its title."""
    return [f"{a.title}: {not_run(a)}" for a in found]


def checks_heading(results: Results) -> str:
    """Whether another library confirms the figures."""
    if not results.checks:
        return "No figure could be computed a second time"
    wrong = sum(c.largest_gap > c.tolerance for c in results.checks)
    if wrong:
        return f"{count(wrong, 'figure')} not confirmed by another library"
    return f"Another library finds the same {listing(_again(results))}; no more was computed again"


def computed_again(results: Results) -> str:
    """How many figures another library confirmed, which they are, and that the adjusted ones are not among them."""
    if not results.checks:
        return "No figure was computed a second time."
    agreed = sum(c.largest_gap <= c.tolerance for c in results.checks)
    return (
        f"{whole(agreed)} of {count(len(results.checks), 'figure')} computed again by another library agreed: "
        f"{listing(_again(results))}. The adjusted differences were not computed again."
    )


def _again(results: Results) -> list[str]:
    """What another library was given: curves, and unadjusted ratios of them."""
    curves = sum(c.what.startswith("curve") for c in results.checks)
    told = [count(curves, "curve")] if curves else []
    return [*told, "the unadjusted ratios"] if curves < len(results.checks) else told


def loads_sentence(q: Quality) -> str:
    """Whether rows read = loaded + seen before + taken back + set aside, in every file."""
    if not q.loads:
        return "No file has been read."
    wrong = sum(not r.adds_up for r in q.loads)
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
    word = results.rules.get(SETTING, "unknown")
    met = {note.id for note in results.quality.links if note.of_others and note.count}
    said = [_SAYS.get(word, _SAYS["unknown"])]
    if word == "none" and met & _GAINSAY:
        said.append("Yet these records name some, as counted below: say some or most, or correct those records.")
    if not met:
        said.append("These records tell of no work by others. That is no proof that there was none.")
    if met & _ASKED:
        said.append("The worksheet lists, on its sheet done elsewhere, each tooth that still waits for an answer.")
    return tuple(said)
