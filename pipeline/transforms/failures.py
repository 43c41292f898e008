"""Rules 6 and 7: what ends a crown, what ends a root canal, and what a recall film says.

Failures count only while the tooth is followed: at the end of follow-up a tooth that has not failed is censored.
"""

from __future__ import annotations

import polars as pl

from pipeline.transforms.events import TOOTH, same_tooth
from pipeline.transforms.timing import KEY, nearest

RETAINER = "bridge_retainer_crown"
REMOVAL = "crown_removal"
COMPLICATIONS = ("crown_recement", "crown_repair")
SURGERY = ("apical_surgery",)
RESECTION = ("root_loss",)


def crown_failures(
    crowns: pl.DataFrame, courses: pl.DataFrame, events: pl.DataFrame, extracted: pl.DataFrame
) -> pl.DataFrame:
    """Rule 6: add `failed`, the day a crown failed, and `failure_cause`; both null where it did not.

    A crown fails at the first of: its replacement (the first row of the next crown of the tooth, a bridge retainer,
    or the start of a course done for a new crown, see `renewing_courses`), its removal, extraction of the tooth. A
    replacement or removal counts after the seat, an extraction on or after it. On one day extraction stands before
    replacement and replacement before removal. A recement or repair is a complication, never a failure.
    """
    followed = same_tooth().shift(-1)
    ordered = crowns.sort(*KEY, "in_place_from", "crown_id").with_columns(
        pl.when(followed).then(pl.col(of).shift(-1)).alias(name)
        for name, of in (("next_posted", "posted_first"), ("next_seat", "seat_date"))
    )
    # The next crown's first row can fall before this seat only where a seat was recorded late; then its seat tells.
    ordered = ordered.with_columns(
        next_crown=pl.when(pl.col("next_posted") > pl.col("in_place_from")).then("next_posted").otherwise("next_seat")
    ).drop("next_posted", "next_seat")
    renewed = courses.filter(pl.col("new_crown_id").is_not_null()).select(*KEY, given_up="started").unique()
    out = _first_after(ordered, _days(events, (RETAINER,), "retained"), "retained")
    out = _first_after(out, _days(events, (REMOVAL,), "taken_off"), "taken_off")
    out = _first_after(out, renewed, "given_up")
    out = out.join(extracted, on=KEY, how="left")
    lost = pl.when(pl.col("extracted") >= pl.col("in_place_from")).then("extracted")
    replaced = pl.min_horizontal("next_crown", "retained", "given_up")
    out = out.with_columns(failed=pl.min_horizontal(replaced, "taken_off", lost), replaced=replaced, lost=lost)
    return out.with_columns(
        failure_cause=pl.when(pl.col("lost") == pl.col("failed"))
        .then(pl.lit("extracted"))
        .when(pl.col("replaced") == pl.col("failed"))
        .then(pl.lit("replaced"))
        .when(pl.col("taken_off") == pl.col("failed"))
        .then(pl.lit("removed"))
    ).select(*crowns.columns, "failed", "failure_cause")


