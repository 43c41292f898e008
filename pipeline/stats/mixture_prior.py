"""What others found as a prior for what one practice found: a mixture of normals that gives way where the two conflict.

The studies are put together by the normal hierarchical model: each has its own true value, these scatter around a
common mean by `tau`, and `tau` has a half-normal prior, so one study alone says something, and not too much. The
predicted value of one further study, this practice, is the meta-analytic-predictive prior [Neuenschwander 2010;
Schmidli 2014], here the exact mixture over a grid of `tau` in place of draws. A vague component, worth one unit of
information [Kass 1995; Volinsky 2000], makes it robust [Schmidli 2014]: where the practice's own figures lie far off,
that component gains the weight, and the others fade.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammainc, gammaincc, ndtr

from pipeline.stats.spells import Floats

_TAUS = 120  # values of tau; twice as many move no quantile of the worked examples in its third digit
_FARTHEST_TAU = 4.5  # of its scale: the half-normal leaves 7 in a million beyond
_BINS = 2400
_MANY = 30
_FAR = 9.0  # standard deviations beyond which nothing is looked for


@dataclass(frozen=True)
class Mixture:
    """Normal components by weight (adding up to 1), mean and standard deviation."""

    weights: Floats
    means: Floats
    sds: Floats

    @property
    def mean(self) -> float:
        """The mean of the whole."""
        return float(self.weights @ self.means)

    @property
    def sd(self) -> float:
        """The standard deviation of the whole."""
        return math.sqrt(float(self.weights @ (self.sds**2 + (self.means - self.mean) ** 2)))

    def cdf(self, value: float) -> float:
        """The probability of at most `value`."""
        return float(self.weights @ ndtr((value - self.means) / self.sds))

    def quantile(self, p: float) -> float:
        """The value with probability `p` (above 0, below 1) below it."""
        low, high = self.ends()
        return float(brentq(lambda x: self.cdf(x) - p, low, high, xtol=1e-12))

    def ends(self) -> tuple[float, float]:
        """Values beyond which next to nothing lies."""
        return float((self.means - _FAR * self.sds).min()), float((self.means + _FAR * self.sds).max())


@dataclass(frozen=True)
class Updated:
    """A prior after the practice's own figures. `vague` is the weight that its last, vague component now has."""

    mixture: Mixture
    vague: float


def predicted(
    estimates: Sequence[float],
    std_errors: Sequence[float],
    *,
    tau_scale: float,
    centre: tuple[float, float] | None = None,
) -> Mixture:
    """What studies with these estimates let one expect of one further study's true value.

    `tau_scale` is the scale of the half-normal prior of the standard deviation between studies; one study alone leaves
    it as it is. `centre` is the mean and standard deviation of a normal prior of the common mean, flat where None. The
    order of the studies changes no bit.

    Raises ValueError without a study, or where a value is not finite, or an error or the scale not above 0.
    """
    told = sorted(zip(estimates, std_errors, strict=True))
    if not told or not all(map(math.isfinite, (*estimates, *std_errors, tau_scale))):
        raise ValueError("give at least one estimate, each with its standard error, all finite")
    if min(*std_errors, tau_scale) <= 0:
        raise ValueError("standard errors and the scale must be above 0")
    y, v = (np.array(x) for x in zip(*told, strict=True))
    tau = (np.arange(_TAUS) + 0.5) * (_FARTHEST_TAU * tau_scale / _TAUS)
    variance = v[None, :] ** 2 + tau[:, None] ** 2
    if centre is not None:
        y = np.append(y, centre[0])
        variance = np.hstack([variance, np.full((_TAUS, 1), centre[1] ** 2)])
    w = 1 / variance
    total = w.sum(axis=1)
    mean = (w * y).sum(axis=1) / total
    log = -0.5 * (tau / tau_scale) ** 2
    log += 0.5 * np.log(w).sum(axis=1) - 0.5 * np.log(total) - 0.5 * (w * (y - mean[:, None]) ** 2).sum(axis=1)
    return Mixture(_shares(log), mean, np.sqrt(1 / total + tau**2))


def with_vague(prior: Mixture, *, weight: float, mean: float, sd: float) -> Mixture:
    """The prior with a last component that says next to nothing, of the given weight (above 0, below 1)."""
    if not (0 < weight < 1 and sd > 0):
        raise ValueError("the weight must lie between 0 and 1, the standard deviation above 0")
    return Mixture(
        np.append((1 - weight) * prior.weights, weight), np.append(prior.means, mean), np.append(prior.sds, sd)
    )


