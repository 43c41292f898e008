"""Recorded technique, matched to the course or the crown that it describes."""

from collections.abc import Sequence

import polars as pl

TOOTH = ("patient_id", "tooth_fdi")
ORIGIN = ("load_id", "row_number")
ABOUT_CROWN = ("core", "post", "ferrule_mm", "cement")
ABOUT_COURSE = (
    "pulpal_diagnosis", "apical_diagnosis", "preop_pai", "canals", "length_short_of_apex_mm",
    "master_apical_size_iso", "instrumentation", "naocl_percent", "irrigant_activation", "obturation", "sealer",
    "orifice_seal", "separated_instrument", "rubber_dam", "difficulty",
)  # fmt: skip


def course_details(courses: pl.DataFrame, endo_details: pl.DataFrame, *, gap_days: int) -> pl.DataFrame:
    """Recorded technique of each course: one row per course that has any.

    A row of `endo_details` may describe a course of the same tooth if its day lies within `gap_days` (whole days)
    before the first day of the course to as many after the last. It goes to the nearest such course (then the earlier
    one), and each course takes the nearest of its rows. Of rows equally near, the one recorded later counts; of rows
    of one day, the first by content, so that the order of the rows never matters.

    Returns `course_id`, the columns `ABOUT_COURSE` and `visits_recorded`; null where the row left it empty.
    """
    spans = courses.select(*TOOTH, "course_id", begun="started", done=pl.coalesce("completed", "started"))
    day = pl.col("service_date")
    outside = pl.max_horizontal(
        (pl.col("begun") - day).dt.total_days(), (day - pl.col("done")).dt.total_days(), pl.lit(0)
    )
    near = (
        _own_teeth(endo_details, (*ABOUT_COURSE, "visits", "service_date"))
        .join(spans, on=list(TOOTH))
        .with_columns(outside=outside)
        .filter(pl.col("outside") <= gap_days)
    )
    chosen = _one_each(
        near, "course_id", distance="outside", first="begun", last="service_date", content=(*ABOUT_COURSE, "visits")
    )
    return chosen.select("course_id", *ABOUT_COURSE, visits_recorded="visits").sort("course_id")


def crown_details_of(crowns: pl.DataFrame, crown_details: pl.DataFrame, *, tolerance_days: int) -> pl.DataFrame:
    """What was recorded of the making of each crown: one row per crown that has any of `ABOUT_CROWN`.

    A row of `crown_details` may describe a crown of the same tooth if its preparation or its seat lies at most
    `tolerance_days` from that of the crown; rules of choice as in `course_details`. Rows without a day describe none.
    """
    made = crowns.select(*TOOTH, "crown_id", crown_prep="prep_date", crown_seat="seat_date")
    apart = pl.min_horizontal(
        (pl.col(f"{day}_date") - pl.col(f"crown_{day}")).dt.total_days().abs() for day in ("prep", "seat")
    )
    near = (
        _own_teeth(crown_details, (*ABOUT_CROWN, "prep_date", "seat_date"))
        .join(made, on=list(TOOTH))
        .with_columns(apart=apart, about=pl.coalesce("seat_date", "prep_date"))
        .filter(pl.col("apart") <= tolerance_days)
    )
    chosen = _one_each(
        near, "crown_id", distance="apart", first="crown_seat", last="about", content=(*ABOUT_CROWN, "prep_date")
    )
    return chosen.select("crown_id", *ABOUT_CROWN).sort("crown_id")


def _own_teeth(details: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    return details.filter(~pl.col("supernumerary")).select(*TOOTH, *ORIGIN, *columns)


def _one_each(
    near: pl.DataFrame, owner: str, *, distance: str, first: str, last: str, content: Sequence[str]
) -> pl.DataFrame:
    """The nearest owner of each row, then the nearest row of each owner."""
    owned = near.sort(distance, first, owner, nulls_last=True).unique(ORIGIN, keep="first", maintain_order=True)
    falling = [False, True, *(False for _ in content)]
    ranked = owned.sort(distance, last, *content, descending=falling, nulls_last=True)
    return ranked.unique(owner, keep="first", maintain_order=True)
