"""Rule 4: rows of root canal treatment become courses of treatment."""

import datetime as dt

import polars as pl

from pipeline.transforms.events import CROWNS, KEY, ROW, TOOTH, one_value, only_value, runs, same_tooth

# Rows that clean or fill canals. Where cleaning and filling are posted apart, only the filling completes a course.
FILLED = ("endo_initial", "endo_initial_addon")
RETREATED = ("endo_retreatment",)
FILLING = (*FILLED, *RETREATED)
SHAPING = ("endo_initial_stage", "endo_retreatment_stage")
TREATMENT = (*FILLING, *SHAPING)
REPEAT = ("endo_retreatment", "endo_retreatment_stage")
# Rows that open the pulp, and are followed by treatment in the ordinary case.
PULPOTOMY = "pulpotomy"
OPENING = ("endo_emergency", "endo_incomplete", PULPOTOMY)


def build_courses(
    events: pl.LazyFrame,
    filled_elsewhere: pl.LazyFrame,
    crowned_elsewhere: pl.LazyFrame,
    *,
    course_gap_days: int,
    course_pair_days: int,
    fees_kept: bool,
) -> pl.LazyFrame:
    """Rule 4: courses of root canal treatment done here, one row each.

    - `events`: Tooth events that happened here: `patient_id, tooth_fdi, service_date, event, fee, provider_id, site_id`
      and the row's origin.
    - `filled_elsewhere`: `patient_id, tooth_fdi, filled_elsewhere`: the first day by which a root canal of others is
      known to be there; a first treatment here on or after it is a repeat.
    - `crowned_elsewhere`: `patient_id, tooth_fdi, crown_day`: days on which others seated a crown.
    - `course_gap_days`: Longest gap, in days, between two rows of one course, each from the one before.
    - `course_pair_days`: A later first-treatment row with a fee of 0 at most so long after a row with a fee, no crown
      between (on the day of that row or later), belongs to that row's course. Only where fees are kept.

    Returns `patient_id, tooth_fdi, started, completed, last_row, visits, kind, repeat, coded_as_initial, provider_id,
    site_id`, sorted by tooth and start; `repeat` is a course posted as a repeat. Edges:

    - A repeat row within the gap of a first treatment begins a course of its own; a first-treatment row within the
      gap of a repeat belongs to the repeat.
    - Opening the pulp (pulpotomy, pulpectomy, debridement, treatment given up) within the gap before a course starts
      it, each such row within the gap of the next.
    - Removal of the pulp that no treatment follows is a course with `completed` null, if the tooth had no course
      before, here or elsewhere: the tooth was opened. A pulpotomy alone keeps the rest of the pulp alive and is no
      course. On a tooth already root-filled there is no pulp to remove, and such a row is left out.
    - A first-treatment row on a tooth whose earlier course ended longer ago is a repeat, `coded_as_initial` true.
    - Where shaping has a code of its own, a filling on the day of surgery at the root end, on a tooth filled before and
      not shaped again, was placed from the root end. It belongs to the surgery and to no course.
    """
    rows = events.filter(pl.col("event").is_in([*TREATMENT, *OPENING])).collect().lazy()
    treating = rows.filter(pl.col("event").is_in(TREATMENT))
    if treating.filter(pl.col("event").is_in(SHAPING)).head(1).collect().height:
        treating = _without_root_end_fillings(treating, events, filled_elsewhere, gap=course_gap_days)
    if fees_kept:
        crown_days = events.filter(pl.col("event").is_in(CROWNS)).select(*TOOTH, crown_day="service_date")
        crown_days = pl.concat([crown_days, crowned_elsewhere]).unique()
    else:
        crown_days, course_pair_days = events.head(0).select(*TOOTH, crown_day="service_date"), 0
    treated = _treatment_courses(treating, crown_days, gap=course_gap_days, pair=course_pair_days).collect().lazy()
    openings = rows.filter(pl.col("event").is_in(OPENING))
    openings = _place_openings(openings, treated, gap=course_gap_days).collect().lazy()
    started = _start_with_openings(treated, openings)
    alone = _openings_alone(_of_unfilled(openings, filled_elsewhere), gap=course_gap_days)
    return _name_kind(pl.concat([started, alone], how="diagonal"), filled_elsewhere).sort(*TOOTH, "started")


def pulpotomies(events: pl.LazyFrame) -> pl.LazyFrame:
    """Days on which a pulp was opened and partly kept: `patient_id, tooth_fdi, opened`."""
    return events.filter(pl.col("event") == PULPOTOMY).select(*TOOTH, opened="service_date").unique()


def _treatment_courses(rows: pl.LazyFrame, crown_days: pl.LazyFrame, *, gap: int, pair: int) -> pl.LazyFrame:
    ordered = rows.sort(*TOOTH, "service_date", "event", *ROW)
    day = (~same_tooth() | (pl.col("service_date") != pl.col("service_date").shift(1))).cum_sum()
    # A day that holds both a first and a repeat row is a repeat: the more specific code wins.
    days = ordered.with_columns(day=day, run=runs(gap)).with_columns(
        repeat=pl.col("event").is_in(REPEAT).any().over("day")
    )
    parts = days.with_columns(part=2 * pl.col("run") + pl.col("repeat").cast(pl.UInt32).cum_max().over("run"))
    if pair:
        parts = _with_unpaid_parts(parts, crown_days, pair=pair)
    fills = pl.col("event").is_in(FILLING)
    own = fills & ~pl.col("unpaid") if pair else fills
    completed = pl.col("service_date").filter(own).max()
    last = pl.col("service_date") == pl.coalesce(completed, pl.col("service_date").max())
    return (
        parts.group_by("part", maintain_order=True)
        .agg(
            *(pl.col(c).first() for c in TOOTH),
            first_row=pl.col("service_date").min(),
            last_row=pl.col("service_date").max(),
            completed=completed,
            dates=pl.col("service_date").unique().sort(),
            repeat=pl.col("repeat").any(),
            provider_id=one_value(pl.col("provider_id").filter(last).drop_nulls()),
            site_id=one_value(pl.col("site_id").filter(last).drop_nulls()),
        )
        .drop("part")
    )


