"""Survival from interval-censored times: what is known of each is only that it lies between two looks.

Taking the look at which a thing was first seen as the day on which it happened puts it too late, and leaving out what
was never seen to happen makes it too common. The nonparametric maximum likelihood estimate uses just what is known.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import isotonic_regression

from pipeline.stats.spells import Floats, Ints

# How far the log likelihood may lie below its maximum; a bound on that distance is known at every step.
GAP = 1e-9
_MOST_STEPS = 5000
_HALVINGS = 30


@dataclass(frozen=True, eq=False)
class Turnbull:
    """Where the chance lies: `mass` in each innermost interval `(left, right]`, the last of which may have no end.

    Within an interval the estimate says nothing of where the chance lies. `gap` is a bound on how far the log
    likelihood lies below its maximum.
    """

    left: Floats
    right: Floats
    mass: Floats
    log_likelihood: float
    gap: float

    def by(self, times: ArrayLike) -> Floats:
        """The chance of having happened by each time, spread evenly within intervals; none of the endless one."""
        t = np.asarray(times, dtype=np.float64)[..., None]
        width = np.where(self.right > self.left, self.right - self.left, 1.0)
        part = np.where(self.right > self.left, np.clip((t - self.left) / width, 0, 1), t >= self.left)
        return np.asarray(np.where(np.isinf(self.right), 0.0, part) @ self.mass)

    def at_least(self, times: ArrayLike) -> Floats:
        """The least that the estimate allows by each time: all chance lies at the end of its interval."""
        t = np.asarray(times, dtype=np.float64)[..., None]
        return np.asarray((self.right <= t) @ self.mass)

    def at_most(self, times: ArrayLike) -> Floats:
        """The most that the estimate allows by each time: all chance lies at the start of its interval.

        None of the endless one: after its start there is no most.
        """
        t = np.asarray(times, dtype=np.float64)[..., None]
        begun = np.where(self.right > self.left, self.left < t, self.left <= t)
        return np.asarray(np.where(np.isinf(self.right), False, begun) @ self.mass)


def turnbull(left: ArrayLike, right: ArrayLike, *, weight: ArrayLike | None = None, enough: float = GAP) -> Turnbull:
    """The nonparametric maximum likelihood estimate for times in `(left, right]` [Peto 1973; Turnbull 1976].

    `right` is infinite where the thing was never seen to happen; where both are equal the time is known. `weight`
    counts each row so often; rows of weight 0 are left out. The order of the rows changes nothing beyond rounding.

    Chance can only lie in the innermost intervals: from a left end to the next right end with no other end between.
    What lies in each is found by EM steps (self-consistency [Turnbull 1976]) in turn with steps of the iterative convex
    minorant, halved until they raise the likelihood [Wellner 1997]; the pair converges to the maximum. It ends when the
    largest directional derivative proves that no more than `enough` can be gained.

    Raises ValueError without rows, for a left end after its right end, a negative left end or weight, or a NaN.
    """
    from_, to, w = _checked(left, right, weight)
    starts, ends, first, last = _innermost(from_, to)
    total, cells = float(w.sum()), len(starts)
    mass = np.full(cells, 1 / cells)
    for step in range(_MOST_STEPS):
        pull = _pull(mass, first, last, w)
        gap = float(pull.max()) - total
        if gap <= enough or cells == 1:
            break
        mass = mass * pull / total
        if step % 2 == 0 or cells < 3:
            mass = _convex_minorant(mass, first, last, w)
    mass = np.maximum(mass, 0) / mass.sum()
    likelihood = float(w @ np.log(_chance(mass, first, last)))
    gap = max(float(_pull(mass, first, last, w).max()) - total, 0.0)
    kept = mass > 0
    return Turnbull(starts[kept], ends[kept], mass[kept], likelihood, gap)


def _checked(left: ArrayLike, right: ArrayLike, weight: ArrayLike | None) -> tuple[Floats, Floats, Floats]:
    a, b = (np.asarray(x, dtype=np.float64) for x in (left, right))
    w = np.ones(len(a)) if weight is None else np.asarray(weight, dtype=np.float64)
    if not len(a) == len(b) == len(w):
        raise ValueError(f"{len(a)} left ends, {len(b)} right ends, {len(w)} weights: as many of each are needed.")
    if not (np.all(a >= 0) and np.all(b >= a) and np.all(np.isfinite(a)) and np.all(w >= 0)):
        raise ValueError("Left ends must be finite, not negative and not after right ends; weights not negative.")
    order = np.lexsort((b, a))
    order = order[w[order] > 0]
    if not len(order):
        raise ValueError("No rows: an estimate needs at least one.")
    a, b, w = a[order], b[order], w[order]
    # Rows alike are one with their weights added up, so that their order is gone before anything is summed.
    is_new = np.concatenate([[True], (a[1:] != a[:-1]) | (b[1:] != b[:-1])])
    return a[is_new], b[is_new], np.bincount(np.cumsum(is_new) - 1, weights=w).astype(np.float64)


def _innermost(left: Floats, right: Floats) -> tuple[Floats, Floats, Ints, Ints]:
    """Starts and ends of the innermost intervals, and the first and the last that lie within each row's own.

    At one time, what is known exactly begins before what ends there, and what is open begins after it.
    """
    exact = left == right
    times = np.unique(np.concatenate([left, right]))
    begins = 3 * np.searchsorted(times, left) + np.where(exact, 0, 2)
    stops = 3 * np.searchsorted(times, right) + 1
    keys = np.unique(np.concatenate([2 * begins, 2 * stops + 1]))
    is_stop = keys % 2 == 1
    inner = np.flatnonzero(~is_stop[:-1] & is_stop[1:])
    cell_begins, cell_stops = keys[inner] // 2, keys[inner + 1] // 2
    first = np.searchsorted(cell_begins, begins).astype(np.int64)
    last = np.searchsorted(cell_stops, stops, side="right").astype(np.int64) - 1
    return times[cell_begins // 3], times[cell_stops // 3], first, last


def _chance(mass: Floats, first: Ints, last: Ints) -> Floats:
    upto = np.concatenate([[0.0], np.cumsum(mass)])
    return np.asarray(upto[last + 1] - upto[first])


def _pull(mass: Floats, first: Ints, last: Ints, w: Floats) -> Floats:
    """How much the log likelihood gains with the chance in each interval."""
    each = w / np.maximum(_chance(mass, first, last), 1e-300)
    change = np.bincount(first, each, len(mass) + 1) - np.bincount(last + 1, each, len(mass) + 1)
    return np.asarray(np.cumsum(change)[:-1])


def _convex_minorant(mass: Floats, first: Ints, last: Ints, w: Floats) -> Floats:
    """One step towards the isotonic regression that the likelihood looks like at `mass`, halved until it gains."""
    cells = len(mass)
    if cells < 2:
        return mass
    chance = _chance(mass, first, last)
    one, two = w / chance, w / chance**2
    inner = slice(1, cells)  # where the distribution function may move; it is 0 before and 1 after all
    slope = (np.bincount(last + 1, one, cells + 1) - np.bincount(first, one, cells + 1))[inner]
    curve = (np.bincount(last + 1, two, cells + 1) + np.bincount(first, two, cells + 1))[inner]
    now = np.cumsum(mass)[:-1]
    aim = np.clip(isotonic_regression(now + slope / curve, weights=curve).x, 0.0, 1.0)
    here, reach = float(w @ np.log(chance)), 1.0
    for _ in range(_HALVINGS):
        tried = np.diff(np.concatenate([[0.0], now + reach * (aim - now), [1.0]]))
        there = _chance(tried, first, last)
        if np.all(there > 0) and float(w @ np.log(there)) > here:
            return np.maximum(tried, 0.0)
        reach /= 2
    return mass
