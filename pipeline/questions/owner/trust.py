"""A grade of trust for each figure, by a plain rule from what was measured: the worst of what the figure hangs on.

| measured | firm | fair | else |
| --- | --- | --- | --- |
| followed: follow-up seen, of what was possible up to the figure's years (Clark's C) | 80 % | 60 % | thin |
| set aside: rows of the ledger that could not be used | at most 1 % | 5 % | thin |
| day guessed: teeth whose start, or whose loss, was dated by a rule | at most 10 % | 30 % | thin |
| order uncertain: crowns of which it is not sure whether the root canal came first | at most 2 % | 10 % | thin |
| range: half of it, in teeth of 100 | what matters | twice that | thin |

The bounds are our own choice: no source. A field counts as missing only in rows that could hold it.
"""

import datetime as dt
import math
from collections.abc import Sequence

import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.groups import days_of
from pipeline.results.owner import GRADES, Measured, Stretch, Trust, followed_grade
from pipeline.stats.followup import completeness

MOST = {"set_aside": (0.01, 0.05), "day_guessed": (0.10, 0.30), "order_uncertain": (0.02, 0.10)}


def trust_of(
    teeth: pl.DataFrame, rate: Stretch, *, cutoff: dt.date, read: int, set_aside: int, asked: Analysis
) -> Trust:
    """The trust in `rate`, made of `teeth` (see `teeth.py`); `read` and `set_aside` are rows of the ledger."""
    measured = [_followed(teeth, rate.years, cutoff)] if teeth.height else []
    measured.append(_at_most("set_aside", set_aside / read if read else 0.0))
    if teeth.height:
        measured.append(_at_most("day_guessed", float(teeth["guessed"].mean() or 0.0)))  # type: ignore[arg-type]
        if teeth["uncertain"].any():
            measured.append(_at_most("order_uncertain", float(teeth["uncertain"].mean() or 0.0)))  # type: ignore[arg-type]
    if rate.ci_low is not None and rate.ci_high is not None:
        matters, half = asked.matters(rate.years), 50 * (rate.ci_high - rate.ci_low)
        measured.append(Measured("range", half / 100, GRADES[(half > matters) + (half > 2 * matters)]))
    return Trust(worst([m.grade for m in measured]), tuple(measured))


def worst(grades: Sequence[str]) -> str:
    """The worst of some grades; firm of none."""
    return max(grades, key=GRADES.index, default=GRADES[0])


def _at_most(name: str, share: float) -> Measured:
    firm, fair = MOST[name]
    return Measured(name, share, GRADES[(share > firm) + (share > fair)])


def _followed(teeth: pl.DataFrame, years: float, cutoff: dt.date) -> Measured:
    """Days seen over days that could have been seen, up to the years of the figure; failed and dead count as whole."""
    day = days_of(years)
    exit_days = teeth["exit_days"].clip(upper_bound=day)
    possible = (pl.lit(cutoff, pl.Date) - pl.col("start")).dt.total_days().clip(0, day)
    found = completeness(
        exit_days,
        teeth["event"] & (teeth["exit_days"] <= day),
        teeth.select(pl.max_horizontal(possible, pl.Series(exit_days)))[:, 0] if teeth.height else exit_days,
        died=teeth["died"],
    ).clarks_c
    share = 1.0 if math.isnan(found) else found  # nobody could have been followed for a day
    return Measured("followed", share, followed_grade(share))
