"""Rules 8 and 9: what ends a crown and what ends a root canal.

Failures count only while the tooth is followed: at the end of follow-up a tooth that has not failed is censored.
"""

from typing import Literal

import polars as pl

from pipeline.transforms.events import INTERIM, KEY, RECEMENT, REMOVAL, REPAIR, TOOTH, same_tooth
from pipeline.transforms.others import OPERATED, RESECTED, TAKEN_OFF
from pipeline.transforms.timing import nearest

SURGERY = ("apical_surgery",)
RESECTION = ("root_loss",)
LOSS = ("failure_elsewhere", "loss_reason", "loss_interval_days")
Losses = Literal["middle", "first_sign", "not_counted"]


def crown_failures(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    events: pl.DataFrame,
    others: pl.DataFrame,
    *,
    lost: pl.DataFrame,
    found_missing: pl.DataFrame,
    losses: Losses,
    repost_days: int,
) -> pl.DataFrame:
    """Rule 8: add `failed`, the day a crown failed, `failure_cause` and the columns `LOSS`; null where it did not.

    A crown fails at the first of: its replacement (the first row of the next crown of the tooth, of any kind and
    whoever made it; a crown for the time being on the standing crown; the start of a course done for a new crown, where
    that way is taken, see `renewing_courses`), its removal (a row of it, here or elsewhere; a finding that it was lost,
    see `crowns_found_missing`), loss of the tooth. A replacement or removal counts after the seat, a loss on or after
    it. On one day loss of the tooth stands before replacement and replacement before removal. A recement or repair is a
    complication, never a failure.

    Where the seat was derived from the preparation, a crown for the time being within `repost_days` of the posted day
    belongs to the making of this crown.

    `next_seat` is the seat of the next crown; `end_at` the last day on which the tooth is followed where its loss is
    not counted, see `with_loss`.
    """
    followed = same_tooth().shift(-1)
    ordered = crowns.sort(*KEY, "in_place_from", "crown_id").with_columns(
        pl.when(followed).then(pl.col(of).shift(-1)).alias(name)
        for name, of in (
            ("next_posted", "posted_first"),
            ("next_seat", "seat_date"),
            ("next_elsewhere", "done_elsewhere"),
        )
    )
    # The next crown's first row can fall before this seat only where a seat was recorded late; then its seat tells.
    posted_after = pl.col("next_posted") > pl.col("in_place_from")
    ordered = ordered.with_columns(next_crown=pl.when(posted_after).then("next_posted").otherwise("next_seat"))
    renewed = courses.filter("for_new_crown").select(*KEY, given_up="started").unique()
    made_until = pl.when(pl.col("shift_days") != 0).then(pl.col("posted_last") + pl.duration(days=repost_days))
    ordered = ordered.with_columns(in_use=pl.max_horizontal("in_place_from", made_until))
    out = _first_after(ordered, _days(events, (INTERIM,), "given_interim"), "given_interim", since="in_use")
    out = _first_after(out, _days(events, (REMOVAL,), "removed_here"), "removed_here")
    out = _first_after(out, _told(others, TAKEN_OFF, "removed_elsewhere"), "removed_elsewhere")
    out = _first_after(out, renewed, "given_up")
    out = with_loss(out, lost, start="in_place_from", losses=losses)
    out = out.join(found_missing.drop_nulls("found_missing"), on="crown_id", how="left")
    # A crown that had ended by then is found missing for that reason.
    ended_before = pl.min_horizontal("given_interim", "given_up", "removed_here", "removed_elsewhere", "lost_on")
    out = out.with_columns(
        found_missing=pl.when(~(ended_before <= pl.col("found")).fill_null(False)).then("found_missing")
    )
    replaced_on = pl.min_horizontal("next_crown", "given_interim", "given_up")
    removed_on = pl.min_horizontal("removed_here", "removed_elsewhere", "found_missing")
    out = out.with_columns(replaced_on=replaced_on, removed_on=removed_on)
    out = out.with_columns(failed=pl.min_horizontal("replaced_on", "removed_on", "lost_on"))
    is_lost, is_replaced, is_removed = (
        (pl.col(day) == pl.col("failed")).fill_null(False) for day in ("lost_on", "replaced_on", "removed_on")
    )
    by_next = ((pl.col("next_crown") == pl.col("failed")) & pl.col("next_elsewhere")).fill_null(False)
    by_others = (pl.col("removed_elsewhere") == pl.col("failed")).fill_null(False)
    return out.with_columns(
        failure_cause=pl.when(is_lost)
        .then(pl.lit("extracted"))
        .when(is_replaced)
        .then(pl.lit("replaced"))
        .when(is_removed)
        .then(pl.lit("removed")),
        failure_elsewhere=pl.when(is_lost).then("lost_elsewhere").when(is_replaced).then(by_next).otherwise(by_others),
        loss_reason=pl.when(is_lost).then("loss_reason"),
        loss_interval_days=pl.when(is_lost)
        .then("loss_interval_days")
        .when(pl.col("found_missing") == pl.col("failed"))  # before the next crown, so that nothing replaced it
        .then("missing_interval_days"),
    ).select(*crowns.columns, "next_seat", "failed", "failure_cause", *LOSS, "end_at")


