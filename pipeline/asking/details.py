"""Recorded details beside the crown or course that they are of: one row in, one row out."""

from __future__ import annotations

import polars as pl

KEY = ["patient_id", "tooth_fdi"]
_PLACE = ["load_id", "row_number"]


def endo_details_of(courses: pl.DataFrame, details: pl.DataFrame) -> pl.DataFrame:
    """Adds to each course the columns of its details that it does not have itself.

    Details belong to the one course of their tooth that holds their day. Of several for one course the last by day,
    then by place in the files, counts.
    """
    spans = courses.select(*KEY, "course_id", "started", last=pl.coalesce("completed", "started"))
    inside = (
        details.join(spans, on=KEY)
        .filter(pl.col("service_date").is_between("started", "last"))
        .sort("course_id", "service_date", *_PLACE)
        .unique(_PLACE, keep="none", maintain_order=True)
        .unique("course_id", keep="last", maintain_order=True)
    )
    return _beside(courses, inside, "course_id")


def crown_details_of(crowns: pl.DataFrame, details: pl.DataFrame, *, tolerance_days: int) -> pl.DataFrame:
    """Adds to each crown the columns of its details that it does not have itself.

    Details belong to the crown of their tooth whose seat is nearest to their seat (their preparation where the seat is
    missing), at most `tolerance_days` away; each crown takes the nearest.
    """
    seats = crowns.filter(pl.col("seat_date").is_not_null()).select(*KEY, "crown_id", seated="seat_date")
    near = (
        details.with_columns(about=pl.coalesce("seat_date", "prep_date"))
        .join(seats, on=KEY)
        .with_columns(distance=(pl.col("about") - pl.col("seated")).dt.total_days().abs())
        .filter(pl.col("distance") <= tolerance_days)
        .sort("distance", *_PLACE, "crown_id")
        .unique(_PLACE, keep="first", maintain_order=True)
        .unique("crown_id", keep="first", maintain_order=True)
    )
    return _beside(crowns, near, "crown_id")


def _beside(rows: pl.DataFrame, found: pl.DataFrame, key: str) -> pl.DataFrame:
    new = [
        c for c in found.columns if c not in rows.columns and c not in (*_PLACE, "about", "seated", "distance", "last")
    ]
    return rows.join(found.select(key, *new), on=key, how="left", maintain_order="left")
