"""Rules 4 and 9: rows of crowns become crowns, each with a seat date and a day from which it is followed."""

from __future__ import annotations

import polars as pl

from pipeline.transforms.events import ROW, TOOTH, runs

DETAIL = ("load_id", "row_number")  # a row of crown_details

CROWN = "crown_placement"


def build_crowns(
    events: pl.LazyFrame,
    crown_details: pl.LazyFrame,
    *,
    crown_repost_days: int,
    lab_days: int,
    posted_at_prep: bool,
) -> pl.LazyFrame:
    """Rule 4: crowns made here, one row each.

    Parameters
    ----------
    events
        Tooth events that happened here, with `event`, `detail` (material that the code says) and the row's origin.
    crown_details
        Recorded details, permanent teeth only.
    crown_repost_days
        Crown rows of one tooth at most this many days after the one before are one crown.
    lab_days
        Days from preparation to seat, used only where the practice posts at preparation and no seat was recorded.

    Returns
    -------
    `patient_id, tooth_fdi, posted_first, posted_last, prep_date, seat_date, seat_recorded, shift_days, material,
    margin, pulp_status_at_prep, provider_id, site_id`. `shift_days` is what was added to the last row's date.
    """
    shift = lab_days if posted_at_prep else 0
    rows = events.filter(pl.col("event") == CROWN)
    # The last row of each run stands for the crown: looking at neighbours takes a tenth of the time of grouping.
    begins = (pl.col("run") != pl.col("run").shift(1)).fill_null(True)
    ends = (pl.col("run") != pl.col("run").shift(-1)).fill_null(True)
    posted = (
        rows.sort(*TOOTH, "service_date", "code", "provider_id", "site_id", *ROW)
        .with_columns(run=runs(crown_repost_days))
        .with_columns(posted_first=pl.when(begins).then("service_date").forward_fill())
        .filter(ends)
        .select(
            *TOOTH,
            "posted_first",
            posted_last="service_date",
            code_material="detail",
            provider_id="provider_id",
            site_id="site_id",
        )
    )
    detailed = attach_details(posted, crown_details, tolerance_days=crown_repost_days)
    recorded = pl.col("recorded_seat").is_not_null()
    return detailed.select(
        *TOOTH,
        "posted_first",
        "posted_last",
        prep_date=pl.coalesce("recorded_prep", pl.col("posted_first") if posted_at_prep else pl.lit(None, pl.Date)),
        seat_date=pl.coalesce("recorded_seat", pl.col("posted_last") + pl.duration(days=shift)),
        seat_recorded=recorded,
        shift_days=pl.when(recorded).then(0).otherwise(shift).cast(pl.Int32),
        material=pl.coalesce("material", "code_material"),
        margin="margin",
        pulp_status_at_prep="pulp_status_at_prep",
        provider_id="provider_id",
        site_id="site_id",
    ).sort(*TOOTH, "posted_first")


def attach_details(posted: pl.LazyFrame, crown_details: pl.LazyFrame, *, tolerance_days: int) -> pl.LazyFrame:
    """Give each crown the recorded details that fit it best; one row per crown in, one out.

    Details belong to the crown of their tooth whose rows lie nearest to their seat date (their preparation date where
    the seat is missing), at most `tolerance_days` away. Details without any date belong to the tooth's only crown.
    Each crown takes one row of details: the nearest, then the one with the later seat.

    Adds `recorded_prep, recorded_seat, material, margin, pulp_status_at_prep`; null where nothing was recorded.
    """
    details = crown_details.select(
        *TOOTH,
        *DETAIL,
        "material",
        "margin",
        "pulp_status_at_prep",
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
        .with_columns(distance=pl.when(alone).then(0).otherwise(pl.max_horizontal(before, after, pl.lit(0))))
        .filter(alone | pl.col("about").is_not_null(), pl.col("distance") <= tolerance_days)
        .sort("distance", "recorded_seat", *DETAIL, descending=[False, True, False, False], nulls_last=True)
        .unique(DETAIL, keep="first", maintain_order=True)
        .unique([*TOOTH, "posted_first"], keep="first", maintain_order=True)
        .select(*TOOTH, "posted_first", "recorded_prep", "recorded_seat", "material", "margin", "pulp_status_at_prep")
    )
    return posted.join(near, on=[*TOOTH, "posted_first"], how="left")


