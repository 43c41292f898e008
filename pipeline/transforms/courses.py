"""Rule 3: rows of root canal treatment become courses of treatment."""

from __future__ import annotations

import datetime as dt

import polars as pl

from pipeline.transforms.events import ROW, TOOTH, runs, same_tooth

# Rows that clean or fill canals. Where cleaning and filling are posted apart, only the filling completes a course.
FILLING = ("endo_initial", "endo_initial_addon", "endo_retreatment")
SHAPING = ("endo_initial_stage", "endo_retreatment_stage")
TREATMENT = (*FILLING, *SHAPING)
REPEAT = ("endo_retreatment", "endo_retreatment_stage")
# Rows that take the pulp away or open the tooth, and are followed by treatment in the ordinary case.
OPENING = ("endo_emergency", "endo_incomplete")


def build_courses(events: pl.LazyFrame, history: pl.LazyFrame, *, course_gap_days: int) -> pl.LazyFrame:
    """Rule 3: courses of root canal treatment, one row each.

    Parameters
    ----------
    events
        Tooth events that happened here: `patient_id, tooth_fdi, service_date, event, provider_id, site_id` and the
        row's origin.
    history
        `existing` rows with their `event`: a root canal done elsewhere makes a first treatment here a repeat.
    course_gap_days
        Longest gap, in days, between two rows of one course.

    Returns
    -------
    `patient_id, tooth_fdi, started, completed, visits, kind, coded_as_initial, provider_id, site_id`, sorted by tooth
    and start. Edges:

    - A repeat row within the gap of a first treatment begins a course of its own; a first-treatment row within the
      gap of a repeat belongs to the repeat.
    - Removal of the pulp at most `course_gap_days` before a course starts it.
    - Removal of the pulp that no treatment follows is a course with `completed` null, if the tooth had no course
      before: the tooth was opened. On a tooth already root-filled there is no pulp to remove, and it is left out.
    - A first-treatment row on a tooth whose earlier course ended longer ago is a repeat, `coded_as_initial` true.
    - Where shaping has a code of its own, a filling on the day of surgery at the root end, on a tooth filled before and
      not shaped again, was placed from the root end. It belongs to the surgery and to no course.
    """
    rows = events.filter(pl.col("event").is_in([*TREATMENT, *OPENING])).collect().lazy()
    treating = rows.filter(pl.col("event").is_in(TREATMENT))
    if treating.filter(pl.col("event").is_in(SHAPING)).head(1).collect().height:
        treating = _without_root_end_fillings(treating, events, history, gap=course_gap_days)
    treated = _treatment_courses(treating, gap=course_gap_days)
    treated = treated.collect().lazy()
    openings = rows.filter(pl.col("event").is_in(OPENING))
    openings = _place_openings(openings, treated, gap=course_gap_days).collect().lazy()
    started = _start_with_openings(treated, openings)
    alone = _openings_alone(openings, gap=course_gap_days)
    return _name_kind(pl.concat([started, alone], how="diagonal"), history).sort(*TOOTH, "started")


def _treatment_courses(rows: pl.LazyFrame, *, gap: int) -> pl.LazyFrame:
    ordered = rows.sort(*TOOTH, "service_date", "event", "provider_id", "site_id", *ROW)
    day = (~same_tooth() | (pl.col("service_date") != pl.col("service_date").shift(1))).cum_sum()
    # A day that holds both a first and a repeat row is a repeat: the more specific code wins.
    days = ordered.with_columns(day=day, run=runs(gap)).with_columns(
        repeat=pl.col("event").is_in(REPEAT).any().over("day")
    )
    return (
        days.with_columns(part=2 * pl.col("run") + pl.col("repeat").cast(pl.UInt32).cum_max().over("run"))
        .group_by("part", maintain_order=True)
        .agg(
            *(pl.col(c).first() for c in TOOTH),
            first_row=pl.col("service_date").min(),
            last_row=pl.col("service_date").max(),
            completed=pl.col("service_date").filter(pl.col("event").is_in(FILLING)).max(),
            dates=pl.col("service_date").unique().sort(),
            repeat=pl.col("repeat").any(),
            provider_id=pl.col("provider_id").last(),
            site_id=pl.col("site_id").last(),
        )
        .drop("part")
    )