def first_complications(crowns: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    """Add `first_complication_date`: the first recement or repair after the seat and while followed."""
    name = "first_complication_date"
    out = _first_after(crowns, _days(events, COMPLICATIONS, name), name)
    seen = pl.col(name) <= pl.col("exit_date")
    return out.with_columns(pl.when(seen).then(name).alias(name)).select(*crowns.columns, name)


def endo_failures(courses: pl.DataFrame, events: pl.DataFrame, extracted: pl.DataFrame) -> pl.DataFrame:
    """Rule 7: add `retreatment_date, surgery_date, extraction_date, failed, failure_cause` to each course.

    A root canal fails at the first of: a later course of repeat treatment, apical surgery, root resection, extraction
    of the tooth. Time runs from completion (from the start of a course never completed). Extraction counts from that
    day on, the others after it. On one day extraction stands before surgery, surgery before resection, and resection
    before retreatment.
    """
    timed = courses.with_columns(since=pl.coalesce("completed", "started"))
    repeats = courses.filter(pl.col("kind") == "retreatment").select(*KEY, retreatment_date="started").unique()
    out = _first_after(timed, repeats, "retreatment_date", since="since")
    out = _first_after(out, _days(events, SURGERY, "operated"), "operated", since="since")
    out = _first_after(out, _days(events, RESECTION, "resected"), "resected", since="since")
    out = out.join(extracted, on=KEY, how="left").with_columns(
        surgery_date=pl.min_horizontal("operated", "resected"),
        extraction_date=pl.when(pl.col("extracted") >= pl.col("since")).then("extracted"),
    )
    out = out.with_columns(failed=pl.min_horizontal("retreatment_date", "surgery_date", "extraction_date"))
    causes = {
        "extraction": "extraction_date",
        "surgery": "operated",
        "root_resection": "resected",
        "retreatment": "retreatment_date",
    }
    cause = pl.coalesce(pl.when(pl.col(day) == pl.col("failed")).then(pl.lit(word)) for word, day in causes.items())
    dates = ["retreatment_date", "surgery_date", "extraction_date"]
    return out.with_columns(failure_cause=cause).select(*courses.columns, "since", *dates, "failed", "failure_cause")


def end_followup(teeth: pl.DataFrame, ends: pl.DataFrame, gaps: pl.DataFrame, *, start: str) -> pl.DataFrame:
    """Close the follow-up of crowns or courses: add `exit_date, failure, exit_reason`; clear causes not seen.

    Parameters
    ----------
    teeth
        Crowns or courses with `failed`, `failure_cause` and the day `start` from which they are followed.
    ends
        Rule 8: `patient_id, followup_end, end_reason`.
    gaps
        Rule 10: `patient_id, tooth_fdi, gap_seen, last_seen_with_tooth`.

    A failure on the last day counts as seen. A crown whose patient was not seen after its seat has no follow-up:
    `exit_date` equals `start`.
    """
    joined = teeth.join(ends.select("patient_id", "followup_end", "end_reason"), on="patient_id", how="left")
    joined = joined.join(gaps, on=KEY, how="left")
    gone = pl.col("gap_seen") > pl.col(start)
    last = pl.when(gone).then(pl.min_horizontal("followup_end", pl.coalesce("last_seen_with_tooth", start)))
    end = pl.coalesce(last, "followup_end")
    early = (last < pl.col("followup_end")).fill_null(False)
    closed = joined.with_columns(end=pl.max_horizontal(end, start), early=early)
    failure = (pl.col("failed") <= pl.col("end")).fill_null(False)
    return (
        closed.with_columns(failure=failure)
        .with_columns(
            exit_date=pl.when("failure").then("failed").otherwise("end"),
            failure_cause=pl.when("failure").then("failure_cause"),
            exit_reason=pl.when("failure")
            .then(pl.lit("failed"))
            .when("early")
            .then(pl.lit("last_contact"))
            .otherwise("end_reason"),
        )
        .select(*teeth.columns, "exit_date", "failure", "exit_reason")
    )


def tooth_followup(
    teeth: pl.DataFrame, ends: pl.DataFrame, gaps: pl.DataFrame, extracted: pl.DataFrame
) -> pl.DataFrame:
    """How long each tooth itself was followed, whatever was done to it: the columns of `TOOTH_FOLLOWUP`.

    `teeth` has one row per tooth, with `start`, the first day of its first crown or course.
    """
    lost = teeth.join(extracted, on=KEY, how="left").with_columns(failed="extracted", failure_cause=pl.lit("extracted"))
    closed = end_followup(lost, ends, gaps, start="start")
    return closed.select(
        *KEY,
        followed_to="exit_date",
        end_reason="exit_reason",
        extracted=pl.when("failure").then("extracted"),
        loss_reason=pl.lit(None, pl.String),
    ).sort(KEY)


def radiographic_success(courses: pl.DataFrame, findings: pl.DataFrame, *, recall_months: int) -> pl.DataFrame:
    """Rule 7, second half: what the latest recall film says of each completed course.

    One row per completed course: `course_id, recall_date, pai, symptomatic, success`. The recall is the latest
    finding with a PAI at least `recall_months` calendar months after completion and not after `exit_date`; success is
    PAI 1 or 2 without symptoms. All null where there was no such recall; `success` is null where symptoms were not
    noted on a film that would pass.

    References
    ----------
    PAI: Orstavik D, Kerekes K, Eriksen HM. Endod Dent Traumatol 1986;2:20-34. Cut-off 1-2 against 3-5: Trope M and
    others, 1999.
    """
    seen = findings.select(*KEY, "pai", "symptomatic", recall_date="exam_date")
    # Two films of one tooth on one day: the worse reading counts (a multi-rooted tooth takes its worst root). Film and
    # symptoms may come as two findings of one day.
    films = seen.group_by([*KEY, "recall_date"]).agg(pl.col("pai").max(), pl.col("symptomatic").max())
    films = films.filter(pl.col("pai").is_not_null())
    due = pl.col("completed").dt.offset_by(f"{recall_months}mo")
    finished = courses.filter(pl.col("completed").is_not_null()).with_columns(due=due)
    out = nearest(finished, films, left_on="exit_date", right_on="recall_date", strategy="backward", same_day=True)
    in_time = (pl.col("recall_date") >= pl.col("due")).fill_null(False)
    healthy = pl.col("pai") <= 2
    success = pl.when(~healthy).then(pl.lit(False)).otherwise(~pl.col("symptomatic"))
    return out.select(
        "course_id",
        *(pl.when(in_time).then(name).alias(name) for name in ("recall_date", "pai", "symptomatic")),
        success=pl.when(in_time).then(success),
    ).sort("course_id")


def _days(events: pl.DataFrame, kinds: tuple[str, ...], name: str) -> pl.DataFrame:
    return events.filter(pl.col("event").is_in(kinds)).select(*TOOTH, pl.col("service_date").alias(name)).unique()


def _first_after(teeth: pl.DataFrame, days: pl.DataFrame, name: str, *, since: str = "in_place_from") -> pl.DataFrame:
    return nearest(teeth, days, left_on=since, right_on=name, strategy="forward", same_day=False)