def crowns_from_elsewhere(
    history: pl.LazyFrame, made_here: pl.LazyFrame, crown_details: pl.LazyFrame, first_seen: pl.LazyFrame
) -> pl.LazyFrame:
    """Rule 9, first half: crowns that were there when the practice first saw the tooth, one row per tooth.

    Parameters
    ----------
    history
        `existing` rows with `event`; their date is often unknown.
    made_here
        Crowns of `build_crowns`: an existing row dated after one of them adds nothing that can be followed.
    crown_details
        A recorded seat before the crown was first seen makes its age known.
    first_seen
        `patient_id, first_seen`: the patient's first completed row or finding here.

    Returns
    -------
    The columns of `build_crowns`, with `seen_date`: the first day on which the crown is known to be in place. An
    existing row dated before the patient's first contact cannot be a sighting: it says when the crown was seated.
    Otherwise `seat_date` is null.
    """
    rows = history.filter(pl.col("event") == CROWN)
    first_here = made_here.group_by(TOOTH).agg(first_here=pl.col("posted_first").min())
    seen = (
        rows.group_by(TOOTH)
        .agg(dated=pl.col("service_date").min(), provider_id=pl.lit(None, pl.String).first())
        .join(first_seen, on="patient_id")
        .with_columns(seen_date=pl.max_horizontal(pl.coalesce("dated", "first_seen"), "first_seen"))
        .join(first_here, on=list(TOOTH), how="left")
        .filter(pl.col("first_here").is_null() | (pl.col("seen_date") <= pl.col("first_here")))
    )
    recorded = (
        crown_details.filter(pl.col("seat_date").is_not_null())
        .sort("seat_date", *DETAIL)
        .select(
            *TOOTH, "material", "margin", "pulp_status_at_prep", recorded_prep="prep_date", recorded_seat="seat_date"
        )
        .join(seen.select(*TOOTH, "seen_date", "first_here"), on=list(TOOTH))
        .filter(pl.col("recorded_seat") <= pl.col("seen_date"))
        .filter(pl.col("first_here").is_null() | (pl.col("recorded_seat") < pl.col("first_here")))
        .group_by(TOOTH, maintain_order=True)
        .last()
        .drop("seen_date", "first_here")
    )
    dated_seat = pl.when(pl.col("dated") < pl.col("first_seen")).then("dated")
    return seen.join(recorded, on=list(TOOTH), how="left").select(
        *TOOTH,
        posted_first=pl.lit(None, pl.Date),
        posted_last=pl.lit(None, pl.Date),
        prep_date="recorded_prep",
        seat_date=pl.coalesce("recorded_seat", dated_seat),
        seat_recorded=pl.col("recorded_seat").is_not_null(),
        shift_days=pl.lit(0, pl.Int32),
        material="material",
        margin="margin",
        pulp_status_at_prep="pulp_status_at_prep",
        provider_id=pl.lit(None, pl.String),
        site_id=pl.lit(None, pl.String),
        seen_date="seen_date",
    )


def crown_entry(crowns: pl.LazyFrame, *, records_begin: pl.Expr) -> pl.LazyFrame:
    """Rule 9, second half: add `entry_date`, the day from which a crown is followed.

    A crown made here is followed from its seat, or from the day the records begin if it was seated before. A crown
    from elsewhere (`seen_date` not null) is followed from the day it was first seen: it had to last until then.
    """
    return crowns.with_columns(
        entry_date=pl.when(pl.col("seen_date").is_not_null())
        .then(pl.max_horizontal("seat_date", "seen_date"))
        .otherwise(pl.max_horizontal("seat_date", records_begin))
    )
