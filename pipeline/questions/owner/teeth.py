"""The teeth behind each rate of the owner's sheet, in one shape for crowns and root canals."""

from __future__ import annotations

import datetime as dt

import polars as pl

from pipeline.questions.success_rates import crown_spells, endo_spells

# The rates of the sheet in their order, as `rate_tables` names them.
OUTCOMES = ("crown_survival", "endo_tooth_survival", "endo_free_of_intervention")
# Patients come about twice a year (common practice, no source). Whoever failed has come; of those who did not, the last
# stretch of the records holds only what was seen up to their last visit. What ends so near to the end of the records
# would seem to fail more often than it does, and is left out wherever late years are held against earlier ones.
SETTLE_DAYS = 183
_COLUMNS = ("patient_id", "provider_id", "site_id", "tooth_group", "start", "exit_days", "event", "died", "guessed",
            "uncertain")  # fmt: skip


def teeth_of(
    crowns: pl.DataFrame, courses: pl.DataFrame, followup: pl.DataFrame, *, posted_at_prep: bool
) -> dict[str, pl.DataFrame]:
    """One frame an outcome of `OUTCOMES`: the very teeth that the rates count, one row each.

    `start` is the seat or the completion, `exit_days` whole days since it, `event` the failure; `died` whether death
    ended follow-up; `guessed` whether the start or the loss was dated by a rule and not by a record; `uncertain`
    whether the order of root canal and seat is unsure (False for root canals). With `posted_at_prep` a seat that is
    not recorded was derived; without, the posted day is the seat.
    """
    kept = crown_spells(crowns).with_columns(
        start="seat_date",
        guessed=(~pl.col("seat_recorded") & posted_at_prep) | pl.col("loss_interval_days").is_not_null(),
        uncertain="order_uncertain",
    )
    frames = {"crown_survival": kept}
    for outcome in ("tooth_survival", "free_of_intervention"):
        spells = endo_spells(courses, followup, outcome=outcome)
        frames[f"endo_{outcome}"] = spells.with_columns(
            start="completed", guessed=pl.col("loss_interval_days").is_not_null(), uncertain=pl.lit(False)
        )
    return {
        name: frame.with_columns(event=pl.col("event").cast(pl.Boolean), died=pl.col("exit_reason") == "death")
        .select(_COLUMNS)
        .sort("start", "exit_days", "event", "patient_id")
        for name, frame in frames.items()
    }


def begun_in(teeth: pl.DataFrame, first: dt.date, last: dt.date) -> pl.DataFrame:
    """Teeth begun from one day to another, both included, followed from their start: a cohort."""
    return teeth.filter(pl.col("start").is_between(first, last)).with_columns(entry_days=pl.lit(0, pl.Int64))


def seen_in(teeth: pl.DataFrame, first: dt.date, last: dt.date) -> pl.DataFrame:
    """What was seen of the teeth from one day to another, both included; older teeth enter late.

    A rate of such rows is that of a period [1]: what a tooth begun now would fare, did it fail at each age as teeth of
    that age did then. So it tells of late years without waiting until teeth begun in them are old.

    References
    ----------
    [1] Brenner H, Gefeller O. An alternative approach to monitoring cancer patient survival. Cancer 1996;78:2004-2010
        (from memory).
    """
    before, end = first - dt.timedelta(days=1), pl.lit(last)
    left = pl.col("start") + pl.duration(days=pl.col("exit_days"))
    return teeth.filter(pl.col("start") <= end, (left > before) | (pl.col("start") > before)).with_columns(
        entry_days=(pl.lit(before) - pl.col("start")).dt.total_days().clip(0),
        exit_days=pl.min_horizontal("exit_days", (end - pl.col("start")).dt.total_days()),
        event=pl.col("event") & (left <= end),
    )