def _with_unpaid_parts(parts: pl.LazyFrame, crown_days: pl.LazyFrame, *, pair: int) -> pl.LazyFrame:
    """Give a part whose rows all have a fee of 0 to the part of the last paid row before it; `unpaid` marks them."""
    whole = (
        parts.group_by("part", maintain_order=True)
        .agg(
            *(pl.col(c).first() for c in TOOTH),
            first_row=pl.col("service_date").min(),
            paid=pl.col("service_date").filter(pl.col("fee") > 0).max(),
            unpaid=(pl.col("fee") == 0).fill_null(False).all(),
            repeat=pl.col("repeat").any(),
        )
        .with_columns(own=pl.when(pl.col("paid").is_not_null()).then("part"))
        .with_columns(
            paid_before=pl.col("paid").shift(1).forward_fill().over(TOOTH),
            paid_part=pl.col("own").shift(1).forward_fill().over(TOOTH),
        )
        .filter("unpaid", ~pl.col("repeat"), pl.col("paid_before").is_not_null())
        .filter((pl.col("first_row") - pl.col("paid_before")).dt.total_days() <= pair)
    )
    crowned = (
        whole.join(crown_days, on=list(TOOTH))
        .filter(pl.col("crown_day") >= pl.col("paid_before"), pl.col("crown_day") < pl.col("first_row"))
        .select("part")
        .unique()
    )
    moved = whole.join(crowned, on="part", how="anti").select("part", "paid_part")
    return (
        parts.join(moved, on="part", how="left", maintain_order="left")
        .with_columns(unpaid=pl.col("paid_part").is_not_null(), part=pl.coalesce("paid_part", "part"))
        .drop("paid_part")
    )


def _without_root_end_fillings(
    rows: pl.LazyFrame, events: pl.LazyFrame, filled_elsewhere: pl.LazyFrame, *, gap: int
) -> pl.LazyFrame:
    surgery = events.filter(pl.col("event") == "apical_surgery").select(*TOOTH, "service_date").unique()
    elsewhere = filled_elsewhere.with_columns(elsewhere=pl.col("filled_elsewhere").fill_null(dt.date.min))
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
    """Add `first_row` (of the course that the opening starts, else null) and `in_course`.

    An opening is in a course where it falls within one, or on a tooth that had a course before.
    """
    key = list(TOOTH)
    before = openings.sort("service_date").join_asof(
        courses.select(*key, started_before="first_row", ended_before="last_row").sort("started_before"),
        left_on="service_date",
        right_on="started_before",
        by=key,
        strategy="backward",
        check_sortedness=False,
    )
    after = before.join_asof(
        courses.select(*key, "first_row").sort("first_row"),
        left_on="service_date",
        right_on="first_row",
        by=key,
        strategy="forward",
        check_sortedness=False,
    )
    within = (pl.col("service_date") <= pl.col("ended_before")).fill_null(False)
    ahead = pl.when(~within | (pl.col("first_row") == pl.col("service_date"))).then("first_row")
    # Each opening must lie within the gap of the next one of the same course, the last one within that of the course.
    next_day = pl.coalesce(pl.col("service_date").shift(-1).over([*TOOTH, "first_row"]), "first_row")
    near = (next_day - pl.col("service_date")).dt.total_days() <= gap
    chained = near.cast(pl.UInt8).reverse().cum_min().reverse().over([*TOOTH, "first_row"]) == 1
    return (
        after.with_columns(first_row=ahead)
        .sort("service_date")
        .with_columns(first_row=pl.when(chained).then("first_row"), in_course=pl.col("started_before").is_not_null())
    )


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
        alone.sort(*TOOTH, "service_date", "event", *ROW)
        .group_by(runs(gap).alias("run"), maintain_order=True)
        .agg(
            *(pl.col(c).first() for c in TOOTH),
            started=pl.col("service_date").min(),
            last_row=pl.col("service_date").max(),
            completed=pl.lit(None, dtype=pl.Date).first(),
            visits=pl.col("service_date").n_unique(),
            repeat=pl.lit(False).first(),
            removed=(pl.col("event") != PULPOTOMY).any(),
            provider_id=only_value("provider_id"),
            site_id=only_value("site_id"),
        )
        .filter("removed")
        .drop("run", "removed")
    )


def _of_unfilled(openings: pl.LazyFrame, filled_elsewhere: pl.LazyFrame) -> pl.LazyFrame:
    known = (pl.col("filled_elsewhere") <= pl.col("service_date")).fill_null(False)
    return openings.join(filled_elsewhere, on=KEY, how="left").filter(~known).drop("filled_elsewhere")


def _name_kind(courses: pl.LazyFrame, filled_elsewhere: pl.LazyFrame) -> pl.LazyFrame:
    earlier = pl.col("completed").forward_fill().shift(1).over(TOOTH, order_by="started").is_not_null()
    known_elsewhere = (pl.col("filled_elsewhere") <= pl.col("started")).fill_null(False)
    return (
        courses.join(filled_elsewhere, on=KEY, how="left")
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
            "last_row",
            pl.col("visits").cast(pl.UInt32),
            "kind",
            "repeat",
            "coded_as_initial",
            "provider_id",
            "site_id",
        )
    )
