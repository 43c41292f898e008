"""Rules 5, 6 and 12: rows of crowns become crowns, each with its kind, a seat and a day from which it is followed."""

import polars as pl

from pipeline.transforms.events import CROWNS, KEY, KINDS_OF_CROWN, TOOTH, one_value, only_value, same_tooth
from pipeline.transforms.others import CROWN

DETAIL = ("load_id", "row_number")  # a row of crown_details
RECORDED = ("material", "margin", "pulp_status_at_prep", "post")
# Where rows of one day name several kinds and none has the highest fee, the first of these names it.
_KIND_RANK = {kind: n for n, kind in enumerate(dict.fromkeys(KINDS_OF_CROWN.values()))}


def build_crowns(
    events: pl.LazyFrame,
    crown_details: pl.LazyFrame,
    opened: pl.LazyFrame,
    *,
    crown_repost_days: int,
    crown_pair_days: int,
    lab_days: int,
    crown_rows: int,
    posted_at_prep: bool,
    fees_kept: bool,
) -> pl.LazyFrame:
    """Rules 5 and 6: crowns made here, of every kind, one row each.

    - `events`: Tooth events that happened here, with `event`, `detail` (material that the code says), `fee` and the
      row's origin.
    - `crown_details`: Recorded details, permanent teeth only.
    - `opened`: Days on which the tooth was opened, here or elsewhere: `patient_id, tooth_fdi, opened`.
    - `crown_repost_days`: Crown rows of one tooth at most this many days after the one before are one crown.
    - `crown_pair_days`: So are two at most this far apart of which exactly one has a fee of 0, unless the tooth was
      opened on a day between the two: then the second is a remake. Only where fees are kept.
    - `lab_days`: Days from preparation to seat, used only where the practice posts at preparation, in one row, and no
      seat was recorded.
    - `crown_rows`: Days with a row that a single crown has at least.

    Returns `patient_id, tooth_fdi, crown_kind, posted_first, posted_last, prep_date, seat_date, seat_recorded,
    shift_days, material, margin, pulp_status_at_prep, post, remake_no_fee, opened_between, provider_id, site_id`.
    `shift_days` is what was added to the last row's date. Rows of one day are one posting: of several kinds, materials
    or clinicians the row with the highest fee names it, and a tie leaves material and clinician null. Rows of different
    kinds on different days are different crowns: a prefabricated one and the single crown after it. `remake_no_fee` is
    a crown without a fee after an earlier one of ours; `opened_between` one whose rows have an opening between them.
    """
    rows = events.filter(pl.col("event").is_in(CROWNS))
    if not fees_kept:
        rows = rows.with_columns(fee=pl.lit(None, pl.Float64))
    postings = _postings(rows).collect()
    crowns = _join_postings(
        postings, opened.collect(), repost=crown_repost_days, pair=crown_pair_days if fees_kept else 0
    )
    # Where each crown is posted at its preparation and its seat, one posted once was not seated.
    crowns = crowns.filter((pl.col("posted_days") >= crown_rows) | (pl.col("crown_kind") != "single"))
    shift = lab_days if posted_at_prep else 0
    detailed = attach_details(crowns.lazy(), crown_details, tolerance_days=crown_repost_days)
    recorded = pl.col("recorded_seat").is_not_null()
    own_shift = pl.when(recorded | (pl.col("posted_days") > 1)).then(0).otherwise(shift).cast(pl.Int32)
    earlier = same_tooth()
    return (
        detailed.sort(*TOOTH, "posted_first")
        .with_columns(remake_no_fee=earlier & pl.col("free"))
        .select(
            *TOOTH,
            "crown_kind",
            "posted_first",
            "posted_last",
            prep_date=pl.coalesce("recorded_prep", pl.col("posted_first") if posted_at_prep else pl.lit(None, pl.Date)),
            seat_date=pl.coalesce("recorded_seat", pl.col("posted_last") + pl.duration(days=own_shift)),
            seat_recorded=recorded,
            shift_days=own_shift,
            material=pl.coalesce("material", "code_material"),
            margin="margin",
            pulp_status_at_prep="pulp_status_at_prep",
            post="post",
            remake_no_fee="remake_no_fee",
            opened_between="opened_between",
            provider_id="provider_id",
            site_id="site_id",
        )
    )


