"""Rules 1 and 2: which posted rows are things that happened, and on which teeth.

Everything later works on two frames made here: `done` (every completed row that stands) and `tooth events`
(those of permanent teeth, each with the kind of thing its code stands for).
"""

from __future__ import annotations

import polars as pl

TOOTH = ("patient_id", "tooth_fdi")
ROW = ("load_id", "row_number", "part")

EXTRACTIONS = ("extraction", "extraction_impacted", "extraction_primary")
# The crown of the tooth is gone with these too, though roots stay behind on purpose.
TOOTH_LOST = (*EXTRACTIONS, "coronectomy", "root_burial")
# What can stand where a tooth is missing; each is proof that the tooth was lost before.
IN_PLACE_OF_A_TOOTH = ("implant", "bridge_pontic")
# Everything else that names a tooth needs the tooth, but for these, done to the empty site or to a whole bridge.
NEEDS_NO_TOOTH = (
    *IN_PLACE_OF_A_TOOTH,
    "bridge_recement",
    "bridge_repair",
    "bridge_section",
    "biopsy",
    "perio",
    "trauma",
)


def same_tooth() -> pl.Expr:
    """Whether a row names the tooth of the row before it; for rows sorted by tooth."""
    return pl.all_horizontal(pl.col(c) == pl.col(c).shift(1) for c in TOOTH).fill_null(False)


def runs(gap_days: int) -> pl.Expr:
    """A number for each run of rows of one tooth, none more than `gap_days` after the one before; for sorted rows.

    Rows must be sorted by tooth and `service_date`. One number serves all teeth: groups of two keys cost far more.
    """
    near = (pl.col("service_date") - pl.col("service_date").shift(1)).dt.total_days() <= gap_days
    return (~(same_tooth() & near)).cum_sum()


def done_rows(procedures: pl.LazyFrame, *, cutoff: pl.Expr | None = None) -> pl.LazyFrame:
    """Rule 2: the completed rows that stand.

    One row in, at most one row out; no column is added. Left out are rows that are planned, existing or void, rows
    after the data cut-off, every reversal (a completed row with a negative fee) and the row that it reverses.

    A void row takes only itself away: a ledger that corrects a row voids it and posts it anew with the same content,
    so a void row must not cancel its successor.
    """
    completed = procedures.filter(pl.col("status") == "completed", pl.col("service_date").is_not_null())
    if cutoff is not None:
        completed = completed.filter(pl.col("service_date") <= cutoff)
    return completed.filter(pl.col("fee").fill_null(0) >= 0).join(reversed_rows(completed), on=list(ROW), how="anti")


def reversed_rows(completed: pl.LazyFrame) -> pl.LazyFrame:
    """Which completed rows a negative fee takes back: one row each, keyed by `load_id`, `row_number` and `part`.

    A reversal and the row it takes back agree in patient, code, tooth and amount (to the cent). It takes back a row of
    its own day if there is one, else the latest earlier one not yet taken back. A reversal with no such row takes
    back nothing; see `unmatched_reversals`.
    """
    return _pairs(completed).filter(~pl.col("reversal"), pl.col("paired")).select(ROW)


def unmatched_reversals(completed: pl.LazyFrame) -> pl.LazyFrame:
    """Reversals that match no row, keyed by `load_id`, `row_number` and `part`."""
    return _pairs(completed).filter(pl.col("reversal"), ~pl.col("paired")).select(ROW)


def _pairs(completed: pl.LazyFrame) -> pl.LazyFrame:
    key = ["patient_id", "code", "tooth_fdi", "supernumerary", "cents"]
    cents = (pl.col("fee") * 100).round().cast(pl.Int64)
    with_fee = completed.filter(pl.col("fee").is_not_null(), cents != 0).with_columns(
        cents=cents.abs(), reversal=pl.col("fee") < 0
    )
    # Only keys that hold a reversal matter: a ledger has few.
    charged = with_fee.join(with_fee.filter("reversal").select(key).unique(), on=key, how="semi", nulls_equal=True)
    charged = charged.select(*ROW, *key, "service_date", "reversal")
    same_day = [*key, "service_date"]
    nth = charged.sort(*key, "service_date", *ROW, nulls_last=True).with_columns(
        nth=pl.int_range(pl.len()).over([*same_day, "reversal"]),
        pairs=pl.min_horizontal(
            pl.col("reversal").sum().over(same_day).cast(pl.Int64),
            (~pl.col("reversal")).sum().over(same_day).cast(pl.Int64),
        ),
    )
    now = nth.filter(pl.col("nth") < pl.col("pairs")).with_columns(paired=pl.lit(True))
    later = _latest_earlier(nth.filter(pl.col("nth") >= pl.col("pairs")), key)
    columns = [*ROW, "reversal", "paired"]
    return pl.concat([now.select(columns), later.select(columns)])