def with_loss(teeth: pl.DataFrame, lost: pl.DataFrame, *, start: str, losses: Losses) -> pl.DataFrame:
    """Add when each tooth was lost: `lost_on, lost_elsewhere, loss_reason, loss_interval_days, end_at`.

    `lost` is that of `gone.losses`. A loss counts on or after the day `start`. One whose day is not known lies between
    the last day on which the tooth is known to be there (`start` at the earliest) and the first on which it is known to
    be gone: it is dated in the middle, rounded down, or at the first sign; or it is not counted, and `end_at` is that
    last day. A tooth lost before `start` was never followed: the crown of a seat that was derived was not seated.
    """
    joined = teeth.join(
        lost.select(*KEY, "last_there", "gone_by", "lost_elsewhere", "loss_reason", known="lost_on"), on=KEY, how="left"
    ).with_columns(last_there=pl.max_horizontal("last_there", start))
    shown = (pl.col("gone_by") >= pl.col(start)).fill_null(False)
    apart = (pl.col("gone_by") - pl.col("last_there")).dt.total_days()
    middle = pl.col("last_there") + pl.duration(days=apart // 2)
    dated = {"middle": middle, "first_sign": pl.col("gone_by"), "not_counted": pl.lit(None, pl.Date)}[losses]
    return joined.with_columns(
        lost_on=pl.when(pl.col("known") >= pl.col(start)).then("known").when(shown).then(dated),
        loss_interval_days=pl.when(shown).then(apart.cast(pl.Int32)),
        end_at=pl.when(shown & pl.lit(losses == "not_counted"))
        .then("last_there")
        .when((pl.col("known") < pl.col(start)).fill_null(False))
        .then(start),
    ).drop("last_there", "gone_by", "known")


def crowns_found_missing(
    crowns: pl.DataFrame, findings: pl.DataFrame, events: pl.DataFrame, *, recement_days: int
) -> pl.DataFrame:
    """Rule 8: crowns that an examination found missing.

    Returns `crown_id, found, found_missing, missing_interval_days, came_off`.

    A finding that no crown is in place belongs to the crown seated last before it, unless another was posted by then.
    That crown was lost between the last day on which it is known to have been in place (its seat, an earlier finding, a
    recement or repair) and the finding: `found_missing` is the middle of the two, rounded down. A crown that was put
    back within `recement_days` and before another crown, or that a later finding saw in place, only came off:
    `came_off` is the day of the finding. One row per crown with such a finding; each day is null where it is not so.
    """
    noted = findings.select(*KEY, "exam_date", "crown_in_place")
    missing = noted.filter(~pl.col("crown_in_place")).select(*KEY, found="exam_date").unique()
    followed = same_tooth().shift(-1)
    spans = crowns.sort(*KEY, "in_place_from", "crown_id").select(
        *KEY,
        "crown_id",
        "in_place_from",
        until=pl.when(followed).then(pl.coalesce("posted_first", "in_place_from").shift(-1)),
    )
    spans = spans.unique([*KEY, "in_place_from"], keep="last", maintain_order=True)
    of_crown = nearest(missing, spans, left_on="found", right_on="in_place_from", strategy="backward", same_day=False)
    of_crown = of_crown.filter(pl.col("crown_id").is_not_null(), _before_next("found"))
    keys = of_crown.select(KEY).unique()
    recemented = _days(events, (RECEMENT,), "day").join(keys, on=KEY, how="semi")
    seen_there = noted.filter("crown_in_place").select(*KEY, day="exam_date").join(keys, on=KEY, how="semi")
    back = pl.concat(
        [
            of_crown.join(recemented, on=KEY).filter(
                (pl.col("day") - pl.col("found")).dt.total_days().is_between(0, recement_days)
            ),
            of_crown.join(seen_there, on=KEY).filter(pl.col("day") > pl.col("found")),
        ]
    ).filter(_before_next("day"))
    back = back.select("crown_id", "found").unique()
    proofs = pl.concat([recemented, _days(events, (REPAIR,), "day"), seen_there]).unique()
    last = (
        of_crown.join(proofs, on=KEY)
        .filter(pl.col("day") < pl.col("found"))
        .group_by("crown_id", "found")
        .agg(last=pl.col("day").max())
    )
    lost = (
        of_crown.join(back, on=["crown_id", "found"], how="anti")
        .join(last, on=["crown_id", "found"], how="left")
        .sort("crown_id", "found")
        .unique("crown_id", keep="first", maintain_order=True)
        .with_columns(last=pl.max_horizontal("last", "in_place_from"))  # days before are of an earlier crown
        .with_columns(apart=(pl.col("found") - pl.col("last")).dt.total_days())
        .select(
            "crown_id",
            "found",
            found_missing=pl.col("last") + pl.duration(days=pl.col("apart") // 2),
            missing_interval_days=pl.col("apart").cast(pl.Int32),
        )
    )
    came_off = back.group_by("crown_id").agg(came_off=pl.col("found").min())
    return lost.join(came_off, on="crown_id", how="full", coalesce=True)


def _before_next(day: str) -> pl.Expr:
    return (pl.col(day) < pl.col("until")).fill_null(pl.col("until").is_null())


def first_complications(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    events: pl.DataFrame,
    openings: pl.DataFrame,
    *,
    found_missing: pl.DataFrame,
    closure_days: int,
) -> pl.DataFrame:
    """Add `first_complication_date`: the first recement or repair after the seat and while followed.

    A crown that was found missing and put back had one that day. A repair from an opening of this crown to
    `closure_days` after the last row of that course closes the opening, and is none. `openings` holds the days of rows
    that open a pulp or a filled tooth anew, in a course or not: `patient_id, tooth_fdi, opened`.
    """
    windows = pl.concat(
        [
            courses.select(*KEY, "started", until="last_row"),
            openings.select(*KEY, started="opened", until="opened"),
        ]
    ).with_columns(until=pl.col("until") + pl.duration(days=closure_days))
    repairs = _days(events, (REPAIR,), "day")
    in_place = crowns.select(*KEY, "crown_id", "in_place_from")
    of_crown = repairs.join(in_place, on=KEY).filter(pl.col("day") > pl.col("in_place_from"))
    closing = (
        of_crown.join(windows, on=KEY)
        .filter(
            pl.col("started") > pl.col("in_place_from"),
            pl.col("day") >= pl.col("started"),
            pl.col("day") <= pl.col("until"),
        )
        .select("crown_id", "day")
        .unique()
    )
    first_repair = (
        of_crown.join(closing, on=["crown_id", "day"], how="anti")
        .group_by("crown_id")
        .agg(first_repair=pl.col("day").min())
    )
    out = _first_after(crowns, _days(events, (RECEMENT,), "recemented"), "recemented")
    out = out.join(first_repair, on="crown_id", how="left").join(
        found_missing.select("crown_id", "came_off").drop_nulls(), on="crown_id", how="left"
    )
    first = pl.min_horizontal("recemented", "first_repair", "came_off")
    return out.with_columns(first_complication_date=pl.when(first <= pl.col("exit_date")).then(first)).select(
        *crowns.columns, "first_complication_date"
    )


def endo_failures(
    courses: pl.DataFrame, events: pl.DataFrame, others: pl.DataFrame, lost: pl.DataFrame, *, losses: Losses
) -> pl.DataFrame:
    """Rule 9: add `retreatment_date, surgery_date, extraction_date, failed, failure_cause` and the columns `LOSS`.

    A root canal fails at the first of: a later course of repeat treatment, apical surgery, root resection, loss of the
    tooth, whoever did it. Time runs from completion (from the start of a course never completed). Loss counts from that
    day on, the others after it. On one day loss stands before surgery, surgery before resection, and resection before
    retreatment.
    """
    timed = courses.with_columns(since=pl.coalesce("completed", "started"))
    repeats = (
        courses.filter(pl.col("kind") == "retreatment")
        .group_by(*KEY, retreatment_date="started")
        .agg(repeat_elsewhere=pl.col("done_elsewhere").all())
    )
    out = _first_after(timed, repeats, "retreatment_date", since="since")
    out = _first_after(out, _days(events, SURGERY, "operated_here"), "operated_here", since="since")
    out = _first_after(out, _told(others, OPERATED, "operated_elsewhere"), "operated_elsewhere", since="since")
    out = _first_after(out, _days(events, RESECTION, "resected_here"), "resected_here", since="since")
    out = _first_after(out, _told(others, RESECTED, "resected_elsewhere"), "resected_elsewhere", since="since")
    out = with_loss(out, lost, start="since", losses=losses).with_columns(
        operated=pl.min_horizontal("operated_here", "operated_elsewhere"),
        resected=pl.min_horizontal("resected_here", "resected_elsewhere"),
    )
    out = out.with_columns(surgery_date=pl.min_horizontal("operated", "resected"), extraction_date="lost_on")
    out = out.with_columns(failed=pl.min_horizontal("retreatment_date", "surgery_date", "extraction_date"))
    causes = {
        "extraction": ("extraction_date", pl.col("lost_elsewhere")),
        "surgery": ("operated", _not_here("operated")),
        "root_resection": ("resected", _not_here("resected")),
        "retreatment": ("retreatment_date", pl.col("repeat_elsewhere")),
    }
    ended = {word: pl.col(day) == pl.col("failed") for word, (day, _) in causes.items()}
    cause = pl.coalesce(pl.when(ended[word]).then(pl.lit(word)) for word in causes)
    where = pl.coalesce(pl.when(ended[word]).then(flag) for word, (_, flag) in causes.items())
    is_lost = ended["extraction"]
    return out.with_columns(
        failure_cause=cause,
        failure_elsewhere=where.fill_null(False),
        loss_reason=pl.when(is_lost).then("loss_reason"),
        loss_interval_days=pl.when(is_lost).then("loss_interval_days"),
    ).select(
        *courses.columns,
        "since",
        "retreatment_date",
        "surgery_date",
        "extraction_date",
        "failed",
        "failure_cause",
        *LOSS,
        "end_at",
    )


def end_followup(teeth: pl.DataFrame, ends: pl.DataFrame, *, start: str, after_last_contact: bool) -> pl.DataFrame:
    """Close the follow-up of crowns or courses: add `exit_date, failure, exit_reason`; clear causes not seen.

    - `teeth`: Crowns or courses with `failed`, `failure_cause`, the columns `LOSS`, `end_at` and the day `start` from
      which they are followed.
    - `ends`: Rule 11: `patient_id, followup_end, end_reason`, and `counted_to`, the last day that may count at all.
    - `after_last_contact`: Whether what others did after the last contact here counts, up to `counted_to`.

    A failure on the last day counts as seen. A crown whose patient was not seen after its seat has no follow-up:
    `exit_date` equals `start`.
    """
    joined = teeth.join(
        ends.select("patient_id", "followup_end", "end_reason", "counted_to"), on="patient_id", how="left"
    )
    end = pl.min_horizontal("followup_end", "end_at")
    early = (pl.col("end_at") < pl.col("followup_end")).fill_null(False)
    closed = joined.with_columns(end=pl.max_horizontal(end, start), early=early)
    seen = (pl.col("failed") <= pl.col("end")).fill_null(False)
    if after_last_contact:
        seen |= pl.col("failure_elsewhere") & (pl.col("failed") <= pl.col("counted_to")).fill_null(False)
    return (
        closed.with_columns(failure=seen)
        .with_columns(
            exit_date=pl.when("failure").then("failed").otherwise("end"),
            failure_cause=pl.when("failure").then("failure_cause"),
            failure_elsewhere=pl.col("failure_elsewhere") & pl.col("failure"),
            loss_reason=pl.when("failure").then("loss_reason"),
            loss_interval_days=pl.when("failure").then("loss_interval_days"),
            exit_reason=pl.when("failure")
            .then(pl.lit("failed"))
            .when("early")
            .then(pl.lit("last_contact"))
            .otherwise("end_reason"),
        )
        .select(*teeth.columns, "exit_date", "failure", "exit_reason")
    )


def tooth_followup(
    teeth: pl.DataFrame, ends: pl.DataFrame, lost: pl.DataFrame, *, losses: Losses, after_last_contact: bool
) -> pl.DataFrame:
    """How long each tooth itself was followed, whatever was done to it: the columns of `TOOTH_FOLLOWUP`.

    `teeth` has one row per tooth, with `start`, the first day of its first crown or course.
    """
    dated = with_loss(teeth, lost, start="start", losses=losses).rename(
        {"lost_on": "failed", "lost_elsewhere": "failure_elsewhere"}
    )
    closed = end_followup(
        dated.with_columns(failure_cause=pl.lit("extracted")),
        ends,
        start="start",
        after_last_contact=after_last_contact,
    )
    return closed.select(
        *KEY,
        followed_to="exit_date",
        end_reason="exit_reason",
        extracted=pl.when("failure").then("failed"),
        loss_reason="loss_reason",
    ).sort(KEY)


def _days(events: pl.DataFrame, kinds: tuple[str, ...], name: str) -> pl.DataFrame:
    return events.filter(pl.col("event").is_in(kinds)).select(*TOOTH, pl.col("service_date").alias(name)).unique()


def _told(others: pl.DataFrame, what: str, name: str) -> pl.DataFrame:
    known = others.filter(pl.col("what") == what, pl.col("day").is_not_null())
    return known.select(*TOOTH, pl.col("day").alias(name)).unique()


def _not_here(day: str) -> pl.Expr:
    here = pl.col(f"{day}_here")
    return here.is_null() | (here > pl.col(day))


def _first_after(teeth: pl.DataFrame, days: pl.DataFrame, name: str, *, since: str = "in_place_from") -> pl.DataFrame:
    return nearest(teeth, days, left_on=since, right_on=name, strategy="forward", same_day=False)
