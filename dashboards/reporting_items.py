"""The methods appendix: each item of two checklists for studies of records, with what this run can say to it.

The items go by their numbers; what they ask is put in short words of our own, so the checklists themselves (STROBE
2007, RECORD 2015) are to be read beside it. An appendix prepared so does not show that a study
meets them. `filled`: the run answers it; `half-filled`: a person must add to it; `author only`: no run can answer it.
"""

from dataclasses import dataclass
from typing import Literal

from dashboards import terms
from dashboards.formats import count, listing, years
from dashboards.release.released import Released, ReleasedComparison, ReleasedEstimate
from dashboards.words import shared as words_shared

State = Literal["filled", "half-filled", "author only"]
STROBE, RECORD = "STROBE", "RECORD"
INTRO = (
    "Prepared using the items of STROBE (2007) and RECORD (2015), in our own words; this does not claim to meet them."
)
AUTHOR = "For the author to write."


@dataclass(frozen=True)
class Item:
    """One item: whose list, its number, what it asks in short, how far the run fills it, and with what."""

    checklist: str
    number: str
    asks: str
    state: State
    text: str


def items(released: Released) -> tuple[Item, ...]:
    """All items of both lists in order, filled from a released result."""
    c = released.comparisons[0] if released.comparisons else None
    return (*_front(c), *_methods(released, c), *_statistics(released, c), *_results(released, c),
            *_discussion(), *_record(released))  # fmt: skip


def tally(found: tuple[Item, ...]) -> dict[str, int]:
    """How many items stand in each state."""
    return {state: sum(i.state == state for i in found) for state in ("filled", "half-filled", "author only")}


def summary(found: tuple[Item, ...]) -> str:
    """How many items the run fills, and how many need a person."""
    n = tally(found)
    return (
        f"For whoever writes this up: {n['filled']} of {len(found)} reporting items filled, {n['half-filled']} half, "
        f"{n['author only']} for the author"
    )


def _item(checklist: str, number: str, asks: str, text: str, *, half: bool = False) -> Item:
    """Filled where there is text, half-filled where a person must add to it or where the run had nothing to say."""
    if not text:
        return Item(checklist, number, asks, "half-filled", "Nothing in these records that may be shown; to be added.")
    return Item(checklist, number, asks, "half-filled" if half else "filled", text)


def _author(checklist: str, number: str, asks: str) -> Item:
    return Item(checklist, number, asks, "author only", AUTHOR)


def _front(c: ReleasedComparison | None) -> tuple[Item, ...]:
    summing = f"{words_shared.verdict(c)}. {words_shared.result(c)}" if c else ""
    return (
        _item(STROBE, "1a", "Design named in the title", "A cohort from one practice’s own records.", half=True),
        _item(STROBE, "1b", "Balanced summary", summing, half=True),
        _author(STROBE, "2", "Background and reason"),
        _item(STROBE, "3", "Aims, fixed beforehand", c.question if c else "", half=True),
    )


def _methods(r: Released, c: ReleasedComparison | None) -> tuple[Item, ...]:
    groups = f"Groups: {listing([g.label for g in c.groups])}." if c else ""
    medians = [(f.of, "not reached" if (m := f.median_months) is None else years(round(m / 12, 1)))
               for f in r.methods.followup]  # fmt: skip
    followed = "; ".join(f"{of}: median follow-up {median}" for of, median in medians)
    adjusted = c.adjusted_for if c else ()
    names = f"Adjusted for {listing(list(adjusted))}." if adjusted else ""
    steps = "; ".join(f"{name}: about {n}" for name, n in r.methods.flow)
    small = f"{c.smallest_difference_per_100:g} per 100" if c else ""
    detectable = f"No size was planned. Set as too small to matter: under {small}." if small else ""
    return (
        _item(STROBE, "4", "Design, early on", "A cohort put together from past routine records."),
        _item(STROBE, "5", "Setting, places and dates", f"One practice, {r.span}." if r.span else "", half=True),
        _item(STROBE, "6a", "Who was eligible, and how followed", _joined(steps, followed, _END)),
        _item(STROBE, "6b", "Matching", "None was matched."),
        _item(STROBE, "7", "Outcome, exposure, confounders defined",
              _joined(terms.outcome(c.outcome).definition, groups, names) if c else ""),
        _item(STROBE, "8", "Where each measure comes from",
              "All from rows of the practice’s own records, linked by rules for codes, teeth and days."),
        _item(STROBE, "9", "Dealing with bias", words_shared.naive_why(c) if c else "", half=True),
        _item(STROBE, "10", "Size of the study", detectable, half=True),
        _item(STROBE, "11", "Handling of quantities", "Ages and years enter models as straight lines" if names else ""),
    )  # fmt: skip


_UNMADE = "Codes may be wrong; what was never written down cannot be adjusted for."
_END = "Follow-up ends at the last contact, at death or at the end of the data, whichever is first"


def _statistics(r: Released, c: ReleasedComparison | None) -> tuple[Item, ...]:
    models = "; ".join(sorted({terms.model(e.model) for e in c.estimates})) if c else ""
    say = f"{models}. Curves by Kaplan-Meier; teeth of one patient taken together in all ranges." if models else ""
    missing = "; ".join(f"{name} {n} % of rows" if n else f"{name} in few rows" for name, n in r.methods.missing)
    gaps = (
        "A missing value of what is adjusted for is a level of its own; teeth without a value of the technique that a "
        f"question asks about are not compared. Without a value: {missing}."
    )
    early = "; ".join(f"{f.ended_early} % of {f.of}" for f in r.methods.followup)
    lost = f"Ended before the data did, without failure or death: {early}. Counted until the last contact."
    return (
        _item(STROBE, "12a", "All methods, with control of confounding", say),
        _item(STROBE, "12b", "Subgroups and interactions",
              "None was tested; rates by tooth group and clinician describe only."),
        _item(STROBE, "12c", "Missing values", gaps if missing else ""),
        _item(STROBE, "12d", "Loss to follow-up", lost if early else ""),
        _item(STROBE, "12e", "Sensitivity analyses", words_shared.choices(c) if c else "", half=True),
    )  # fmt: skip


