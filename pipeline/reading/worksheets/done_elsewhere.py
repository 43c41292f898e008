"""What the sheet "done elsewhere" asks: each tooth with a sign that others may have worked on it."""

import polars as pl

from pipeline.practice.fields import YEARS_OF, input_fields
from pipeline.practice.teeth import write_teeth
from pipeline.reading.sources.excel_file import ALREADY_KNOWN
from pipeline.reading.worksheets.technique import Listing

TABLE = "elsewhere"
_TOOTH = ["patient_id", "tooth_fdi"]
_UNDATED = "undated_root_canal"
SIGNS = {
    "filling_on_crown": "filling of one surface on the crown",
    _UNDATED: "root canal from elsewhere, day not known",
    "late_refund": "refund of a crown or root canal, long after the work",
}


def teeth_to_ask(
    hints: pl.DataFrame, crowns: pl.DataFrame, told: pl.DataFrame, written_ids: pl.DataFrame, *, notation: str
) -> Listing:
    """Teeth with a sign of work by others, for the practice to say what was done, if anything.

    Parameters
    ----------
    hints
        `elsewhere_hints` as declared: a tooth that was answered for has none.
    crowns
        `crowns` as declared, those made elsewhere included.
    told
        The table `elsewhere`: what the practice has told before.
    written_ids
        `patient_id, written_id`: each patient as stored, and as the practice writes it.
    notation
        How the practice writes teeth: universal, fdi or palmer.

    Returns
    -------
    One row per tooth: `patient_id`, `tooth`; `sign` in words, each kind once; `sign_date`, the day of the latest sign,
    empty where the only sign is a root canal without a day; `crown_seat` of the practice's crown that was the last to
    be seated by then, empty where there is none; the empty fields of the table `elsewhere`; and `already_known`, what
    was told of the tooth before. Newest first, then by patient and tooth.
    """
    teeth = _signs(hints).join(_last_seats(hints, crowns), on=_TOOTH, how="left")
    rows = (
        teeth.join(_already_told(told), on=_TOOTH, how="left")
        .with_columns(write_teeth(teeth["tooth_fdi"], notation=notation).alias("tooth"))
        .join(written_ids, on="patient_id", how="left")
        .sort("newest", "written_id", "tooth_fdi", descending=[True, False, False], nulls_last=True)
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
