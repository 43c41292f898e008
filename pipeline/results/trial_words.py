"""The sentence on each outcome of the decision on a hyperemic tooth: one wording, for pages, slides and machines."""

from pipeline.practice.counts import more_or_fewer, range_more_or_fewer
from pipeline.practice.counts import years as in_years
from pipeline.practice.outcomes import CROWN_FAILURE, ENDO_NEEDED, TOOTH_LOSS

CROWN, TOOTH, NEED = CROWN_FAILURE.id, TOOTH_LOSS.id, ENDO_NEEDED.id
OUTCOMES = (CROWN, TOOTH, NEED)
NAMES = {CROWN: "The crown", TOOTH: "The tooth", NEED: "The need of a root canal"}
FATES = {CROWN: ("crowns", "failed", "failed"), TOOTH: ("teeth", "was lost", "were lost")}
COUNTED_FROM = (
    "Everything is counted from the day of the preparation. A pulp that flares before the seat (an irreversible "
    "pulpitis or a necrosis, recorded after the preparation) and gets its root canal then is part of waiting, not a "
    "tooth that was treated first."
)
NOT_COMPARED = (
    "Not compared: keeping the pulp alive (vital pulp therapy: covering the pulp, or taking away a part "
    "of it). These records do not tell which of these teeth it was tried on, so nothing here speaks for it or "
    "against it."
)


def outcome_sentence(outcome: str, mid: float, low: float, high: float, *, years: float, adjusted: bool) -> str:
    """`The tooth: by 5 years, of 100 teeth about 2 fewer were lost ... than ...; the range is 5 fewer to 1 more ...`

    `mid`, `low` and `high` are teeth per 100, with a root canal before the seat minus with waiting, by years since the
    preparation; they are rounded to whole teeth. Of root canals the sentence says how many fewer there were with
    waiting, since treating first gives every tooth one.

    Raises KeyError for an outcome that is none of `OUTCOMES`.
    """
    how = "adjusted for what was recorded" if adjusted else "not adjusted"
    by = f"by {in_years(years)}"
    if outcome == NEED:
        return (
            f"{NAMES[outcome]}: with a root canal before the seat all of 100 teeth have one; with a vital seat and "
            f"waiting, {round(mid)} fewer had one recorded here {by}; the range is {round(low)} to {round(high)} fewer "
            f"({how})."
        )
    n = round(mid)
    units, one, many = FATES[outcome]
    much, than = (f"about {more_or_fewer(n)}", "than") if n else ("about as many", "as")
    reach = range_more_or_fewer(round(low), round(high))
    return (
        f"{NAMES[outcome]}: {by}, of 100 {units} {much} {one if abs(n) == 1 else many} with a root canal before the "
        f"seat {than} with a vital seat and waiting; the range is {reach} ({how})."
    )


def no_difference(outcome: str, why: str) -> str:
    """`The tooth: no difference is given, since ...`"""
    return f"{NAMES[outcome]}: no difference is given, since {why}."
