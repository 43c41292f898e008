"""Those who stopped coming: who they are, and how much worse they must have fared before the verdict turns.

A patient has left for good if last seen more than `away_days` before the records end; one seen later than that may be
between two visits. The lost are taken to fare as those still seen. How far that may be wrong is asked by the tipping
point: their failures after the loss come faster (or more slowly) than among those followed, in one group at a time,
until what the range says is another thing (`stats/tipping.py`). The adjusted difference and its range move by as much
as the share failed of the group does; the width of the range is kept.
"""

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import polars as pl

from pipeline.practice.settings import Rules
from pipeline.questions.analysis import Analysis
from pipeline.questions.groups import days_of
from pipeline.questions.verdict import DIFFERS, TOO_EARLY, decide
from pipeline.results import Comparison, Difference
from pipeline.results.leaving import Leaving, LostFromSight, Tipping
from pipeline.stats.tipping import ALL_FAIL, LostCurve, lay_out

AWAY_DAYS = Rules.active_days
# Past an edge of the range, per 100: where a range that touches an edge has left it.
PAST = 1e-6

Said = tuple[str, bool]  # the verdict, and of a claimed difference whether it is above 0


def leaving_of(
    comparison: Comparison,
    spells: pl.DataFrame,
    analysis: Analysis,
    *,
    unit: str,
    cutoff: dt.date | None = None,
    away_days: int = AWAY_DAYS,
) -> Leaving | None:
    """Who was lost from sight in each group, and the tipping points of the verdict; None without a difference.

    `spells` and `unit` as in `robustness_of`. Where `decide` finds it too early, there is no verdict to turn.
    """
    difference = comparison.difference
    if difference is None:
        return None
    rows = with_left(spells, unit=unit, cutoff=cutoff, away_days=away_days)
    sides = {
        name: _side(rows.filter(pl.col("state") == name), difference, unit)
        for name in (difference.group, difference.reference)
    }
    failures = {g.name: g.failures for g in comparison.groups}
    smallest = comparison.verdict.smallest_difference_per_100

    def said(d: Difference) -> Said:
        counts = (failures.get(d.group, 0), failures.get(d.reference, 0))
        code = decide(d, counts, smallest=smallest, min_failures=analysis.min_failures)
        return code, code == DIFFERS and d.per_100 > 0

    code = said(difference)[0]
    tipping = () if code == TOO_EARLY else tuple(_tipping_points(sides, difference, said, smallest))
    lost = tuple(LostFromSight(name, side.teeth, side.curve.n_lost) for name, side in sides.items())
    return Leaving(away_days, lost, code, tipping)


def with_left(spells: pl.DataFrame, *, unit: str, cutoff: dt.date | None, away_days: int = AWAY_DAYS) -> pl.DataFrame:
    """Add `left` (the tooth's last row ends because its patient left for good) and `possible_days`.

    `possible_days`, on the clock of the row, is that of the cut-off (by default the last day on which anyone was
    followed) where it left, else its own last day. A row that ends otherwise, by state, failure or death, is not left.
    """
    end = pl.max_horizontal(pl.lit(cutoff or spells["exit_date"].max(), pl.Date), "exit_date")
    away = (end - pl.col("exit_date")).dt.total_days()
    is_last = pl.col("exit_days") == pl.col("exit_days").max().over(unit)
    left = is_last & ~pl.col("event") & (pl.col("exit_reason") == "last_contact") & (away > away_days)
    return spells.with_columns(left=left, possible_days=pl.col("exit_days") + pl.when(left).then(away).otherwise(0))


def followed_on(spells: pl.DataFrame, *, cutoff: dt.date, away_days: int = AWAY_DAYS) -> pl.DataFrame:
    """`exit_days` up to the cut-off for whoever is not known to have left: last seen within `away_days` of it.

    Whoever failed has come; a tooth that holds is known of only up to its patient's last visit. So failures near the
    end of the records would be held against too few teeth, and seem to come faster where nothing changed.
    """
    away = (pl.lit(cutoff, pl.Date) - pl.col("exit_date")).dt.total_days()
    waits = ~pl.col("event") & (pl.col("exit_reason") == "last_contact") & away.is_between(0, away_days)
    return spells.with_columns(exit_days=pl.col("exit_days") + pl.when(waits).then(away).otherwise(0))


@dataclass(frozen=True, eq=False)
class _Side:
    teeth: int
    curve: LostCurve


def _side(rows: pl.DataFrame, difference: Difference, unit: str) -> _Side:
    curve = lay_out(
        rows["exit_days"],
        rows["event"],
        rows["left"],
        rows["possible_days"],
        days_of(difference.years),
        entry_days=rows["entry_days"],
        from_day=difference.from_days,
    )
    return _Side(rows[unit].n_unique(), curve)


def _tipping_points(
    sides: dict[str, _Side], difference: Difference, said: Callable[[Difference], Said], smallest: float
) -> list[Tipping]:
    out = []
    for name, side in sides.items():
        if not side.curve.n_lost:
            continue
        now = side.curve.at(1.0)
        sign = 1 if name == difference.group else -1
        for more in (True, False):
            end = side.curve.at(ALL_FAIL if more else 0.0)
            found = Tipping(name, more, 100 * (end.lost_failed - now.lost_failed))
            reach = 100 * sign * (end.failed - now.failed)
            turned = turning(difference, said, reach, smallest=smallest)
            ratio = side.curve.ratio_for(sign * turned[0] / 100) if turned else None
            if turned and ratio is not None:
                extra = side.curve.at(ratio).lost_failed - now.lost_failed
                found = replace(found, extra_per_100=100 * extra, ratio=ratio, verdict=turned[1])
            out.append(found)
    return out


def turning(
    difference: Difference, said: Callable[[Difference], Said], reach: float, *, smallest: float
) -> tuple[float, str] | None:
    """The shift per 100 of the difference nearest to 0, up to `reach`, from which another thing is said; and that.

    None where nothing turns it. Only shifts are tried that bring an end of the range past 0 or what matters.
    """
    now = said(difference)
    ends = (difference.ci_low, difference.ci_high)
    edges = sorted((edge - end for edge in (-smallest, 0.0, smallest) for end in ends), key=abs)
    for edge in edges:
        shift = edge + math.copysign(PAST, reach)
        if shift * reach > 0 and abs(shift) <= abs(reach):
            then = said(_moved(difference, shift))
            if then != now:
                return shift, then[0]
    return None


def _moved(d: Difference, shift: float) -> Difference:
    return replace(d, per_100=d.per_100 + shift, ci_low=d.ci_low + shift, ci_high=d.ci_high + shift)
