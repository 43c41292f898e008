"""Failure curves over several practices from their risk-set tables.

Within each stretch in which a practice's running count changes, its failures are spread over the half-years by the
tooth-years in them. Each half-year's rate is failures over tooth-years of all practices that reach it; the curve is one
minus the exponential of their sum, which ends where fewer than two practices reach. A practice counts up to the last
change of its running count, since later failures are not told.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.release.pool.contribution import Line
from pipeline.results import GRID_MONTHS
from pipeline.results.pooled import PooledPoint
from pipeline.stats.limits import z_value

FEWEST = 2


@dataclass(frozen=True)
class _Cell:
    """One half-year of one practice, from `months` on."""

    failures: float
    tooth_years: float
    followed: int


def pooled_curve(tables: Sequence[Sequence[Line]], *, confidence: float) -> tuple[tuple[PooledPoint, ...], float]:
    """The curve, and how much more practices spread around it than chance would have them (at least 1).

    Limits take counts of failures as Poisson, their variance widened by that spread, and are found on the square root
    of the cumulative hazard, on which such counts vary alike however few they are [1].
    The curve begins at the first half-year that two practices share.

    References
    ----------
    [1] Bartlett MS. The square root transformation in analysis of variance. Suppl J R Stat Soc 1936;3:68-78.
    """
    cells = [_cells(table) for table in tables]
    shared = sorted({m for c in cells for m in c})
    start = next((m for m in shared if sum(m in c for c in cells) >= FEWEST), None)
    if start is None:
        return (), 1.0
    months: list[int] = []
    while sum((start + GRID_MONTHS * len(months)) in c for c in cells) >= FEWEST:
        months.append(start + GRID_MONTHS * len(months))
    here = [[c[m] for c in cells if m in c] for m in months]
    rates = [math.fsum(x.failures for x in xs) / math.fsum(x.tooth_years for x in xs) for xs in here]
    spread = _spread(tables, dict(zip(months, rates, strict=True)))
    points = [PooledPoint(start, 0.0, 0.0, 0.0, sum(x.followed for x in here[0]), len(here[0]))]
    hazard, variance, width = 0.0, 0.0, GRID_MONTHS / 12
    for m, xs, after, rate in zip(months, here, [*here[1:], here[-1]], rates, strict=True):
        hazard += width * rate
        variance += spread * width**2 * rate / math.fsum(x.tooth_years for x in xs)
        mid, low, high = (100 * -math.expm1(-h) for h in (hazard, *_limits(hazard, variance, confidence)))
        points.append(PooledPoint(m + GRID_MONTHS, mid, low, high, sum(x.followed for x in after), len(xs)))
    return tuple(points), spread


def _cells(table: Sequence[Line]) -> dict[int, _Cell]:
    """Half-years by the month they begin, up to the last change of the running count."""
    out: dict[int, _Cell] = {}
    for first, last in _stretches(table):
        years = table[last].tooth_years - table[first].tooth_years
        failures = (table[last].failures or 0) - (table[first].failures or 0)
        for i in range(first, last):
            own = table[i + 1].tooth_years - table[i].tooth_years
            if own > 0:
                out[table[i].months] = _Cell(failures * own / years, own, table[i].followed)
    return out


def _stretches(table: Sequence[Line]) -> list[tuple[int, int]]:
    """The lines between which the running count changes."""
    changes = [i for i in range(1, len(table)) if table[i].failures != table[i - 1].failures]
    return list(zip([0, *changes[:-1]], changes, strict=True)) if changes else []


def _spread(tables: Sequence[Sequence[Line]], rates: dict[int, float]) -> float:
    """Squared gaps between counted and expected failures over the expected, a stretch of a practice being one cell."""
    squares, cells = [], 0
    for table in tables:
        for first, last in _stretches(table):
            inside = [i for i in range(first, last) if table[i].months in rates]
            if len(inside) < last - first:
                continue
            expected = math.fsum(
                rates[table[i].months] * (table[i + 1].tooth_years - table[i].tooth_years) for i in inside
            )
            counted = (table[last].failures or 0) - (table[first].failures or 0)
            if expected > 0:
                squares.append((counted - expected) ** 2 / expected)
                cells += 1
    freedom = cells - len(rates) / 2
    return max(1.0, math.fsum(squares) / freedom) if freedom >= 1 else 1.0


def _limits(hazard: float, variance: float, confidence: float) -> tuple[float, float]:
    """Limits of a cumulative hazard, which is above 0: half-years count only where a number of failures rises."""
    root = math.sqrt(hazard)
    away = z_value(confidence) * math.sqrt(variance) / (2 * root)
    return max(0.0, root - away) ** 2, (root + away) ** 2
