"""Failures within a year, by the quarter in which the teeth were treated: the earliest sign that something changed.

Only quarters all of whose teeth could have had a full year by the data cut-off have a share; later ones are marked. The
limits are those of chance around the whole practice's share, for a quarter with as many teeth followed as long.
"""

import datetime as dt
from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.results.monitoring import FirstYear, FirstYearRow
from pipeline.stats import expected as chance
from pipeline.stats.expected import breslow_hazard
from pipeline.stats.kaplan_meier import kaplan_meier

YEAR = 365
COVERAGE = 0.998
# Runs on one side of the middle are told from this many complete quarters on; seven in a row are unusual (one in 64).
MIN_QUARTERS = 10
RUN = 7
# Smaller counts lie below their mean more often than above it, so that runs below it are nothing unusual.
MIN_EXPECTED = 5.0


def first_year(rows: pl.DataFrame, *, cutoff: dt.date, confidence: float = 0.95) -> FirstYear | None:
    """One row per quarter from the first to the last with a tooth; None if no quarter is complete.

    `rows` has `start` (date), `exit_days`, `event` and `patient_id`. Shares are Kaplan-Meier's, so that a tooth lost
    from sight counts for as long as it was seen; limits take the teeth of a patient as alike.
    """
    cut = rows.with_columns(
        quarter=pl.col("start").dt.year() * 4 + pl.col("start").dt.quarter() - 1,
        event=pl.col("event") & (pl.col("exit_days") <= YEAR),
        exit_days=pl.col("exit_days").clip(0, YEAR),
    )
    first, last = cut["quarter"].min(), cut["quarter"].max()
    assert isinstance(first, int)
    assert isinstance(last, int)
    whole = [q for q in range(first, last + 1) if is_complete(q, cutoff)]
    counted = cut.filter(pl.col("quarter").is_in(whole))
    if not counted.height:
        return None
    days, event = counted["exit_days"].to_numpy(), counted["event"].cast(pl.Int64).to_numpy()
    hazard = breslow_hazard(days, event, np.ones(len(days)))
    overall = 1 - float(kaplan_meier(days, event).at([YEAR]).survival[0])
    parts = {int(key[0]): part for key, part in cut.partition_by("quarter", as_dict=True).items()}
    quarters = [parts.get(q, cut.clear()) for q in range(first, last + 1)]
    expected = [
        float(np.sum(np.sort(hazard.until(of["exit_days"].to_numpy())))) if of.height else 0.0 for of in quarters
    ]
    lows, highs = chance.limits([one or 1.0 for one in expected], coverage=COVERAGE)
    limits = zip((overall * lows).tolist(), np.minimum(1.0, overall * highs).tolist(), strict=True)
    made = tuple(
        _row(q, part, mean, ends, complete=q in whole, confidence=confidence)
        for q, part, mean, ends in zip(range(first, last + 1), quarters, expected, limits, strict=True)
    )
    told = len(whole) >= MIN_QUARTERS and sum(r.expected for r in made if r.complete) >= MIN_EXPECTED * len(whole)
    return FirstYear(made, overall, YEAR, longest_run(made, overall), RUN, MIN_QUARTERS, MIN_EXPECTED, told)


def is_complete(quarter: int, cutoff: dt.date) -> bool:
    """True if a tooth treated on the quarter's last day could be followed for a year by the cut-off."""
    year, part = divmod(quarter + 1, 4)
    return dt.date(year, 3 * part + 1, 1) - dt.timedelta(days=1) + dt.timedelta(days=YEAR) <= cutoff


def longest_run(rows: Sequence[FirstYearRow], overall: float) -> int:
    """The longest run of complete quarters on one side of the overall share; one exactly on it ends no run."""
    longest = now = side = 0
    for row in rows:
        if row.share is None or row.share == overall:
            continue
        here = 1 if row.share > overall else -1
        now = now + 1 if here == side else 1
        side, longest = here, max(longest, now)
    return longest


def _row(
    quarter: int, part: pl.DataFrame, expected: float, limits: tuple[float, float], *, complete: bool, confidence: float
) -> FirstYearRow:
    days, event = part["exit_days"].to_numpy(), part["event"].cast(pl.Int64).to_numpy()
    failures = int(event.sum())
    share = low = high = limit_low = limit_high = None
    outside = False
    if complete and len(days) and int((days >= YEAR).sum()):
        curve = kaplan_meier(days, event, cluster=part["patient_id"], confidence=confidence).at([YEAR])
        share = 1 - float(curve.survival[0])
        ends = [1 - float(curve.high[0]), 1 - float(curve.low[0])]
        low, high = (None, None) if np.isnan(ends).any() else (max(0.0, ends[0]), min(1.0, ends[1]))
    if complete and expected > 0:
        limit_low, limit_high = limits
        outside = min(chance.tails(failures, expected)) < (1 - COVERAGE) / 2
    year, place = divmod(quarter, 4)
    return FirstYearRow(
        quarter=f"{year} Q{place + 1}",
        teeth=len(days),
        failures=failures,
        share=share,
        ci_low=low,
        ci_high=high,
        expected=expected,
        limit_low=limit_low,
        limit_high=limit_high,
        complete=complete,
        outside=outside,
    )
