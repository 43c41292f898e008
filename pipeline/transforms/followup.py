"""Rules 8 and 10: how long a patient, and a tooth, was followed."""

from __future__ import annotations

import polars as pl

from pipeline.transforms.events import IN_PLACE_OF_A_TOOTH, TOOTH, TOOTH_LOST


def contacts(done: pl.LazyFrame, findings: pl.LazyFrame) -> pl.LazyFrame:
    """Every day on which a patient was seen: `patient_id, seen`, one row per row of either table."""
    return pl.concat(
        [
            done.select("patient_id", seen="service_date"),
            findings.select("patient_id", seen="exam_date"),
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
    """Rule 8: the end of each patient's follow-up.

    One row per patient seen: `patient_id, first_seen, followup_end, end_reason`. Follow-up ends at the last contact
    (the latest of completed rows, findings and the recorded date), at death or at the cut-off, whichever is first.
    Where two fall on one day, death stands before the cut-off and the cut-off before the last contact: a patient seen
    on the last day of the data was not lost.
    """
    seen = (
        contacts(done, findings)
        .group_by("patient_id")
        .agg(first_seen=pl.col("seen").min(), last_seen=pl.col("seen").max())
    )
    recorded = patients.select("patient_id", "last_contact_date", "deceased_date")
    last = pl.max_horizontal("last_seen", "last_contact_date")
    end = pl.min_horizontal(last, "deceased_date", cutoff)
    return seen.join(recorded, on="patient_id", how="left").select(
        "patient_id",
        "first_seen",
        followup_end=end,
        end_reason=pl.when(pl.col("deceased_date") == end)
        .then(pl.lit("death"))
        .when(cutoff == end)
        .then(pl.lit("cutoff"))
        .otherwise(pl.lit("last_contact")),
    )


def extractions(events: pl.LazyFrame) -> pl.LazyFrame:
    """The day each tooth was lost here: `patient_id, tooth_fdi, extracted`. Roots left on purpose count as loss."""
    lost = events.filter(pl.col("event").is_in(TOOTH_LOST))
    return lost.group_by(TOOTH).agg(extracted=pl.col("service_date").min())


def lost_between_visits(
    events: pl.LazyFrame, history: pl.LazyFrame, extracted: pl.LazyFrame, seen: pl.LazyFrame
) -> pl.LazyFrame:
    """Rule 10: teeth that were lost at an unknown time before something stood in their place.

    An implant or pontic on the position, or an `existing` extraction, with no extraction here by that day, shows that
    the tooth was lost in between: `patient_id, tooth_fdi, gap_seen, last_seen_with_tooth`, one row per tooth. The
    tooth is followed to its patient's last contact before `gap_seen`; null where there is none.
    """
    stands = events.filter(pl.col("event").is_in(IN_PLACE_OF_A_TOOTH)).select(*TOOTH, "service_date")
    told = history.filter(
        pl.col("event").is_in([*IN_PLACE_OF_A_TOOTH, *TOOTH_LOST]), pl.col("service_date").is_not_null()
    ).select(*TOOTH, "service_date")
    gaps = (
        pl.concat([stands, told])
        .group_by(TOOTH)
        .agg(gap_seen=pl.col("service_date").min())
        .join(extracted, on=list(TOOTH), how="left")
        .filter(pl.col("extracted").is_null() | (pl.col("extracted") > pl.col("gap_seen")))
        .drop("extracted")
    )
    last = (
        gaps.join(seen, on="patient_id")
        .filter(pl.col("seen") < pl.col("gap_seen"))
        .group_by(TOOTH)
        .agg(last_seen_with_tooth=pl.col("seen").max())
    )
    return gaps.join(last, on=list(TOOTH), how="left")