def updated(prior: Mixture, estimate: float, std_error: float) -> Updated:
    """The prior after an estimate with a normal error: each component by the rule of two normals, in closed form."""
    spread = prior.sds**2 + std_error**2
    with np.errstate(divide="ignore"):
        log = np.log(prior.weights) - 0.5 * np.log(spread) - 0.5 * (estimate - prior.means) ** 2 / spread
    weights = _shares(log)
    precision = prior.sds**-2 + std_error**-2
    means = (prior.means / prior.sds**2 + estimate / std_error**2) / precision
    return Updated(Mixture(weights, means, precision**-0.5), float(weights[-1]))


def updated_by_count(prior: Mixture, failures: float, exposure: float) -> Updated:
    """A prior of the logarithm of a rate after `failures` (0 included, parts allowed) in `exposure` (above 0).

    The likelihood is that of a Poisson count, as a normal error says nothing where none has failed and too little
    where few have. The result is a mixture of narrow normals, one a bin of the logarithm.
    """
    guess, spread = math.log((failures + 0.5) / exposure), (failures + 0.5) ** -0.5
    low, high = guess - _FAR * spread, guess + _FAR * spread
    if failures < _MANY:  # the likelihood falls so slowly to the left that a prior far off may hold the answer
        low, high = min(low, prior.ends()[0]), max(high, prior.ends()[1])
    edges = np.linspace(low, high, _BINS + 1)
    middle, step = (edges[1:] + edges[:-1]) / 2, float(edges[1] - edges[0])
    mass = np.diff(ndtr((edges[None, :] - prior.means[:, None]) / prior.sds[:, None]), axis=1)
    log = failures * middle - exposure * np.exp(np.minimum(middle, 50.0))
    likelihood = np.exp(log - log.max())
    by_component = prior.weights * (mass @ likelihood)
    at = (prior.weights @ mass) * likelihood
    keep = at > at.max() * 1e-15
    narrow = Mixture(at[keep] / at[keep].sum(), middle[keep], np.full(int(keep.sum()), step / math.sqrt(12)))
    return Updated(narrow, float(by_component[-1] / by_component.sum()))


def surprise(prior: Mixture, estimate: float, std_error: float) -> float:
    """How rarely the prior would give an estimate at least as far out, on either side [Box 1980]: a two-sided p."""
    below = Mixture(prior.weights, prior.means, np.sqrt(prior.sds**2 + std_error**2)).cdf(estimate)
    return min(1.0, 2 * min(below, 1 - below))


def surprise_by_count(prior: Mixture, failures: float, exposure: float) -> float:
    """`surprise` for a count: twice the smaller chance of so few or so many, at most 1."""
    low, high = prior.ends()
    edges = np.linspace(low, high, _BINS + 1)
    mass = prior.weights @ np.diff(ndtr((edges[None, :] - prior.means[:, None]) / prior.sds[:, None]), axis=1)
    expected = exposure * np.exp(np.minimum((edges[1:] + edges[:-1]) / 2, 50.0))
    few = float(mass @ gammaincc(failures + 1, expected))
    many = float(mass @ gammainc(failures, expected)) if failures > 0 else 1.0
    return min(1.0, 2 * min(few, many))


def effective_size(prior: Mixture, unit_sd: float) -> float:
    """How many units a prior is worth: the variance of one unit's error over that of the prior (method of moments).

    It is the cautious one of the usual measures. The expected local-information ratio [Neuenschwander 2020] follows the
    peak that the half-normal leaves where studies do not differ at all: one study of half a million teeth that 20 of
    ours are worth by moments would be worth 640 by it.
    """
    return (unit_sd / prior.sd) ** 2


def added_size(size: float, alone: float, together: float) -> float:
    """How many more of `size` units would have narrowed the range as much: by the variances alone and together.

    Never below 0: where the two conflict, a prior may widen the range.
    """
    return max(0.0, size * (alone / together - 1))


def _shares(log: NDArray[np.floating[Any]]) -> Floats:
    raw = np.exp(log - log.max())
    shares: Floats = raw / raw.sum()
    return shares
