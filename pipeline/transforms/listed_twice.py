"""Patients whom one file lists more than once: what of their rows counts."""

from dataclasses import dataclass

import polars as pl

from pipeline.practice.tables import PATIENTS
from pipeline.transforms.deduplicate import VERDICT_SCHEMA

CONTRADICTED = "patient_contradicted"
# Two rows that name different days of these do not contradict each other: the patient came on both.
FIRST, LAST = "first_contact_date", "last_contact_date"
_KEY = ["load_id", "patient_id"]
_FIELDS = [name for name in PATIENTS.columns if name not in (*_KEY, "row_number")]
_PLAIN = [name for name in _FIELDS if name not in (FIRST, LAST)]


@dataclass(frozen=True)
class United:
    """`patients`, one row per load and patient (`PATIENTS`), and `verdicts` on the rows that they take the place of.

    `verdicts` has the columns of `deduplicate.VERDICT_SCHEMA` and `field`, the first field that is contradicted.
    """

    patients: pl.DataFrame
    verdicts: pl.DataFrame


def unite_listed(rows: pl.DataFrame) -> United:
    """Make one row of all rows of one patient in one file.

    A field that some rows leave empty gets what the others say. Where rows say different things of a field, neither
    counts and it stays empty, whichever stands first: the order of the rows of a file says nothing. Of several first
    contacts the earliest counts, of several last ones the latest. A day of birth and a year that it does not lie in
    contradict each other as well.

    The united row stands in the place of the first row that others contradict, else of the first. Of the others, one
    that repeats a row, or that contradicts none, is a `duplicate`; the rest are set aside as `patient_contradicted`.
    """
    several = _contradictions(rows)
    contradicted = pl.coalesce(
        pl.when(pl.col(f"{name}_several") & pl.col(name).is_not_null()).then(pl.lit(name)) for name in _PLAIN
    )
    ordered = (
        rows.join(several, on=_KEY)
        .with_columns(field=contradicted)
        .sort(*_KEY, pl.col("field").is_null(), "row_number")
    )
    known = (pl.when(~pl.col(f"{name}_several")).then(name).alias(name) for name in _PLAIN)
    united = (
        ordered.with_columns(known)
        .group_by(_KEY, maintain_order=True)
        .agg(
            *(pl.col(name).drop_nulls().first() for name in _PLAIN),
            pl.col(FIRST).min(),
            pl.col(LAST).max(),
            pl.col("row_number").first(),
        )
    )
    united = united.select(pl.col(name).cast(dtype) for name, dtype in PATIENTS.schema.items())
    return United(united, _verdicts(ordered))


def _contradictions(rows: pl.DataFrame) -> pl.DataFrame:
    said = rows.with_columns(year=pl.coalesce(pl.col("birth_date").dt.year(), "birth_year"))
    counted = said.group_by(_KEY).agg(pl.col(*_PLAIN, "year").drop_nulls().n_unique() > 1)
    counted = counted.with_columns(pl.col("birth_date", "birth_year") | pl.col("year"))
    return counted.select(*_KEY, *(pl.col(name).alias(f"{name}_several") for name in _PLAIN))


def _verdicts(ordered: pl.DataFrame) -> pl.DataFrame:
    """Verdicts on all but the first row of each patient, in the order given."""
    repeated = pl.struct(_FIELDS).is_first_distinct().over(_KEY).not_()
    duplicate = pl.col("repeated") | pl.col("field").is_null()
    others = ordered.with_columns(repeated=repeated, place=pl.int_range(pl.len()).over(_KEY)).filter(
        pl.col("place") > 0
    )
    judged = others.with_columns(
        part=pl.lit(1),
        verdict=pl.when(duplicate).then(pl.lit("duplicate")).otherwise(pl.lit(CONTRADICTED)),
        field=pl.when(~duplicate).then("field"),
    )
    return judged.select(*(pl.col(c).cast(t) for c, t in VERDICT_SCHEMA.items()), "field")
