"""Diagnoses recorded of a tooth by the day of its preparation, and from then to the seat.

A diagnosis counts from the day of the row that holds it: one recorded with a root canal after the preparation was not
known at the decision.
"""

import polars as pl

from pipeline.practice.tables import APICAL_DIAGNOSES, PULPAL_DIAGNOSES

KEY = ["patient_id", "tooth_fdi"]
FIELDS = {"pulpal_diagnosis": PULPAL_DIAGNOSES, "apical_diagnosis": APICAL_DIAGNOSES}
IRREVERSIBLE = (
    "symptomatic_irreversible_pulpitis",
    "asymptomatic_irreversible_pulpitis",
    "irreversible_pulpitis",
)
TREATED = ("previously_treated", "previously_initiated")
OTHER_TEXT = "other"  # for words that are not ours: they may hold anything
# A reversible pulpitis speaks of the pulp at the preparation for so long; the diagnosis taken for adjustment is at most
# so old.
REVERSIBLE_DAYS = 30
BASELINE_DAYS = 180


def early_diagnoses(rows: pl.DataFrame, endo_details: pl.DataFrame) -> pl.DataFrame:
    """Add what `endo_details` says of the tooth by the end of the decision day (`decision_date`).

    One row per crown in and out. Adds

    - `pulpal_diagnosis, apical_diagnosis`: the latest recorded in the `BASELINE_DAYS` before the decision or on its
      day, each by itself; of several of one day, the one further down the declared list; "other" for a text that is no
      declared word; null where none is recorded.
    - `reversible_by_prep`: a reversible pulpitis recorded at most `REVERSIBLE_DAYS` before, or on the day itself.
    - `irreversible_by_prep, necrosis_by_prep, treated_by_prep`: recorded at any time up to that day.
    """
    told = _told(rows, endo_details).filter(pl.col("ago") >= 0)
    word = pl.col("pulpal_diagnosis")
    marks = told.group_by("crown_id").agg(
        reversible_by_prep=((word == "reversible_pulpitis") & (pl.col("ago") <= REVERSIBLE_DAYS)).any(),
        irreversible_by_prep=word.is_in(IRREVERSIBLE).any(),
        necrosis_by_prep=(word == "necrosis").any(),
        treated_by_prep=word.is_in(TREATED).any(),
    )
    flags = [name for name in marks.columns if name != "crown_id"]
    out = rows.join(marks, on="crown_id", how="left", maintain_order="left")
    out = out.with_columns(pl.col(flags).fill_null(False))
    return _join_latest(out, told.filter(pl.col("ago") <= BASELINE_DAYS), {name: name for name in FIELDS})


def later_diagnoses(rows: pl.DataFrame, endo_details: pl.DataFrame) -> pl.DataFrame:
    """Add what was recorded after the decision day and by the seat: no reason for the decision, but what came of it.

    Adds `pulpal_later, apical_later` (as in `early_diagnoses`) and `flare_date`: the first day of that time on which an
    irreversible pulpitis or a necrosis was recorded.
    """
    told = _told(rows, endo_details).filter(pl.col("ago") < 0, pl.col("service_date") <= pl.col("seat_date"))
    worse = pl.col("pulpal_diagnosis").is_in([*IRREVERSIBLE, "necrosis"])
    flared = told.filter(worse).group_by("crown_id").agg(flare_date=pl.col("service_date").min())
    out = rows.join(flared, on="crown_id", how="left", maintain_order="left")
    return _join_latest(out, told, {"pulpal_diagnosis": "pulpal_later", "apical_diagnosis": "apical_later"})


def _told(rows: pl.DataFrame, endo_details: pl.DataFrame) -> pl.DataFrame:
    """Recorded rows of each crown's tooth: `crown_id, seat_date, service_date, ago` (days before), the diagnoses."""
    own = endo_details.filter(~pl.col("supernumerary")).select(*KEY, "service_date", *FIELDS)
    joined = rows.select("crown_id", *KEY, "decision_date", "seat_date").join(own, on=KEY)
    return joined.with_columns(ago=(pl.col("decision_date") - pl.col("service_date")).dt.total_days())


def _join_latest(rows: pl.DataFrame, told: pl.DataFrame, names: dict[str, str]) -> pl.DataFrame:
    for field, name in names.items():
        words = FIELDS[field]
        place = pl.col(field).replace_strict({w: i for i, w in enumerate(words)}, default=-1, return_dtype=pl.Int64)
        known = told.filter(pl.col(field).is_not_null()).with_columns(
            pl.when(place < 0).then(pl.lit(OTHER_TEXT)).otherwise(field).alias(name), place=place
        )
        latest = known.sort("service_date", "place", descending=True).unique(
            "crown_id", keep="first", maintain_order=True
        )
        rows = rows.join(latest.select("crown_id", name), on="crown_id", how="left", maintain_order="left")
    return rows
