"""Sentences on healing at recall and on two readings of one film."""

from __future__ import annotations

from collections.abc import Sequence

from dashboards.formats import count, percent, plural, ratio, whole, years
from pipeline.results_healing import Agreement, CountedShare, RecallRow

LESION, NO_LESION = "before treatment: a lesion", "before treatment: no lesion"
READERS = {
    "same_reader": "read twice by one reader",
    "two_readers": "read by two readers",
    "reader_not_told": "read twice by readers who are not named",
}


def definition(uncertain_years: str) -> str:
    """What healed, healing and not healed mean on these pages."""
    until = f", until {years(float(uncertain_years))} after the root canal" if uncertain_years.isdigit() else ""
    return (
        "All go by the latest film that is late enough. Healed: a periapical index of 1 or 2. "
        f"Healing: a lesion that is smaller than before, and not gone{until}; neither has symptoms. All others are not "
        "healed, and so is every tooth with symptoms. Counted loosely, a lesion that is smaller is healed at any time; "
        "that share is of teeth whose state before treatment is known. "
        "A lesion before treatment is an index of 3 to 5. The shares are of those who came back; who comes back "
        "differs from who does not, so read them beside the recall rate."
    )


def recall_headline(row: RecallRow) -> str:
    """Healing of those seen, with how many were seen of those due."""
    seen = (
        f"Of {count(row.due, 'root canal')} followed long enough, {whole(row.recalled)} "
        f"({percent(row.recalled, row.due)}) {plural(row.recalled, 'was')} judged at recall."
    )
    said = _of_100(row)
    return f"{seen} Of 100 of those, {said}." if said else f"{seen} Too few to give a share healed."


def by_lesion(rows: Sequence[RecallRow]) -> list[str]:
    """One sentence each for teeth with and without a lesion before treatment; none where that is not known."""
    named = {r.name: r for r in rows}
    out = []
    for name, which in ((LESION, "with a lesion before treatment"), (NO_LESION, "without a lesion before treatment")):
        row = named.get(name)
        if row is None:
            continue
        said = _of_100(row)
        loose = row.loose if name == LESION else None
        if not said:
            out.append(f"Of teeth {which}, too few were judged to give a share ({whole(row.recalled)}).")
            continue
        counted = (
            f" Counted loosely, {round(100 * loose.share)} were healed ({_range(loose)})."
            if loose is not None and loose.share is not None
            else ""
        )
        out.append(f"Of 100 teeth {which}, {said}.{counted}")
    return out


def agreement_sentence(found: Agreement) -> str:
    """How often two readings of one film agreed, and the weighted kappa where there were enough."""
    films = f"{count(found.exact.of, 'film')} {plural(found.exact.of, 'was')} {READERS.get(found.kind, 'read twice')}"
    same = f"the index was the same in {percent(found.exact.count, found.exact.of)}"
    side = f"both said healed, or both not healed, in {percent(found.same_side.count, found.same_side.of)}"
    if found.kappa is None:
        return f"{films}: {same}, and {side}. Too few, or too much alike, for a kappa."
    limits = ""
    if found.ci_low is not None and found.ci_high is not None:
        limits = f" (range {ratio(found.ci_low)} to {ratio(found.ci_high)})"
    return f"{films}: {same}, and {side}; weighted kappa {ratio(found.kappa)}{limits}."


def readings_rule() -> str:
    """Which reading of a film counts."""
    return (
        "The first reading of a film counts, a second one only where there is no first; of several first readings of "
        "one day, the highest index counts. Kappa is 1 where all readings agree and 0 where they agree as often as "
        "chance would have it; a step of the index counts as one."
    )


def _of_100(row: RecallRow) -> str:
    if row.success is None or row.ci_low is None or row.ci_high is None:
        return ""
    low, mid, high = (round(100 * v) for v in (row.ci_low, row.success, row.ci_high))
    rest = "".join(
        f"{joint}{round(100 * s.share) or 'none'} {said}"
        for s, said, joint in ((row.uncertain, "were healing", ", "), (row.not_healed, "were not healed", " and "))
        if s is not None and s.share is not None
    )
    return f"about {mid} were healed (range {low} to {high}){rest}"


def _range(s: CountedShare) -> str:
    return f"range {round(100 * (s.ci_low or 0))} to {round(100 * (s.ci_high or 0))}"
