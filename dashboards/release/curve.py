"""A curve as it may leave the practice: worked out again, on a half-yearly grid, from the counts that may be told.

The counts come first: how many are still followed at each half-year, and how many have failed, which is told anew only
where at least 11 further failures, of 11 patients, lie behind. Curve, range and numbers followed are made from these
alone, so that nobody can read more off a curve than off a table. What the exact figures decide is by how much the range
is widened, so that it covers theirs throughout. The middle is of the told counts as well: beside the counts of a file
for pooling the exact share, however rounded, told that 1 to 8 failed in one half-year (6 of 620 practices at five
years, 11 of 160 at some year up to ten). So it may be off by somewhat more than its step: by up to 1.2 steps in 95 of
100 invented groups, by 1.9 at most, where the exact share rounded was off by 0.8 and 0.9; it is said and drawn where
that is little.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from dashboards.release.count import ReleasedCount
from dashboards.release.percent import outward, percent_step
from pipeline.release.disclosure import SLACK, SMALLEST, Gate, nearest_step
from pipeline.release.gates import told_half_years
from pipeline.results import DAYS_PER_YEAR, GRID_MONTHS, Group

NO_CURVE = "a curve of a group with too few failures, or whose steps may not be told"
_Z = 1.959964  # of the 95 % range that all curves carry
# By how much a variance may be widened so that the range covers the exact one; coarse, so that it tells nothing itself.
_WIDER = (1.0, 1.5, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0, 35.0, 60.0, 100.0)
_CLOSE = 1e-9
# A middle is said and drawn up to this step: it may be off by somewhat more than its step, and two coarse ones beside
# one another would make a difference of their own.
_NEAR = 1


@dataclass(frozen=True)
class ReleasedPoint:
    """Failed of 100 at a month of the half-yearly grid, in percent on the group's step.

    The range covers the exact one from this point to the next. `told` says whether the middle lies near
    enough to the exact share to be said and drawn.
    """

    months: int
    failed: int
    low: int
    high: int
    followed: ReleasedCount
    told: bool = True

    def __post_init__(self) -> None:
        if type(self.months) is not int or self.months < 0 or self.months % GRID_MONTHS:
            raise ValueError("released curves have points at whole half-years")
        if any(v not in range(101) for v in (self.failed, self.low, self.high)):
            raise ValueError("released curves are in whole percent")
        if self.followed.value is None:
            raise ValueError("released curves stop where too few are followed")

    @property
    def middle(self) -> int | None:
        """Failed of 100, where that may be said and drawn."""
        return self.failed if self.told else None


def release_curve(gate: Gate, group: Group, *, teeth: int | None, clock: str = "") -> tuple[ReleasedPoint, ...]:
    """The curve of a group told to have so many teeth, by the clock of its question.

    It begins at the first half-year by which enough have failed, never with a flat stretch that the exact curve does
    not have, and ends before too few are followed. Between two changes of the told count the rate is taken as steady;
    failures after the last change are told with it, at the end of the curve. The range is widened by one step of
    `_WIDER` for all half-years of a stretch, never by less than for the stretch before; where none would cover the
    exact range, no curve is made. It is drawn where the exact one is, and rests on the same counts wherever that is.
    """
    step = percent_step(teeth)
    table = told_table(gate, group, clock=clock, teeth=teeth)
    drawn = [] if table is None else [i for i, m in enumerate(table.months) if _is_drawn(group, m) and i >= table.first]
    if step is None or table is None or not drawn:
        gate.withhold(NO_CURVE)
        return ()
    points: list[ReleasedPoint] = []
    wider, begin = 0, drawn[0]
    for end, _ in table.changes:
        inside = range(begin, min(end, drawn[-1]) + 1)
        if inside:
            made = None
            while wider < len(_WIDER) and (made := _covering(table, group, inside, _WIDER[wider], step)) is None:
                wider += 1
            if made is None:
                gate.withhold(NO_CURVE)
                return ()
            points += made
        begin = max(begin, end + 1)
    return tuple(points)


def _is_drawn(group: Group, month: int) -> bool:
    """Whether the exact curve has begun and not stopped by a month."""
    until = math.inf if group.stops_at_days is None else group.stops_at_days
    return group.starts_at_days <= _days(month) <= until


def _covering(table: ToldTable, group: Group, inside: range, wider: float, step: int) -> list[ReleasedPoint] | None:
    """The points of some half-years; None where their range leaves out some of the exact one."""
    values, last = _values(table, wider), len(table.months) - 1
    points = []
    for i in inside:
        after = min(i + 1, last)
        low, high = outward(values[i][1], min(values[after][2], 100.0), step)
        low, high = max(0, low), min(100, high)
        exact = _exact(group, table.months[i], table.months[after])
        if low > exact[0] + _CLOSE or high < exact[1] - _CLOSE:
            return None
        mid = min(max(nearest_step(values[i][0], step), step), high)  # some have failed: never 0
        points.append(
            ReleasedPoint(table.months[i], mid, low, high, ReleasedCount(table.followed[i]), told=step <= _NEAR)
        )
    return points


@dataclass(frozen=True)
class ToldTable:
    """What may be told of a curve: by half-year those followed; `changes` as (index, failures told up to there).

    `first` is the index by which the failures may first be told. `lead_months` is what the curve had before the first
    half-year, whose failures are not among those told.
    """

    months: tuple[int, ...]
    followed: tuple[int, ...]
    changes: tuple[tuple[int, int], ...]
    first: int
    lead_months: int


def told_table(gate: Gate, group: Group, *, clock: str = "", teeth: int | None = None) -> ToldTable | None:
    """The counts behind a curve, as they may be told; None where the failures never may."""
    told = told_half_years(gate, group.name, group.half_years, clock=clock, teeth=teeth)
    changes = [(i, n) for i, (_, _, n) in enumerate(told) if n is not None and n != told[i - 1][2]]
    if not changes:
        return None
    first = changes[0][0]
    # What failed after the last change is too little to be told by itself.
    changes[-1] = (len(told) - 1, gate.rounding.count(told[-1][0].failed) or 0)
    months, followed = tuple(h.months for h, _, _ in told), tuple(n for _, n, _ in told)
    return ToldTable(months, followed, tuple(changes), first, GRID_MONTHS // 2 if months[0] > 0 else 0)


def _values(table: ToldTable, wider: float) -> list[tuple[float, float, float]]:
    """Failed of 100 with its range at each half-year, from what may be told alone.

    The cumulative hazard of a stretch is its failures over the tooth-years in it, times its length; limits are those of
    a Poisson count on the logarithm of the cumulative hazard, its variance times `wider`, and a count may be off by
    `SLACK` besides.
    """
    out = [(0.0, 0.0, 0.0)]
    hazard, variance, told_before, begin = 0.0, 0.0, 0, 0
    for end, told in table.changes:
        lead = table.lead_months if begin == 0 else 0
        halves = [(a + b) / 2 for a, b in itertools.pairwise(table.followed[begin : end + 1])]
        exposed = sum(halves) * GRID_MONTHS / 12
        new = max(told - told_before, 1)
        rate = new / exposed
        before, spread = hazard + rate * lead / 12, variance
        for i in range(1, end - begin + 1):
            hazard = before + rate * i * GRID_MONTHS / 12
            length = i * GRID_MONTHS / 12 + lead / 12
            variance = spread + (rate * length) ** 2 / (new * i / (end - begin))
            away = _Z * math.sqrt(wider * variance) / hazard
            behind = max(SMALLEST, told_before + new * i / (end - begin))
            off = SLACK / behind
            low, high = hazard * math.exp(-away) * (1 - off), hazard * math.exp(away) * (1 + off)
            out.append((_of_100(hazard), _of_100(low), _of_100(high)))
        begin, told_before = end, told
    return out


def _of_100(hazard: float) -> float:
    return -100 * math.expm1(-hazard)


def _exact(group: Group, months: int, until: int) -> tuple[float, float]:
    """The lowest and the highest limit of the exact curve, of 100 failed, from one half-year to before the next."""
    limits = (0.0, 0.0)
    found = []
    for point in group.curve:
        if point.days <= _days(months):
            limits = (100 * (1 - point.ci_high), 100 * (1 - point.ci_low))
        elif point.days < _days(until):
            found.append((100 * (1 - point.ci_high), 100 * (1 - point.ci_low)))
    found.append(limits)
    return min(low for low, _ in found), max(high for _, high in found)


def _days(months: int) -> float:
    return months * DAYS_PER_YEAR / 12