def _postings(rows: pl.LazyFrame) -> pl.LazyFrame:
    """One row per tooth and day with crown rows: `crown_kind, code_material, free, provider_id, site_id`.

    `free`: every row of the day has a fee of 0. An empty fee is not 0.
    """
    day = [*TOOTH, "service_date"]
    kinds = rows.with_columns(
        crown_kind=pl.col("event").replace_strict(KINDS_OF_CROWN, return_dtype=pl.String)
    ).with_columns(rank=pl.col("crown_kind").replace_strict(_KIND_RANK, return_dtype=pl.UInt8))
    columns = ["crown_kind", "free", "provider_id", "site_id"]
    no_fee = (pl.col("fee") == 0).fill_null(False)
    # Nearly every day has one row: only the others are grouped.
    several = pl.len().over(day) > 1
    marked = kinds.with_columns(several=several)
    one = marked.filter(~pl.col("several")).with_columns(free=no_fee).select(*day, *columns, code_material="detail")
    paid = pl.col("fee").fill_null(-1.0)
    best = (
        marked.filter("several")
        .with_columns(free=no_fee.all().over(day))
        .filter(paid == paid.max().over(day))
        .sort("rank")
    )
    best = best.filter(pl.col("rank") == pl.col("rank").first().over(day))
    many = best.group_by(day).agg(
        pl.col("crown_kind").first(),
        pl.col("free").first(),
        only_value("provider_id"),
        only_value("site_id"),
        code_material=one_value(pl.col("detail")),
    )
    wanted = [*day, *columns, "code_material"]
    return pl.concat([one.select(wanted), many.select(wanted)])


def _join_postings(postings: pl.DataFrame, opened: pl.DataFrame, *, repost: int, pair: int) -> pl.DataFrame:
    """Postings of one crown as one row: the last one names it."""
    day, before = pl.col("service_date"), pl.col("service_date").shift(1)
    opened_days = opened.select(*TOOTH, last_opened="opened").unique().sort("last_opened")
    rows = (
        postings.sort("service_date")
        .join_asof(
            opened_days,
            left_on="service_date",
            right_on="last_opened",
            by=KEY,
            strategy="backward",
            allow_exact_matches=False,
            check_sortedness=False,
        )
        .sort(*TOOTH, "service_date")
    )
    apart = (day - before).dt.total_days()
    same = same_tooth() & (pl.col("crown_kind") == pl.col("crown_kind").shift(1))
    one_free = pl.col("free") != pl.col("free").shift(1)
    between = (pl.col("last_opened") > before).fill_null(False)  # told of rows of one tooth alone
    joins = same & ((apart <= repost) | ((apart <= pair) & one_free & ~between))
    rows = rows.with_columns(crown=(~joins).cum_sum(), between=between & joins)
    return (
        rows.group_by("crown", maintain_order=True)
        .agg(
            *(pl.col(c).first() for c in TOOTH),
            posted_first=pl.col("service_date").first(),
            posted_last=pl.col("service_date").last(),
            posted_days=pl.len(),
            free=pl.col("free").all(),
            opened_between=pl.col("between").any(),
            crown_kind=pl.col("crown_kind").last(),
            code_material=pl.col("code_material").last(),
            provider_id=pl.col("provider_id").last(),
            site_id=pl.col("site_id").last(),
        )
        .drop("crown")
    )


def attach_details(posted: pl.LazyFrame, crown_details: pl.LazyFrame, *, tolerance_days: int) -> pl.LazyFrame:
    """Give each crown the recorded details that fit it best; one row per crown in, one out.

    Details belong to the crown of their tooth whose rows lie nearest to their seat date (their preparation date where
    the seat is missing), at most `tolerance_days` away. Details without any date belong to the tooth's only crown,
    where none with a date does.
    Each crown takes one row of details: the nearest, then the one with the later seat.

    Adds `recorded_prep, recorded_seat` and the columns `RECORDED`; null where nothing was recorded.
    """
    details = crown_details.select(
        *TOOTH,
        *DETAIL,
        *RECORDED,
        recorded_prep="prep_date",
        recorded_seat="seat_date",
        about=pl.coalesce("seat_date", "prep_date"),
    )
    spans = posted.select(*TOOTH, "posted_first", "posted_last", crowns_of_tooth=pl.len().over(TOOTH))
    before = (pl.col("posted_first") - pl.col("about")).dt.total_days()
    after = (pl.col("about") - pl.col("posted_last")).dt.total_days()
    alone = pl.col("about").is_null() & (pl.col("crowns_of_tooth") == 1)
    near = (
        details.join(spans, on=list(TOOTH))
        .with_columns(distance=pl.max_horizontal(before, after, pl.lit(0)))
        .with_columns(pl.when(alone).then(tolerance_days).otherwise("distance").alias("distance"))
        .filter(alone | pl.col("about").is_not_null(), pl.col("distance") <= tolerance_days)
        .sort("distance", "recorded_seat", *DETAIL, descending=[False, True, False, False], nulls_last=True)
        .unique(DETAIL, keep="first", maintain_order=True)
        .unique([*TOOTH, "posted_first"], keep="first", maintain_order=True)
        .select(*TOOTH, "posted_first", "recorded_prep", "recorded_seat", *RECORDED)
    )
    return posted.join(near, on=[*TOOTH, "posted_first"], how="left")


