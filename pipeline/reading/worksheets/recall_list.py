"""Who is due for the review of a root canal, on a given day."""

import datetime as dt

import polars as pl

from pipeline.practice.settings import Rules

# A root canal is looked at again after one year and, if it had not healed by then, up to four years after: European
# Society of Endodontology, quality guidelines for endodontic treatment, Int Endod J 2006;39:921-930 (from memory).
UNCERTAIN_YEARS = Rules.uncertain_years
# How long after it falls due a review is still asked for, and after which a patient counts as not seen for long:
# common practice, no source.
WINDOW_MONTHS = 6
NOT_SEEN_MONTHS = 18

_TOOTH = ["patient_id", "tooth_fdi"]


def due_reviews(
    courses: pl.DataFrame,
    findings: pl.DataFrame,
    teeth: pl.DataFrame,
    last_seen: pl.DataFrame,
    *,
    on: dt.date,
    recall_months: int = Rules.recall_months,
    uncertain_years: int = UNCERTAIN_YEARS,
    window_months: int = WINDOW_MONTHS,
    not_seen_months: int = NOT_SEEN_MONTHS,
) -> pl.DataFrame:
    """Reviews that are due on the day `on` and have not been done.

    A completed course is due `recall_months` calendar months and again `uncertain_years` after completion, when a
    lesion that is smaller counts as healing no more (see `transforms.healing`), each time from that day until, not
    including, the day `window_months` later, unless the tooth was examined since it fell due. Left out are teeth that
    were extracted or lost by then, patients who have died, and courses that a later course of the same tooth has taken
    the place of. Only what happened up to `on` counts. `courses`, `findings` and `teeth` are `endo_courses`, `findings`
    and `tooth_followup`; `last_seen` has `patient_id, last_seen, deceased_date`: the last day each patient was in, and
    the day of death or null.

    One row per review: `course_id, patient_id, tooth_fdi, provider_id, completed, review_months, due_from, due_until`
    (the last day), `last_exam` (of the tooth), `last_seen` and `not_seen_for_long`: the patient was not in for more
    than `not_seen_months`, or not at all that we know. By clinician, then `due_until`, patient and tooth.
    """
    done = courses.filter(pl.col("completed") <= on)
    latest = courses.filter(pl.col("started") <= on).group_by(_TOOTH).agg(latest_start=pl.col("started").max())
    done = done.join(latest, on=_TOOTH).filter(pl.col("started") == pl.col("latest_start"))
    standing = _still_there(done, teeth, last_seen, on=on)
    exams = findings.filter(pl.col("exam_date") <= on).group_by(_TOOTH).agg(last_exam=pl.col("exam_date").max())
    reviews = pl.DataFrame(
        {"review_months": sorted({recall_months, 12 * uncertain_years})}, schema={"review_months": pl.Int64()}
    )
    from_day = pl.col("completed").dt.offset_by(pl.format("{}mo", "review_months"))
    end = pl.col("completed").dt.offset_by(pl.format("{}mo", pl.col("review_months") + window_months))
    long_ago = pl.lit(on).dt.offset_by(f"-{not_seen_months}mo")
    return (
        standing.join(reviews, how="cross")
        .with_columns(due_from=from_day, due_until=end - pl.duration(days=1))
        .filter(pl.lit(on).is_between("due_from", "due_until"))
        .join(exams, on=_TOOTH, how="left")
        .filter((pl.col("last_exam") < pl.col("due_from")).fill_null(True))
        .with_columns(not_seen_for_long=(pl.col("last_seen") < long_ago).fill_null(True))
        .select(
            "course_id",
            *_TOOTH,
            *("provider_id", "completed", "review_months", "due_from", "due_until", "last_exam"),
            *("last_seen", "not_seen_for_long"),
        )
        .sort("provider_id", "due_until", *_TOOTH, "course_id", nulls_last=True)
    )


def last_contacts(ends: pl.DataFrame, patients: pl.DataFrame) -> pl.DataFrame:
    """When each patient was last in: `patient_id, last_seen, deceased_date`, as `due_reviews` needs it. `ends` is
    `patient_followup`, made with the follow-up of the teeth: only then does a tooth whose follow-up ended earlier tell
    that it was lost in between."""
    deaths = patients.select("patient_id", "deceased_date")
    return ends.join(deaths, on="patient_id", how="left").select(
        "patient_id", pl.col("followed_to").alias("last_seen"), "deceased_date"
    )


def _still_there(done: pl.DataFrame, teeth: pl.DataFrame, last_seen: pl.DataFrame, *, on: dt.date) -> pl.DataFrame:
    """Courses of teeth not lost by `on`, of living patients, with `last_seen`."""
    joined = done.join(teeth, on=_TOOTH, how="left").join(
        last_seen.select("patient_id", "last_seen", "deceased_date"), on="patient_id", how="left"
    )
    extracted = pl.min_horizontal("extracted", "extraction_date") <= on
    # A tooth whose patient was in after its follow-up ended was lost in between (rule 10).
    lost = (pl.col("end_reason") == "last_contact") & (pl.col("followed_to") < pl.col("last_seen"))
    dead = (pl.col("deceased_date") <= on) | ((pl.col("end_reason") == "death") & (pl.col("followed_to") <= on))
    gone = extracted.fill_null(False) | lost.fill_null(False) | dead.fill_null(False)
    later = pl.col("last_seen") > on
    return joined.filter(~gone).with_columns(last_seen=pl.when(later).then(pl.lit(on)).otherwise("last_seen"))