def _results(r: Released, c: ReleasedComparison | None) -> tuple[Item, ...]:
    flow = "; ".join(f"{name}: about {n}" for name, n in r.methods.flow)
    reasons = "Steps at which few or none were left out are passed over." if flow else ""
    sizes = "; ".join(f"{g.label}: {g.crowns}" for g in c.groups if g.crowns.value is not None) if c else ""
    table1 = ". Table 1 of the handout tells the rest, group by group" if c and c.table1 else ""
    failed = "; ".join(f"{g.label}: {g.failures}" for g in c.groups if g.failures.value is not None) if c else ""
    followed = "; ".join(f"{f.of}: {f.seen} % of the possible follow-up seen" for f in r.methods.followup)
    rough = "; ".join(_estimate(c, e) for e in c.estimates[:4]) if c else ""
    absolute = words_shared.result(c) + " " + words_shared.reach(c) if c and c.difference else ""
    breakdowns = sorted({terms.by(t.by).lower() for t in r.rates if t.by != "overall" and t.rows})
    missing = "; ".join(f"{name} {n} %" if n else f"{name} in few rows" for name, n in r.methods.missing)
    return (
        _item(STROBE, "13a", "Numbers at each stage", flow),
        _item(STROBE, "13b", "Why some were left out", reasons, half=True),
        _item(STROBE, "13c", "A diagram of the flow",
              "In the handout, from the records to the groups." if flow else "", half=True),
        _item(STROBE, "14a", "Who the patients and teeth are", f"{sizes}{table1}" if sizes else "", half=not table1),
        _item(STROBE, "14b", "Missing, by variable", missing),
        _item(STROBE, "14c", "Length of follow-up", followed),
        _item(STROBE, "15", "Outcome events", failed),
        _item(STROBE, "16a", "Crude and adjusted estimates", rough),
        _item(STROBE, "16b", "Cut-points", "Tooth groups are anterior, premolar and molar; ages, years and measured "
              "techniques are cut where rows name the bounds."),
        _item(STROBE, "16c", "Absolute risks", absolute),
        _item(STROBE, "17", "Further analyses", f"Rates {listing(breakdowns)}." if breakdowns else "", half=True),
    )  # fmt: skip


def _discussion() -> tuple[Item, ...]:
    return (
        _author(STROBE, "18", "Key results against the aims"),
        _item(STROBE, "19", "Limits", terms.CAUTIONS[0], half=True),
        _author(STROBE, "20", "Cautious interpretation"),
        _author(STROBE, "21", "How far it applies elsewhere"),
        _author(STROBE, "22", "Funding"),
    )


def _record(r: Released) -> tuple[Item, ...]:
    rules = count(len(r.rules), "linking rule")
    linking = f"By {rules}, told in words with the number of each. The codes stand in the practice’s settings."
    flow = "; ".join(f"{name}: about {n}" for name, n in r.methods.flow)
    versions = ", ".join(f"{k} {v}" for k, v in r.methods.versions)
    seed = r.methods.setting("seed")
    code = _joined(f"Programs: {versions}" if versions else "", f"Seed {seed}" if seed else "")
    checks = (
        f"{r.methods.agreed} of {count(r.methods.checked, 'figure')} (curves and unadjusted ratios, not the adjusted "
        "differences) agreed when another program worked them out again"
        if r.methods.checked
        else ""
    )
    return (
        _item(RECORD, "1.1", "Kind of data in title or summary", "Routine records of one dental practice.", half=True),
        _item(RECORD, "1.2", "Region and period in title or summary", r.span, half=True),
        _item(RECORD, "1.3", "Linkage named in title or summary", "Root canals linked to crowns by tooth and day."),
        _item(RECORD, "6.1", "How people were chosen, with codes", linking if r.rules else "", half=True),
        _author(RECORD, "6.2", "Were the codes checked against charts? Read some 30 charts"),
        _item(RECORD, "6.3", "Diagram of the linkage", "In the handout; counts in 13a." if flow else "", half=True),
        _item(RECORD, "7.1", "Full list of codes", "In the program’s code list and the settings.", half=True),
        _item(RECORD, "12.1", "Access to the database", "The practice read its own files.", half=True),
        _item(RECORD, "12.2", "How data were cleaned", _joined("Rows that cannot be used are set aside", checks)),
        _item(RECORD, "12.3", "Level and quality of linkage", "Each root canal to the crown of its tooth.", half=True),
        _item(RECORD, "13.1", "Selection, with filtering by quality", flow),
        _item(RECORD, "19.1", "Data not made for this question", _UNMADE, half=True),
        _item(RECORD, "22.1", "Protocol, data and programs", code, half=True),
    )  # fmt: skip


def _estimate(c: ReleasedComparison, e: ReleasedEstimate) -> str:
    how = "adjusted" if e.adjusted_for else "crude"
    against = terms.contrast(e.contrast, {g.name: g.label for g in c.groups})
    return f"{against}, {how} ratio {e.hazard_ratio:g} ({e.low:g} to {e.high:g})"


def _joined(*parts: str) -> str:
    """Sentences in a row; nothing where the first has nothing to say."""
    return " ".join(f"{p.rstrip('.')}." for p in parts if p) if parts[0] else ""
