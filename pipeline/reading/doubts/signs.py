"""Signs that a ledger as a whole is not what it was taken for, whatever its columns and words are.

Each is a count that the trade knows the bounds of: a tooth is taken out once, practices are shut on some day of the
week, patients come back. Bounds are wide, so that a practice of an odd kind is not asked, and no sign needs the
knowledge of any export. All of them are common practice, no source.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from pipeline.machine.data_tables import data_rows
from pipeline.reading.doubts.doubt import Answer, Doubt, ask
from pipeline.reading.doubts.sign_counts import (
    Count,
    after_loss,
    again,
    free_at_first,
    in_parts,
    in_two,
    months_without,
    no_loss,
    not_molars,
    nothing_else,
    one_day_of_month,
    one_tooth,
    patients_lost,
    quadrant_without,
    quadrants,
    seen_once,
    still_patients,
    strange_fees,
    sundays,
    swapped_weekends,
    up_to_twelve,
    wisdom,
)
from pipeline.reading.doubts.work_seen import CROWN, FILLED, ROOT_CANAL, TAKEN, Whole


@dataclass(frozen=True)
class Sign:
    """A sign: what is counted, from how many things on (`among`) and from which number and share on it is asked about,
    what is then said, and which lines may mend it."""

    id: str
    counted: Callable[[Whole], Count | None]
    among: int
    least: int
    share: float
    evidence: str
    lines: tuple[Answer, ...]


# What each row of `data/signs.csv` counts.
_COUNTED: dict[str, Callable[[Whole], Count | None]] = {
    "taken_out_twice": again(TAKEN),
    "treated_after_loss": after_loss,
    "crowned_twice": again(CROWN, 60, 400),  # rows up to 60 days apart are one crown
    "crown_in_two_rows": in_two(CROWN, 3, 60),
    "posted_in_parts": in_parts(CROWN, 400),
    "filled_twice": again(ROOT_CANAL, 180, 600),  # rows up to 180 days apart are one course
    "restored_twice": again(FILLED, within=120),
    "work_on_sundays": sundays,
    "days_and_months": swapped_weekends,
    "no_day_after_the_twelfth": up_to_twelve,
    "one_day_of_the_month": one_day_of_month,
    "months_missing": months_without,
    "patients_begin_anew": patients_lost,
    "patients_seen_once": seen_once,
    "no_patient_left": still_patients,
    "teeth_in_one_quadrant": quadrants,
    "quadrant_without_work": quadrant_without,
    "work_on_one_tooth": one_tooth,
    "hardly_any_molars": not_molars,
    "wisdom_teeth": wisdom,
    "no_tooth_lost": no_loss,
    "only_work_on_teeth": nothing_else,
    "free_at_first": free_at_first,
    "fees_far_apart": strange_fees,
}


def _sign(row: Mapping[str, str]) -> Sign:
    told = (row[c].split(" | ") for c in ("sections", "lines", "means"))
    lines = tuple(zip(*told, strict=True)) if row["lines"] else ()
    bounds = int(row["among"]), int(row["least"]), float(row["share"])
    return Sign(row["id"], _COUNTED[row["id"]], *bounds, row["evidence"], lines)


SIGNS = tuple(map(_sign, data_rows("signs")))


def sign_doubts(where: str, whole: Whole) -> list[Doubt]:
    """A question for each sign that stands."""
    found = []
    for sign in SIGNS:
        met = sign.counted(whole)
        if met is None or met.of < sign.among or met.n < sign.least or met.n < sign.share * met.of:
            continue
        evidence = sign.evidence.format(n=met.n, of=met.of, **met.names)
        found += ask(sign.id, where, evidence, *sign.lines)
    return found
