"""Sentences on who read the films: how far readings agree, and what each reader alone would say."""

from collections.abc import Sequence

from dashboards.formats import count, percent, plural, ratio, whole
from pipeline.results.healing import Agreement, ReaderWay

AGREED = "agreed"
WAYS_RULE = (
    "A reader alone counts on the films that another reader read too; all other films count as they are, so the teeth "
    "are the same on every line."
)
READERS = {
    "same_reader": "read twice by one reader",
    "two_readers": "read by two readers",
    "reader_not_told": "read twice by readers who are not named",
}


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


def agreement_heading(found: Sequence[Agreement]) -> str:
    """How often two readings said the same of healed or not, of the first kind, for a heading."""
    first = next((a for a in found if not a.who), None)
    if first is None or not first.same_side.of:
        return "Some films were read twice"
    share = percent(first.same_side.count, first.same_side.of)
    films = count(first.same_side.of, "film")
    return f"Of {films} {READERS.get(first.kind, 'read twice')}, both readings agree on healed or not in {share}"


def readings_rule() -> str:
    """Which reading of a film counts."""
    return (
        "The first reading of a film by each reader counts, a second one only where there is no first. Of several "
        "readers the agreed index counts: what two of them say, the middle one where three differ, and the higher one "
        "of two who differ until a third has read the film. A reading noted as the film's second counts once three "
        "have read it. Kappa is 1 where all readings agree and 0 where they agree as often as chance would have it; a "
        "step of the index counts as one."
    )


def ways_sentence(ways: Sequence[ReaderWay]) -> str:
    """How far the share healed hangs on who read the films; empty where it could not be told."""
    shares = {w.reader: w.healed for w in ways if w.healed.share is not None}
    agreed = shares.pop(AGREED, None)
    if agreed is None or agreed.share is None or not shares:
        return ""
    alone = sorted(round(100 * (s.share or 0)) for s in shares.values())
    between = f"{alone[0]}" if alone[0] == alone[-1] else f"{alone[0]} to {alone[-1]}"
    films = next(w.films for w in ways if w.reader == AGREED)
    return (
        f"{count(films, 'film')} {plural(films, 'was')} read by more than one reader. By the agreed readings "
        f"{round(100 * agreed.share)} of 100 of the {whole(agreed.of)} teeth judged at recall were healed; "
        f"by one reader alone it would be {between}."
    )
