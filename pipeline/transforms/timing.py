"""Rule 7: where the root canal on a tooth falls relative to the seat of its crown.

Frames here are eager and hold one row per crown or per course. `in_place_from` is the seat date, or, for a crown of
unknown age, the day before it was first seen (so that a course begun on the day of the first visit went through it).
"""

from typing import Literal

import polars as pl

from pipeline.transforms.events import KEY


def nearest(
    left: pl.DataFrame,
    right: pl.DataFrame,
    *,
    left_on: str,
    right_on: str,
    strategy: Literal["backward", "forward"],
    same_day: bool,
) -> pl.DataFrame:
    """Join each row of `left` with its tooth's nearest row of `right` at or before (after) a date.

    One row per row of `left`. A row without a day matches nothing. Rows of `right` that share a tooth and a date must
    not exist, so that the row order of the input cannot matter.
    """
    undated = left[left_on].null_count()
    known = (left.filter(pl.col(left_on).is_not_null()) if undated else left).sort(left_on)
    joined = known.join_asof(
        right.sort(right_on),
        left_on=left_on,
        right_on=right_on,
        by=KEY,
        strategy=strategy,
        allow_exact_matches=same_day,
        check_sortedness=False,
    )
    return pl.concat([joined, left.filter(pl.col(left_on).is_null())], how="diagonal") if undated else joined


def renewing_courses(courses: pl.DataFrame, crowns: pl.DataFrame, *, renewal_days: int | None) -> pl.DataFrame:
    """Courses done for a new crown: add `for_new_crown`; for one other way to count.

    A course counts as done for the next crown seated on its tooth (on or after its start) if that seat comes at most
    `renewal_days` after the course was completed. Such a course ends the old crown at its start: the old crown was
    given up, not opened. A course never completed is measured from its start. This uses what came later: opened crowns
    that failed soon vanish from the opened ones, which leans towards no harm of an opening. None: no course is.
    """
    if renewal_days is None:
        return courses.with_columns(for_new_crown=pl.lit(False))
    seats = crowns.filter(pl.col("posted_first").is_not_null()).select(*KEY, next_seat="seat_date").unique()
    joined = nearest(courses, seats, left_on="started", right_on="next_seat", strategy="forward", same_day=True)
    limit = pl.coalesce("completed", "started") + pl.duration(days=renewal_days)
    in_time = (pl.col("next_seat") <= limit).fill_null(False)
    return joined.with_columns(for_new_crown=in_time).drop("next_seat")


def openings_of(courses: pl.DataFrame, pulpotomies: pl.DataFrame, hints: pl.DataFrame) -> pl.DataFrame:
    """Days on which a pulp was opened: `patient_id, tooth_fdi, opened, through_id, is_elsewhere, is_year, settles`.

    The start of each course of first treatment, which is its first row that opens the pulp; a pulpotomy that no course
    follows; and, where they count as openings, hints of an opening elsewhere (`patient_id, tooth_fdi, opened`), which
    settle nothing. A course of repeat treatment opens a filled canal and no pulp. One row per tooth and day.
    """
    first = courses.filter(pl.col("kind") == "initial", ~pl.col("for_new_crown"))
    started = first.select(
        *KEY,
        opened="started",
        through_id="course_id",
        is_elsewhere="done_elsewhere",
        is_year="is_year",
        settles=pl.lit(True),
    )
    plain = {"through_id": pl.lit(None, pl.String), "is_year": pl.lit(False)}
    kept_alive = pulpotomies.select(*KEY, "opened", is_elsewhere=pl.lit(False), settles=pl.lit(True), **plain)
    hinted = hints.select(*KEY, "opened", is_elsewhere=pl.lit(True), settles=pl.lit(False), **plain)
    columns = started.columns
    # No two share a tooth and a day: a course of others makes ours a repeat, and near a course nothing hints.
    return pl.concat([started, kept_alive.select(columns), hinted.select(columns)]).unique()


