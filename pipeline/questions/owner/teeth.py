"""The teeth behind each rate of the owner's sheet, in one shape for crowns and root canals."""

import datetime as dt

import polars as pl

from pipeline.practice.outcomes import CROWNS, RATES
from pipeline.questions.leaving import AWAY_DAYS, followed_on

_COLUMNS = ("patient_id", "provider_id", "site_id", "tooth_group", "start", "exit_days", "followed_on_days", "event",
            "died", "guessed", "uncertain")  # fmt: skip


def teeth_of(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    followup: pl.DataFrame,
    *,
    posted_at_prep: bool,
    cutoff: dt.date | None,
    away_days: int = AWAY_DAYS,
) -> dict[str, pl.DataFrame]:
    """One frame a rate of `RATES`, by its id: the very teeth that the rates count, one row each.

    `start` is the seat or the completion, `exit_days` whole days since it, `followed_on_days` the same with whoever is
    not known to have left followed to the cut-off (`leaving.followed_on`), `event` the failure; `died` whether death
    ended follow-up; `guessed` whether the start or the loss was dated by a rule and not by a record; `uncertain`
    whether the order of root canal and seat is unsure (False for root canals). With `posted_at_prep` a seat that is
    not recorded was derived; without, the posted day is the seat.
    """
    found = {}
    for outcome in RATES:
        of_crowns = outcome.population is CROWNS
        derived = ~pl.col("seat_recorded") & posted_at_prep if of_crowns else pl.lit(False)
        spells = outcome.spells(crowns if of_crowns else courses, followup)
        on = spells if cutoff is None else followed_on(spells, cutoff=cutoff, away_days=away_days)
        found[outcome.rate] = (
            spells.with_columns(
                pl.col("event").cast(pl.Boolean),
                followed_on_days=on["exit_days"],
                start=outcome.population.start,
                died=pl.col("exit_reason") == "death",
                guessed=derived | pl.col("loss_interval_days").is_not_null(),
                uncertain="order_uncertain" if of_crowns else pl.lit(False),
            )
            .select(_COLUMNS)
            .sort("start", "exit_days", "event", "patient_id")
        )
    return found


def begun_in(teeth: pl.DataFrame, first: dt.date, last: dt.date) -> pl.DataFrame:
    """Teeth begun from one day to another, both included, followed from their start: a cohort."""
    return teeth.filter(pl.col("start").is_between(first, last)).with_columns(entry_days=pl.lit(0, pl.Int64))


def seen_in(teeth: pl.DataFrame, first: dt.date, last: dt.date) -> pl.DataFrame:
    """What was seen of the teeth from one day to another, both included; older teeth enter late.

    A rate of such rows is that of a period [Brenner 1996]: what a tooth begun now would fare, did it fail at each age
    as teeth of that age did then. So it tells of late years without waiting until teeth begun in them are old.
    """
    before, end = first - dt.timedelta(days=1), pl.lit(last)
    left = pl.col("start") + pl.duration(days=pl.col("exit_days"))
    return teeth.filter(pl.col("start") <= end, (left > before) | (pl.col("start") > before)).with_columns(
        entry_days=(pl.lit(before) - pl.col("start")).dt.total_days().clip(0),
        exit_days=pl.min_horizontal("exit_days", (end - pl.col("start")).dt.total_days()),
        event=pl.col("event") & (left <= end),
    )