def _without_root_end_fillings(
    rows: pl.LazyFrame, events: pl.LazyFrame, history: pl.LazyFrame, *, gap: int
) -> pl.LazyFrame:
    surgery = events.filter(pl.col("event") == "apical_surgery").select(*TOOTH, "service_date").unique()
    long_ago = pl.col("service_date").fill_null(dt.date.min)
    elsewhere = history.filter(pl.col("event").is_in(FILLING)).group_by(TOOTH).agg(elsewhere=long_ago.min())
    filling = pl.col("event").is_in(FILLING)
    days = rows.group_by(*TOOTH, "service_date").agg(filled=filling.any(), shaped=(~filling).any())
    day = pl.col("service_date")
    days = (
        days.sort(*TOOTH, "service_date")
        .join(elsewhere, on=TOOTH, how="left", maintain_order="left")
        .with_columns(
            first_filled=pl.min_horizontal(pl.when("filled").then(day).min().over(TOOTH), "elsewhere"),
            last_shaped=pl.when("shaped").then(day).cum_max().forward_fill().over(TOOTH),
        )
        .filter(
            pl.col("first_filled") < day,
            pl.col("last_shaped").is_null() | ((day - pl.col("last_shaped")).dt.total_days() > gap),
        )
        .join(surgery, on=[*TOOTH, "service_date"], how="semi")
        .select(*TOOTH, "service_date")
    )
    return rows.join(days, on=[*TOOTH, "service_date"], how="anti")


def _place_openings(openings: pl.LazyFrame, courses: pl.LazyFrame, *, gap: int) -> pl.LazyFrame:
    # Adds `first_row` (of the course that the opening begins, else null) and `in_course`: it falls within, or on a
    # tooth that had a course before.
    key = list(TOOTH)
    spans = courses.select(*key, "first_row", "last_row").sort("first_row")
    dates = openings.sort("service_date")
    after = dates.join_asof(
        spans.select(*key, "first_row"),
        left_on="service_date",
        right_on="first_row",
        by=key,
        strategy="forward",
        tolerance=f"{gap}d",
        check_sortedness=False,
    )
    before = after.join_asof(
        spans.select(*key, started_before="first_row").sort("started_before"),
        left_on="service_date",
        right_on="started_before",
        by=key,
        strategy="backward",
        check_sortedness=False,
    )
    return before.with_columns(in_course=pl.col("started_before").is_not_null())


def _start_with_openings(courses: pl.LazyFrame, openings: pl.LazyFrame) -> pl.LazyFrame:
    begun = (
        openings.filter(pl.col("first_row").is_not_null())
        .group_by([*TOOTH, "first_row"])
        .agg(opened=pl.col("service_date").min(), opening_days=pl.col("service_date").unique())
    )
    return (
        courses.join(begun, on=[*TOOTH, "first_row"], how="left")
        .with_columns(
            started=pl.min_horizontal("first_row", "opened"),
            visits=pl.col("dates")
            .list.set_union(pl.coalesce("opening_days", pl.lit([], dtype=pl.List(pl.Date))))
            .list.len(),
        )
        .drop("dates", "opened", "opening_days")
    )


def _openings_alone(openings: pl.LazyFrame, *, gap: int) -> pl.LazyFrame:
    alone = openings.filter(pl.col("first_row").is_null(), ~pl.col("in_course"))
    return (
        alone.sort(*TOOTH, "service_date", "event", "provider_id", "site_id", *ROW)
        .group_by(runs(gap).alias("run"), maintain_order=True)
        .agg(
            *(pl.col(c).first() for c in TOOTH),
            started=pl.col("service_date").min(),
            first_row=pl.col("service_date").min(),
            last_row=pl.col("service_date").max(),
            completed=pl.lit(None, dtype=pl.Date).first(),
            visits=pl.col("service_date").n_unique(),
            repeat=pl.lit(False).first(),
            provider_id=pl.col("provider_id").first(),
            site_id=pl.col("site_id").first(),
        )
        .drop("run")
    )


def _name_kind(courses: pl.LazyFrame, history: pl.LazyFrame) -> pl.LazyFrame:
    elsewhere = (
        history.filter(pl.col("event").is_in(FILLING))
        .group_by(TOOTH)
        .agg(
            filled_elsewhere=pl.col("service_date").min(),
            date_unknown=pl.col("service_date").is_null().any(),
        )
    )
    earlier = pl.col("completed").forward_fill().shift(1).over(TOOTH, order_by="started").is_not_null()
    known_elsewhere = pl.col("date_unknown").fill_null(False) | (
        pl.col("filled_elsewhere") <= pl.col("started")
    ).fill_null(False)
    return (
        courses.join(elsewhere, on=list(TOOTH), how="left")
        .with_columns(
            coded_as_initial=~pl.col("repeat") & (earlier | known_elsewhere) & pl.col("completed").is_not_null()
        )
        .with_columns(
            kind=pl.when(pl.col("repeat") | pl.col("coded_as_initial"))
            .then(pl.lit("retreatment"))
            .otherwise(pl.lit("initial"))
        )
        .select(
            *TOOTH,
            "started",
            "completed",
            pl.col("visits").cast(pl.UInt32),
            "kind",
            "coded_as_initial",
            "provider_id",
            "site_id",
        )
    )
