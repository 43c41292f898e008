"""Rule 11: how long a patient was followed."""

import polars as pl


def contacts(done: pl.LazyFrame, findings: pl.LazyFrame) -> pl.LazyFrame:
    """Every day on which a patient was seen: `patient_id, seen, is_exam`, one row per row of either table.

    `done` holds `patient_id, service_date, is_exam`, without refunds, rows taken back and missed appointments. A row
    that names a tooth that was not there any more is a visit all the same. Findings are examinations.
    """
    return pl.concat(
        [
            done.select("patient_id", "is_exam", seen="service_date"),
            findings.select("patient_id", is_exam=pl.lit(True), seen="exam_date"),
        ]
    )


def data_cutoff(done: pl.LazyFrame, findings: pl.LazyFrame, patients: pl.LazyFrame) -> pl.LazyFrame:
    """The latest date on which the data say that something was so: one row, `cutoff`.

    It is the latest completed row, finding, recorded last contact or death. Never today's date: a patient who was
    last seen years ago tells nothing about today.
    """
    return pl.concat(
        [
            contacts(done, findings).select(cutoff="seen"),
            patients.select(cutoff="last_contact_date"),
            patients.select(cutoff="deceased_date"),
        ]
    ).max()


def patient_followup(
    done: pl.LazyFrame, findings: pl.LazyFrame, patients: pl.LazyFrame, *, cutoff: pl.Expr
) -> pl.LazyFrame:
    """Rule 11: the end of each patient's follow-up.

    One row per patient seen: `patient_id, first_seen, last_seen, deceased_date, followup_end, end_reason, counted_to`.
    Follow-up ends at the last contact (`last_seen`: the latest of completed rows, findings and the recorded date), at
    death or at the cut-off, whichever is first. Where two fall on one day, death stands before the cut-off and the
    cut-off before the last contact: a patient seen on the last day of the data was not lost. `counted_to` is the last
    day on which anything can count: death or the cut-off.
    """
    seen = (
        contacts(done, findings)
        .group_by("patient_id")
        .agg(first_seen=pl.col("seen").min(), last_seen=pl.col("seen").max())
    )
    recorded = patients.select("patient_id", "last_contact_date", "deceased_date")
    return (
        seen.join(recorded, on="patient_id", how="left")
        .with_columns(
            last_seen=pl.max_horizontal("last_seen", "last_contact_date"),
            counted_to=pl.min_horizontal("deceased_date", cutoff),
        )
        .drop("last_contact_date")
        .with_columns(followup_end=pl.min_horizontal("last_seen", "counted_to"))
        .with_columns(end_reason=_reason(cutoff))
    )


def followed_up(ends: pl.DataFrame, *, cutoff: pl.Expr, active_days: int | None) -> pl.DataFrame:
    """The ends of `patient_followup`, with patients followed to death or the cut-off instead of the last contact.

    With `active_days` only those last seen within so many days of the cut-off are: their last visit may itself be due
    to a failure. None: all.
    """
    active = pl.lit(True)
    if active_days is not None:
        active = (cutoff - pl.col("last_seen")).dt.total_days() <= active_days
    end = pl.when(active).then("counted_to").otherwise("followup_end")
    return ends.with_columns(followup_end=end).with_columns(end_reason=_reason(cutoff))


def _reason(cutoff: pl.Expr) -> pl.Expr:
    return (
        pl.when(pl.col("deceased_date") == pl.col("followup_end"))
        .then(pl.lit("death"))
        .when(cutoff == pl.col("followup_end"))
        .then(pl.lit("cutoff"))
        .otherwise(pl.lit("last_contact"))
    )
