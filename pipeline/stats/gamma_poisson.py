"""Rates of several groups drawn towards one another: counts that are Poisson around rates that are gamma.

Group i has `observed` failures, Poisson with mean rate x `exposure`; the rates of the groups are a draw from a gamma
distribution with shape a and rate b (mean a / b). Given a and b a group's own rate is gamma again, with shape a +
observed and rate b + exposure: its mean lies between its raw rate and a / b, the nearer to the latter the less was seen
of it [Clayton 1987]. With few groups a and b are hardly known, and putting in their best values [Clayton 1987] would
make the ranges too narrow: so they are averaged over, on a grid of their own posterior distribution [Christiansen
1997].
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, gammainc, gammaln

from pipeline.stats.spells import Floats

# Log density of (a, b), up to a constant.
Prior = Callable[[Floats, Floats], Floats]
SHAPES, MEANS = 40, 21
# The grid of shapes, as multiples of the middle exposure in events, and the half width of that of means in errors.
LEAST, MOST, WIDTH = 0.002, 2000.0, 5.0
HALVINGS = 15
NOTHING = 5e-4
# Points of a distribution are sought so far below and above its mean, on the log scale.
DOWN, UP = 8.0, 3.0


@dataclass(frozen=True, eq=False)
class Shrunk:
    """Posterior mean and range of each group's rate, or of its ratio to the rate of the groups beside it."""

    mean: Floats
    low: Floats
    high: Floats


def uniform_shrinkage(exposure: ArrayLike, observed: ArrayLike) -> Prior:
    """The prior under which a group of middle size is drawn to the mean by any share between 0 and 1 alike.

    That share is a / (a + m) where m is the middle number of events expected of a group; the mean a / b may be anything
    on the log scale.
    Sources: Christiansen 1997. From memory.
    """
    middle = _middle(exposure, observed)

    def density(shape: Floats, rate: Floats) -> Floats:
        found: Floats = -2 * np.log(shape + middle) - np.log(rate)
        return found

    return density


def log_marginal(observed: ArrayLike, exposure: ArrayLike, shape: ArrayLike, rate: ArrayLike) -> Floats:
    """Log chance of all the counts given a and b: negative binomial, the sum over the groups on the last axis."""
    count, at = np.asarray(observed, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    a, b = (np.asarray(v, dtype=np.float64)[..., None] for v in (shape, rate))
    each = gammaln(count + a) - gammaln(a) - gammaln(count + 1) + a * np.log(b) + count * np.log(at)
    found: Floats = np.sum(each - (a + count) * np.log(b + at), axis=-1)
    return found


def shrink(
    observed: ArrayLike,
    exposure: ArrayLike,
    *,
    prior: Prior,
    beside: NDArray[np.bool_] | None = None,
    coverage: float = 0.95,
) -> Shrunk:
    """Posterior mean and equal-tailed range of each group's rate.

    `beside` (group by group) asks for ratios: row i marks the groups whose rate, weighted by their exposures, group i's
    is divided by. It is drawn to the mean too and its error counts; given a and b it is taken as gamma with its own
    mean and variance. Counts need not be whole. ValueError unless every exposure is above 0 and something was observed.
    """
    count, at = np.asarray(observed, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    if not (len(at) and (at > 0).all() and count.sum() > 0):
        raise ValueError("every exposure must be above 0, and something must have been observed")
    a, b, weight = _grid(count, at, prior)
    shape, rate = a[:, None] + count, b[:, None] + at
    tail = (1 - coverage) / 2
    if beside is None:
        mean = weight @ (shape / rate)
        ends = [_quantile(lambda x: gammainc(shape, rate * x), weight, mean, chance) for chance in (tail, 1 - tail)]
        return Shrunk(mean, *ends)
    part = beside * at / np.maximum((beside * at).sum(axis=1), 1e-300)[:, None]
    theirs = (shape / rate) @ part.T
    sure = theirs**2 / np.maximum((shape / rate**2) @ (part**2).T, 1e-300)
    scale = rate * theirs / sure
    # A gamma over a gamma: beta-prime. Its mean stands at the ratio of the means where the lower one could be 0.
    mean = weight @ (shape / scale / np.where(sure > 2, sure - 1, sure))
    ends = [
        _quantile(lambda x: betainc(shape, sure, 1 / (1 + 1 / (scale * x))), weight, mean, chance)
        for chance in (tail, 1 - tail)
    ]
    return Shrunk(mean, *ends)


def _middle(exposure: ArrayLike, observed: ArrayLike) -> float:
    at, count = np.asarray(exposure, dtype=np.float64), np.asarray(observed, dtype=np.float64)
    return float(np.median(at) * count.sum() / at.sum())


def _grid(count: Floats, at: Floats, prior: Prior) -> tuple[Floats, Floats, Floats]:
    """Points of (a, b) with their weights: shapes evenly on the log scale, means around the likely one of each."""
    shape = np.geomspace(LEAST, MOST, SHAPES) * max(_middle(at, count), 1.0)
    mean = np.full(SHAPES, count.sum() / at.sum())
    for _ in range(8):
        # The mean rate with each group weighted by how much it tells if the rates vary with this shape.
        tells = at / (1 + at * mean[:, None] / shape[:, None])
        mean = (tells @ (count / at)) / tells.sum(axis=1)
    error = 1 / np.sqrt(mean * (at / (1 + at * mean[:, None] / shape[:, None])).sum(axis=1))
    steps = np.linspace(-WIDTH, WIDTH, MEANS)
    a = np.repeat(shape, MEANS)
    b = a / (mean[:, None] * np.exp(steps * error[:, None])).ravel()
    log = log_marginal(count, at, a, b) + prior(a, b) + np.log(a) + np.log(b) + np.repeat(np.log(error), MEANS)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    # Points that together weigh next to nothing only cost time.
    order = np.argsort(-weight, kind="stable")
    keep = order[: int(np.searchsorted(np.cumsum(weight[order]), 1 - NOTHING)) + 1]
    return a[keep], b[keep], weight[keep] / weight[keep].sum()


def _quantile(below: Callable[[Floats], Floats], weight: Floats, middle: Floats, chance: float) -> Floats:
    """Where the mixture of distributions reaches `chance`, of each group, by halving on the log scale."""
    low, high = np.log(middle) - DOWN, np.log(middle) + UP
    for _ in range(HALVINGS):
        point = (low + high) / 2
        above = weight @ below(np.exp(point)) > chance
        low, high = np.where(above, low, point), np.where(above, point, high)
    found: Floats = np.exp((low + high) / 2)
    return found