def classify_endo_timing(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    openings: pl.DataFrame,
    filled: pl.DataFrame,
    posts: pl.DataFrame,
    *,
    entries: pl.DataFrame,
    post_days: int,
    undated: Literal["neither", "before_seat", "through_crown"] = "neither",
) -> pl.DataFrame:
    """Rule 7: label each crown by where the root canal on its tooth falls relative to its seat.

    - `crowns`: `patient_id, tooth_fdi, crown_id, in_place_from, seat_date, shift_days, exit_date, failure,
      opened_between, post, pulp_status_at_prep`.
    - `courses`: Courses done here, and elsewhere on a known day: `patient_id, tooth_fdi, course_id, started, completed,
      kind, done_elsewhere, is_year`.
    - `openings`: `openings_of`.
    - `filled`: Teeth with a root canal from elsewhere of unknown day: `patient_id, tooth_fdi, filled_by`
      (`others.filled_by`).
    - `posts`: Days with a post: `patient_id, tooth_fdi, post_day`; one at most `post_days` before the seat, or on it,
      tells.
    - `entries`: Days with a row that opens a pulp or a filled tooth anew, whether it begins a course or not:
      `patient_id, tooth_fdi, entered`.
    - `undated`: What a crown whose root canal elsewhere has no date counts as.

    Returns one row per crown, with six more columns:

    - `endo_timing`: "before_seat": a course completed on or before the seat, here or elsewhere; a root canal elsewhere
      known by then; a post, or a record that the tooth was root-filled; or a course begun by the seat and completed
      later or never. "through_crown": else opened after the seat, this crown still in place. Null: else a root canal
      elsewhere at a time that cannot be told, before or after the seat; an opening of ours after the seat settles it,
      for then the pulp was alive at the seat. Else "vital".
    - `course_id`: the course that decides; null where none does.
    - `access_date`: the day the crown was opened; null unless "through_crown".
    - `access_elsewhere`: True where others opened it.
    - `reopened_date`: the first course, or other entry, through a crown that is "before_seat"; the label stays.
    - `order_uncertain`: True where the label hangs on the shift from preparation to seat, where the course was begun by
      the seat and not completed by it, where only the year of a root canal elsewhere is known and it is that of the
      seat, where the tooth was opened between two rows of the crown, where the age of the crown is unknown, and where
      `endo_timing` is null.

    "vital" means that no course was seen before follow-up ended, so it is no outcome in itself. Comparing crowns by
    this label from the seat onwards flatters the crowns opened later, which had to last until then [Suissa 2008]; in
    the comparison an opening enters on its own date. A crown that ended on or before the day of an opening was not
    opened.
    """
    known = {"openings": openings, "filled": filled, "posts": posts, "entries": entries}
    told = _labelled(crowns, courses, **known, post_days=post_days, undated=undated)
    shifted = told.filter(pl.col("shift_days") != 0).select(crowns.columns)
    if shifted.is_empty():
        return told
    posted = shifted.with_columns(in_place_from=pl.col("in_place_from") - pl.duration(days=pl.col("shift_days")))
    earlier = told.join(shifted.select("crown_id"), on="crown_id", how="anti").select(crowns.columns)
    at_posting = _labelled(pl.concat([posted, earlier]), courses, **known, post_days=post_days, undated=undated).select(
        "crown_id", posted_timing="endo_timing"
    )
    out = told.join(at_posting, on="crown_id", maintain_order="left")
    hangs = pl.col("posted_timing").ne_missing(pl.col("endo_timing"))
    return out.with_columns(order_uncertain=pl.col("order_uncertain") | hangs).drop("posted_timing")


def _labelled(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    *,
    openings: pl.DataFrame,
    filled: pl.DataFrame,
    posts: pl.DataFrame,
    entries: pl.DataFrame,
    post_days: int,
    undated: str,
) -> pl.DataFrame:
    """The labels of `classify_endo_timing`, were each crown seated on `in_place_from`."""
    own_first = courses.sort("done_elsewhere", "is_year", "course_id")
    completed = own_first.unique([*KEY, "completed"], keep="first", maintain_order=True).select(
        *KEY, before_id="course_id", before_completed="completed"
    )
    # Of a year alone the work was surely done when the next one began.
    told_by = pl.when("is_year").then(pl.date(pl.col("completed").dt.year() + 1, 1, 1)).otherwise("completed")
    certain = courses.select(*KEY, certain_by=told_by).unique()
    begun = own_first.unique([*KEY, "started"], keep="first", maintain_order=True).select(
        *KEY, begun_id="course_id", begun="started"
    )
    later = pl.concat([begun.select(*KEY, reopened="begun"), entries.select(*KEY, reopened="entered")]).unique()
    at_seat = {"left_on": "in_place_from"}
    out = nearest(crowns, completed, right_on="before_completed", strategy="backward", same_day=True, **at_seat)
    out = nearest(out, certain, right_on="certain_by", strategy="backward", same_day=True, **at_seat)
    out = nearest(out, begun, right_on="begun", strategy="backward", same_day=True, **at_seat)
    out = nearest(out, posts, right_on="post_day", strategy="backward", same_day=True, **at_seat)
    out = nearest(out, openings, right_on="opened", strategy="forward", same_day=False, **at_seat)
    settled = openings.filter("settles").select(*KEY, settled="opened")
    out = nearest(out, settled, right_on="settled", strategy="forward", same_day=False, **at_seat)
    out = nearest(out, later, right_on="reopened", strategy="forward", same_day=False, **at_seat)
    out = out.join(filled.with_columns(is_filled=pl.lit(True)), on=KEY, how="left")
    shown = _shown(post_days=post_days)
    # A post or a record under one crown tells of the tooth, and so of every later crown on it.
    out = out.with_columns(shown_by=pl.when(shown).then("in_place_from").min().over(KEY))
    return _decide(out, undated=undated).select(
        *crowns.columns,
        "endo_timing",
        "course_id",
        "access_date",
        "access_elsewhere",
        "reopened_date",
        "order_uncertain",
    )


