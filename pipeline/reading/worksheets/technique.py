"""What the technique worksheet lists: each course of endo and each crown whose details were never noted."""

from dataclasses import dataclass

import polars as pl

from pipeline.practice.fields import input_fields
from pipeline.practice.settings import Rules
from pipeline.practice.teeth import write_teeth
from pipeline.reading.sources.excel_file import ALREADY_KNOWN

_TOOTH = ("patient_id", "tooth_fdi")
_KEYS = ("patient_id", "tooth", "service_date", "prep_date", "seat_date")


@dataclass(frozen=True)
class Listing:
    """Rows of one sheet, newest first, and how many were left out because no id as the practice writes it is known."""

    rows: pl.DataFrame
    without_id: int


def technique_fields(table: str) -> list[str]:
    """The fields of `endo_details` or `crown_details` that tell how the work was done."""
    return [name for name in input_fields(table) if name not in _KEYS]


def endo_without_details(
    courses: pl.DataFrame, details: pl.DataFrame, written_ids: pl.DataFrame, *, notation: str
) -> Listing:
    """Courses of endo without a row of details that tells anything.

    Parameters
    ----------
    courses, details
        `endo_courses` and `endo_details` as declared. Details belong to a course if their day lies within it.
    written_ids
        `patient_id, written_id`: each patient as stored, and as the practice writes it.
    notation
        How the practice writes teeth: universal, fdi or palmer.

    Returns
    -------
    One row per course: the fields of `endo_details` under their own names, of which `patient_id`, `tooth` and
    `service_date` (the day of completion, else the first day) are filled in, and `clinician`, `kind` and
    `already_known`. Newest first, then by patient and tooth.
    """
    told = _telling(details, "endo_details").select(*_TOOTH, noted="service_date")
    last = pl.coalesce("completed", "started")
    noted = (
        courses.select("course_id", *_TOOTH, "started", last=last)
        .join(told, on=list(_TOOTH))
        .filter(pl.col("noted").is_between("started", "last"))
    )
    lacking = courses.join(noted, on="course_id", how="anti").with_columns(service_date=last)
    return _listing(lacking, "endo_details", written_ids, notation, newest="service_date", beside=("kind",))


def crowns_without_details(
    crowns: pl.DataFrame,
    details: pl.DataFrame,
    written_ids: pl.DataFrame,
    *,
    notation: str,
    crown_repost_days: int = Rules.crown_repost_days,
) -> Listing:
    """Crowns with a seat date but without a row of details that tells anything.

    Details belong to a crown of their tooth if their seat, or where they have none their preparation, lies within
    `crown_repost_days` of its own; details without any date belong to the only crown of a tooth. A crown whose seat
    date is unknown was made elsewhere and is not listed.

    One row per crown, as in `endo_without_details`. A seat date that was worked out from the day of preparation is not
    filled in: it would come back as if it had been recorded.
    """
    seated = crowns.filter(pl.col("seat_date").is_not_null())
    told = _telling(details, "crown_details").select(*_TOOTH, told_seat="seat_date", told_prep="prep_date")
    both = seated.with_columns(alone=pl.len().over(_TOOTH) == 1).join(told, on=list(_TOOTH))
    prepared = pl.coalesce("prep_date", "seat_date")
    apart = pl.coalesce(pl.col("told_seat") - pl.col("seat_date"), pl.col("told_prep") - prepared)
    near = apart.dt.total_days().abs() <= crown_repost_days
    noted = both.filter(near.fill_null(pl.col("alone")))
    derived = ~pl.col("seat_recorded") & pl.col("prep_date").is_not_null()
    lacking = seated.join(noted, on="crown_id", how="anti").with_columns(
        newest="seat_date", seat_date=pl.when(~derived).then("seat_date")
    )
    return _listing(lacking, "crown_details", written_ids, notation, newest="newest")


def _telling(details: pl.DataFrame, table: str) -> pl.DataFrame:
    return details.filter(pl.any_horizontal(pl.col(f).is_not_null() for f in technique_fields(table)))


def _listing(
    lacking: pl.DataFrame,
    table: str,
    written_ids: pl.DataFrame,
    notation: str,
    *,
    newest: str,
    beside: tuple[str, ...] = (),
) -> Listing:
    days = [name for name in input_fields(table) if name in _KEYS and name not in ("patient_id", "tooth")]
    known = (pl.format("{} {}", pl.lit(day), pl.col(day).dt.to_string("iso")) for day in days)
    rows = (
        lacking.with_columns(write_teeth(lacking["tooth_fdi"], notation=notation).alias("tooth"))
        .join(written_ids, on="patient_id", how="left")
        .sort(newest, "written_id", "tooth_fdi", descending=[True, False, False], nulls_last=True)
    )
    listed = rows.filter(pl.col("written_id").is_not_null())
    blank = (pl.lit(None, pl.String).alias(name) for name in technique_fields(table))
    return Listing(
        listed.select(
            pl.col("written_id").alias("patient_id"),
            "tooth",
            *days,
            pl.col("provider_id").alias("clinician"),
            *beside,
            *blank,
            pl.concat_str(list(known), separator="; ", ignore_nulls=True).alias(ALREADY_KNOWN),
        ),
        rows.height - listed.height,
    )