def crowns_elsewhere(
    others: pl.LazyFrame, made_here: pl.LazyFrame, crown_details: pl.LazyFrame, first_seen: pl.LazyFrame
) -> pl.LazyFrame:
    """Rules 3 and 12: crowns that others seated.

    - `others`: What others did (`others.done_by_others`).
    - `made_here`: Crowns of `build_crowns`.
    - `crown_details`: A recorded seat before the crown was first seen makes its age known.
    - `first_seen`: `patient_id, first_seen`: the patient's first contact here.

    Returns the columns of `build_crowns`, with `seen_date`: the first day on which the crown is known to be in place. A
    crown on a day on which the patient was not seen here was seated that day. One that was charted on a visit was
    seated at an unknown time before (`seat_date` null): one row per tooth, unless a crown of ours, or one of theirs on
    a known day, was there already. One without any date was there at the first contact, if no crown was made here. Of
    several kinds told of one crown the first by name stands.
    """
    rows = others.filter(pl.col("what") == CROWN)
    first_here = made_here.group_by(TOOTH).agg(first_here=pl.col("posted_first").min())
    dated = rows.filter(pl.col("day").is_not_null()).group_by(*TOOTH, seat_date="day").agg(_kind())
    charted = (
        rows.filter(pl.col("day").is_null())
        .group_by(TOOTH)
        .agg(_kind(), by=pl.col("by").min())
        .join(first_seen, on="patient_id")
        .join(first_here, on=KEY, how="left")
        .join(dated.group_by(TOOTH).agg(first_dated=pl.col("seat_date").min()), on=KEY, how="left")
        .with_columns(seen_date=pl.max_horizontal("by", "first_seen"))
        .filter((pl.col("seen_date") <= pl.col("first_here")).fill_null(True))
        .filter(pl.col("first_here").is_null() | pl.col("by").is_not_null())
        .filter((pl.col("seen_date") < pl.col("first_dated")).fill_null(True))
    )
    recorded = (
        crown_details.select(*TOOTH, *DETAIL, *RECORDED, recorded_prep="prep_date", recorded_seat="seat_date")
        .join(charted.select(*TOOTH, "seen_date", "first_here"), on=KEY)
        .filter(pl.col("recorded_seat") <= pl.col("seen_date"))
        .filter((pl.col("recorded_seat") < pl.col("first_here")).fill_null(True))
        .sort("recorded_seat", *DETAIL)  # here: a join need not keep the order of its rows
        .group_by(TOOTH, maintain_order=True)
        .last()
        .drop("seen_date", "first_here", *DETAIL)
    )
    unknown = charted.join(recorded, on=KEY, how="left").select(
        *TOOTH,
        "crown_kind",
        "seen_date",
        *RECORDED,
        prep_date="recorded_prep",
        seat_date="recorded_seat",
        seat_recorded=pl.col("recorded_seat").is_not_null(),
    )
    known = dated.join(first_seen, on="patient_id").select(
        *TOOTH,
        "crown_kind",
        "seat_date",
        seen_date=pl.max_horizontal("seat_date", "first_seen"),
        seat_recorded=pl.lit(False),
    )
    return pl.concat([unknown, known], how="diagonal").with_columns(
        shift_days=pl.lit(0, pl.Int32), remake_no_fee=pl.lit(False), opened_between=pl.lit(False)
    )


def _kind() -> pl.Expr:
    return pl.col("crown_kind").drop_nulls().sort().first()


def crown_entry(crowns: pl.LazyFrame, *, records_begin: pl.Expr) -> pl.LazyFrame:
    """Rule 12, second half: add `entry_date`, the day from which a crown is followed.

    A crown made here is followed from its seat, or from the day the records begin if it was seated before. A crown
    from elsewhere (`seen_date` not null) is followed from the day it was first seen: it had to last until then.
    """
    return crowns.with_columns(
        entry_date=pl.when(pl.col("seen_date").is_not_null())
        .then(pl.max_horizontal("seat_date", "seen_date"))
        .otherwise(pl.max_horizontal("seat_date", records_begin))
    )