def _latest_earlier(rows: pl.LazyFrame, key: list[str]) -> pl.LazyFrame:
    # Postings open a bracket and reversals close the latest open one. `depth` counts open brackets, never below 0;
    # at one depth openings and closings alternate, so the n-th of each belong together.
    step = pl.when("reversal").then(-1).otherwise(1)
    return (
        rows.sort(*key, "service_date", "nth", nulls_last=True)
        .with_columns(level=step.cum_sum().over(key))
        .with_columns(floor=pl.min_horizontal(pl.col("level").cum_min().over(key), pl.lit(0)))
        .with_columns(
            depth=pl.col("level") - pl.col("floor") + pl.col("reversal").cast(pl.Int32),
            closes_nothing=pl.col("reversal") & (pl.col("floor") < pl.col("floor").shift(1).over(key).fill_null(0)),
        )
        .with_columns(depth=pl.when("closes_nothing").then(-1).otherwise("depth"))
        .with_columns(turn=pl.int_range(pl.len()).over([*key, "depth", "reversal"]))
        .with_columns(other=pl.col("reversal").n_unique().over([*key, "depth", "turn"]))
        .with_columns(paired=(pl.col("other") == 2) & ~pl.col("closes_nothing"))
    )


def with_kind(rows: pl.LazyFrame, codes: pl.DataFrame) -> pl.LazyFrame:
    """Add `event` and `detail`: what the code stands for; null for a code that the list does not know."""
    return rows.join(codes.lazy().select("code", "event", "detail"), on="code", how="left", maintain_order="left")


def permanent_teeth(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Rule 1: keep rows of permanent teeth, a tooth being a patient and an ISO 3950 number.

    Primary teeth (51 to 85) and supernumerary teeth are stored, and take no part in the survival questions.
    """
    return rows.filter(pl.col("tooth_fdi").is_between(11, 48), ~pl.col("supernumerary"))


def tooth_group(tooth_fdi: pl.Expr) -> pl.Expr:
    """Tooth group of a permanent tooth: the second digit of ISO 3950 counts from the midline."""
    place = tooth_fdi % 10
    return (
        pl.when(place <= 3)
        .then(pl.lit("anterior"))
        .when(place <= 5)
        .then(pl.lit("premolar"))
        .otherwise(pl.lit("molar"))
    )


def impossible_rows(events: pl.LazyFrame) -> pl.LazyFrame:
    """Rows that name a tooth after its extraction, keyed by `load_id`, `row_number` and `part`, with `reason`.

    A tooth does not come back: either the extraction or the later row carries a wrong number. The later row is set
    aside and the history up to the extraction kept. A row of the day of the extraction stands. What belongs to an
    empty site (implant, pontic) or to a whole bridge stands too.
    """
    lost = events.filter(pl.col("event").is_in(EXTRACTIONS)).group_by([*TOOTH, "supernumerary"])
    first = lost.agg(extracted=pl.col("service_date").min())
    needs_tooth = events.filter(pl.col("event").is_not_null(), ~pl.col("event").is_in(NEEDS_NO_TOOTH))
    return (
        needs_tooth.join(first, on=[*TOOTH, "supernumerary"])
        .filter(pl.col("service_date") > pl.col("extracted"))
        .select(*ROW, reason=pl.lit("after_extraction"))
    )


def rows_on_implants(events: pl.LazyFrame) -> pl.LazyFrame:
    """Crown rows on a position that already holds an implant: the crown of the implant, never of a tooth."""
    implant = events.filter(pl.col("event") == "implant").group_by(TOOTH).agg(implanted=pl.col("service_date").min())
    return (
        events.filter(pl.col("event") == "crown_placement")
        .join(implant, on=list(TOOTH))
        .filter(pl.col("service_date") >= pl.col("implanted"))
        .select(ROW)
    )
