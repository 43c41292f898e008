"""What the technique worksheet lists: each course of endo and each crown whose details were never noted."""

from dataclasses import dataclass

import polars as pl

from pipeline.practice.fields import YEARS_OF, input_fields
from pipeline.practice.settings import Rules
from pipeline.practice.teeth import write_teeth
from pipeline.reading.sources.excel_file import ALREADY_KNOWN

_TOOTH = ["patient_id", "tooth_fdi"]
_KEYS = ("patient_id", "tooth", "service_date", "prep_date", "seat_date")


@dataclass(frozen=True)
class Listing:
    """Rows of one sheet, newest first, and how many were left out because no id as the practice writes it is known."""

    rows: pl.DataFrame
    without_id: int


def technique_fields(table: str) -> list[str]:
    """The fields of `endo_details` or `crown_details` that tell how the work was done."""
    return [name for name in input_fields(table) if name not in _KEYS]


def as_written(rows: pl.DataFrame, written_ids: pl.DataFrame, notation: str) -> pl.DataFrame:
    """Rows with the `tooth` and the patient (`written_id`, null where it is not known) as the practice writes them."""
    tooth = write_teeth(rows["tooth_fdi"], notation=notation).alias("tooth")
    return rows.with_columns(tooth).join(written_ids, on="patient_id", how="left", maintain_order="left")


def endo_without_details(
    courses: pl.DataFrame, details: pl.DataFrame, written_ids: pl.DataFrame, *, notation: str
) -> Listing:
    """Courses of endo without a row of details that tells anything; details belong to a course if their day lies in it.

    `written_ids` has `patient_id, written_id`: each patient as stored, and as the practice writes it; `notation` is how
    it writes teeth: universal, fdi or palmer. One row per course: the fields of `endo_details` under their own names,
    of which `patient_id`, `tooth` and `service_date` (the day of completion, else the first day) are filled in, and
    `clinician`, `kind` and `already_known`. Newest first, then by patient and tooth.
    """
    told = _telling(details, "endo_details").select(*_TOOTH, noted="service_date")
    last = pl.coalesce("completed", "started")
    noted = (
        courses.select("course_id", *_TOOTH, "started", last=last)
        .join(told, on=_TOOTH)
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
    both = seated.with_columns(alone=pl.len().over(_TOOTH) == 1).join(told, on=_TOOTH)
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
    rows = as_written(lacking, written_ids, notation).sort(
        newest, "written_id", "tooth_fdi", descending=[True, False, False], nulls_last=True
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


TABLE = "elsewhere"
_UNDATED = "undated_root_canal"
SIGNS = {
    "filling_on_crown": "filling of one surface on the crown",
    _UNDATED: "root canal from elsewhere, day not known",
    "late_refund": "refund of a crown or root canal, long after the work",
}


def teeth_to_ask(
    hints: pl.DataFrame, crowns: pl.DataFrame, told: pl.DataFrame, written_ids: pl.DataFrame, *, notation: str
) -> Listing:
    """Teeth with a sign of work by others (`elsewhere_hints`), for the practice to say what was done, if anything.

    `crowns` are all, those made elsewhere included, and `told` is the table `elsewhere`; a tooth that was answered for
    has no hint. `written_ids` and `notation` as in `endo_without_details`. One row per tooth: `patient_id`, `tooth`;
    `sign` in words, each kind once; `sign_date`, the day of the latest sign, empty where the only one is a root canal
    without a day; `crown_seat` of the practice's crown that was the last to be seated by then, empty where there is
    none; the empty fields of `elsewhere`; and `already_known`, what was told of the tooth before. Newest first, then by
    patient and tooth.
    """
    teeth = _signs(hints).join(_last_seats(hints, crowns), on=_TOOTH, how="left")
    rows = as_written(teeth.join(_already_told(told), on=_TOOTH, how="left"), written_ids, notation).sort(
        "newest", "written_id", "tooth_fdi", descending=[True, False, False], nulls_last=True
    )
    listed = rows.filter(pl.col("written_id").is_not_null())
    asked = [name for name in input_fields(TABLE) if name not in ("patient_id", "tooth", *YEARS_OF.values())]
    return Listing(
        listed.select(
            pl.col("written_id").alias("patient_id"),
            "tooth",
            "sign",
            "sign_date",
            "crown_seat",
            *(pl.lit(None, pl.String).alias(name) for name in asked),
            ALREADY_KNOWN,
        ),
        rows.height - listed.height,
    )


def _signs(hints: pl.DataFrame) -> pl.DataFrame:
    """One row per tooth: `sign, sign_date, newest`."""
    dated = pl.when(pl.col("kind") != _UNDATED).then("seen_date")
    kinds = hints.group_by(*_TOOTH, "kind").agg(times=pl.len(), day=dated.max(), newest=pl.col("seen_date").max())
    words = pl.col("kind").cast(pl.String).replace_strict(SIGNS, return_dtype=pl.String)
    often = (pl.col("times") > 1) & (pl.col("kind") != _UNDATED)
    said = pl.when(often).then(pl.format("{} ({} days)", words, "times")).otherwise(words)
    return (
        kinds.with_columns(said=said)
        .sort("kind")
        .group_by(_TOOTH, maintain_order=True)
        .agg(sign=pl.col("said").str.join("; "), sign_date=pl.col("day").max(), newest=pl.col("newest").max())
    )


def _last_seats(hints: pl.DataFrame, crowns: pl.DataFrame) -> pl.DataFrame:
    newest = hints.group_by(_TOOTH).agg(newest=pl.col("seen_date").max())
    seated = crowns.filter(~pl.col("done_elsewhere")).join(newest, on=_TOOTH)
    by_then = seated.filter(pl.col("seat_date") <= pl.col("newest"))
    return by_then.group_by(_TOOTH).agg(crown_seat=pl.col("seat_date").max())


def _already_told(told: pl.DataFrame) -> pl.DataFrame:
    day = pl.coalesce(pl.col("event_date").dt.to_string("iso"), pl.col("event_year").cast(pl.String))
    said = pl.concat_str(
        pl.format("event {}", pl.col("event").cast(pl.String)),
        pl.format("event_date {}", day),
        separator="; ",
        ignore_nulls=True,
    )
    each = told.with_columns(said=said).sort("event_date", "event_year", "said", nulls_last=True)
    return each.group_by(_TOOTH, maintain_order=True).agg(
        pl.col("said").unique(maintain_order=True).str.join("; ").alias(ALREADY_KNOWN)
    )