def _shown(*, post_days: int) -> pl.Expr:
    """Whether a post shortly before the seat, a recorded post or the recorded pulp shows that the tooth was filled."""
    posted = (pl.col("in_place_from") - pl.col("post_day")).dt.total_days() <= post_days
    recorded = (pl.col("post") != "none") | (pl.col("pulp_status_at_prep") == "root_filled")
    return posted.fill_null(False) | recorded.fill_null(False)


def _decide(candidates: pl.DataFrame, *, undated: str) -> pl.DataFrame:
    # Step by step: as one expression each use of a step would work it out anew.
    seat, opened, middle = pl.col("in_place_from"), pl.col("opened"), pl.col("middle")
    before, through, neither, as_opened = (pl.col(c) for c in ("before", "through", "neither", "as_opened"))
    begun_before = pl.col("before_id").is_not_null() | pl.col("begun_id").is_not_null()
    told = candidates.with_columns(
        by_seat=(pl.col("filled_by") <= seat).fill_null(False),
        shown=(pl.col("shown_by") <= seat).fill_null(False),
        middle=seat + pl.duration(days=(pl.col("exit_date") - seat).dt.total_days() // 2),
    )
    told = told.with_columns(
        before=begun_before | pl.col("shown") | pl.col("by_seat"),
        undated=pl.col("is_filled").fill_null(False) & pl.col("settled").is_null(),
    )
    told = told.with_columns(
        through=~before & _in_place_on(opened) & ~pl.col("undated"), neither=~before & pl.col("undated")
    )
    told = told.with_columns(
        as_opened=neither & pl.lit(undated == "through_crown") & (middle > seat) & _in_place_on(middle)
    )
    sure = pl.col("shown") | pl.col("by_seat") | pl.col("certain_by").is_not_null()
    opened_in_year = pl.col("is_year").fill_null(False) & (opened.dt.year() == seat.dt.year())
    uncertain = before & (pl.col("seat_date").is_null() | ~sure)
    uncertain |= (through & opened_in_year.fill_null(False)) | neither | pl.col("opened_between")
    labelled = told.with_columns(
        endo_timing=pl.when(before | (neither & pl.lit(undated == "before_seat")))
        .then(pl.lit("before_seat"))
        .when(through | as_opened)
        .then(pl.lit("through_crown"))
        .when(~neither)
        .then(pl.lit("vital")),
        access_date=pl.when(through).then(opened).when(as_opened).then(middle),
        access_elsewhere=(through & pl.col("is_elsewhere").fill_null(False)) | as_opened,
        reopened_date=pl.when(before & _in_place_on(pl.col("reopened"))).then("reopened"),
        order_uncertain=uncertain.fill_null(False),
    )
    return labelled.with_columns(
        course_id=pl.when(pl.col("before_id").is_not_null())
        .then("before_id")
        .when(pl.col("begun_id").is_not_null())
        .then("begun_id")
        .when(through)
        .then("through_id")
    )


def _in_place_on(day: pl.Expr) -> pl.Expr:
    """Whether the crown was still in place on a day: followed up to it, and not failed on or before it."""
    return ((day <= pl.col("exit_date")) & ~(pl.col("failure") & (day == pl.col("exit_date")))).fill_null(False)


def renewed_after_opening(crowns: pl.DataFrame, courses: pl.DataFrame, *, renewal_days: int) -> pl.DataFrame:
    """Rule 7: add `renewed_after_opening`: opened, replaced, the new crown seated within `renewal_days` of the course.

    Days run from the last row of the course (from the opening where there was no course). Such a crown has failed like
    any other that was replaced, or removed before it was.
    """
    done = courses.select("course_id", course_done="last_row")
    out = crowns.join(done, on="course_id", how="left", maintain_order="left")
    limit = pl.coalesce("course_done", "access_date") + pl.duration(days=renewal_days)
    replaced = pl.col("failure_cause").is_in(["replaced", "removed"]).fill_null(False)
    renewed = (pl.col("endo_timing") == "through_crown").fill_null(False) & replaced
    return out.with_columns(renewed_after_opening=renewed & (pl.col("next_seat") <= limit).fill_null(False)).drop(
        "course_done"
    )
