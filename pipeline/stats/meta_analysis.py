"""Estimates of several studies as one: random effects, how far the studies disagree, and what a further one may find.

Every sum is correctly rounded, so the order of the studies changes no figure by a single bit.
Sources: DerSimonian 1986; Paule 1982; Hartung 2001; Sidik 2002; Higgins 2009.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.optimize import brentq

from pipeline.stats.laws import chi2_quantile, chi2_upper, t_quantile, t_upper
from pipeline.stats.limits import z_value

Method = Literal["REML", "DL", "PM"]
_TIGHT = {"xtol": 1e-15, "rtol": 1e-14, "maxiter": 500}
_STEPS = 200


@dataclass(frozen=True)
class MetaAnalysis:
    """Studies pooled by random effects, on the scale of the estimates given.

    `low`, `high` and `p` are by Hartung and Knapp with the scale never below 1, so that studies which happen to agree
    do not make the interval narrower than the normal one; `plain_low` and `plain_high` let the scale fall below 1,
    `normal_low` and `normal_high` are the usual ones. `predicted_low` and `predicted_high` hold the true value of one
    further study like these. `q` tests whether the studies differ more than by chance (`q_p`, `studies` - 1 degrees of
    freedom), `i2` is the share of their spread that is not chance (0 to 1), `tau2` the variance between their true
    values, both with the Q-profile interval. The interval of a further study takes Student's t with `studies` - 1
    degrees of freedom; with two studies it says next to nothing. `weights` add up to 1, in the order given.
    """

    method: Method
    studies: int
    confidence: float
    estimate: float
    std_error: float
    normal_low: float
    normal_high: float
    plain_std_error: float
    plain_low: float
    plain_high: float
    low: float
    high: float
    p: float
    predicted_low: float
    predicted_high: float
    q: float
    q_p: float
    i2: float
    i2_low: float
    i2_high: float
    tau2: float
    tau2_low: float
    tau2_high: float
    weights: tuple[float, ...]


def meta_analysis(
    estimates: Sequence[float], std_errors: Sequence[float], *, method: Method = "REML", confidence: float = 0.95
) -> MetaAnalysis:
    """Pool estimates with their standard errors by random effects.

    Raises ValueError below two studies, where lengths differ, or where a value is not finite or an error not above 0.
    """
    y, v = _checked(estimates, std_errors)
    tau2 = between_variance(y, v, method=method)
    weights = [1 / (x + tau2) for x in v]
    total, mean = _sum(weights), _mean(y, weights)
    std_error = math.sqrt(1 / total)
    scale = math.sqrt(_cochran(y, v, tau2) / (len(y) - 1))
    quantile = float(t_quantile((1 + confidence) / 2, len(y) - 1))
    wide = std_error * max(1.0, scale)
    ahead = quantile * math.sqrt(wide**2 + tau2)
    normal, plain = z_value(confidence) * std_error, quantile * std_error * scale
    q = _cochran(y, v, 0.0)
    tau2_low, tau2_high = variance_limits(y, v, confidence=confidence)
    typical = _typical_variance(v)
    return MetaAnalysis(
        method=method,
        studies=len(y),
        confidence=confidence,
        estimate=mean,
        std_error=std_error,
        normal_low=mean - normal,
        normal_high=mean + normal,
        plain_std_error=std_error * scale,
        plain_low=mean - plain,
        plain_high=mean + plain,
        low=mean - quantile * wide,
        high=mean + quantile * wide,
        p=2 * float(t_upper(abs(mean) / wide, len(y) - 1)),
        predicted_low=mean - ahead,
        predicted_high=mean + ahead,
        q=q,
        q_p=float(chi2_upper(q, len(y) - 1)),
        i2=tau2 / (tau2 + typical),
        i2_low=tau2_low / (tau2_low + typical),
        i2_high=tau2_high / (tau2_high + typical),
        tau2=tau2,
        tau2_low=tau2_low,
        tau2_high=tau2_high,
        weights=tuple(w / total for w in weights),
    )


def leave_one_out(
    estimates: Sequence[float], std_errors: Sequence[float], *, method: Method = "REML", confidence: float = 0.95
) -> tuple[MetaAnalysis, ...]:
    """The pooled result without each study in turn, in their order; nothing below three studies."""
    if len(estimates) < 3:
        return ()
    return tuple(
        meta_analysis(
            [*estimates[:i], *estimates[i + 1 :]],
            [*std_errors[:i], *std_errors[i + 1 :]],
            method=method,
            confidence=confidence,
        )
        for i in range(len(estimates))
    )


def between_variance(y: Sequence[float], v: Sequence[float], *, method: Method) -> float:
    """The variance between the true values of studies with estimates `y` and variances `v`; never below 0."""
    if method == "DL":
        w = [1 / x for x in v]
        c = _sum(w) - _sum([x * x for x in w]) / _sum(w)
        return max(0.0, (_cochran(y, v, 0.0) - (len(y) - 1)) / c)
    if method == "PM":
        return _where_q_is(y, v, len(y) - 1.0)
    return _restricted_likelihood(y, v)


def variance_limits(y: Sequence[float], v: Sequence[float], *, confidence: float) -> tuple[float, float]:
    """The Q-profile interval of the variance between studies; an end at 0 where even 0 is too large.

    Sources: Viechtbauer 2007.
    """
    tail, df = (1 - confidence) / 2, len(y) - 1
    return _where_q_is(y, v, float(chi2_quantile(1 - tail, df))), _where_q_is(y, v, float(chi2_quantile(tail, df)))


def _restricted_likelihood(y: Sequence[float], v: Sequence[float]) -> float:
    """The variance that maximises the restricted likelihood, found on a grid and then by the slope's root.

    Sources: Viechtbauer 2005.
    """
    top = 4 * _upper(y, v)
    grid = [0.0, *(top * 10 ** (-8 + 8 * i / _STEPS) for i in range(_STEPS + 1))]
    at = max(range(len(grid)), key=lambda i: _log_likelihood(y, v, grid[i]))
    low, high = grid[max(0, at - 1)], grid[min(len(grid) - 1, at + 1)]
    if _slope(y, v, low) <= 0:
        return low
    return _root(lambda x: _slope(y, v, x), low, high) if _slope(y, v, high) < 0 else high


def _log_likelihood(y: Sequence[float], v: Sequence[float], tau2: float) -> float:
    """The restricted log likelihood, up to a constant."""
    w = [1 / (x + tau2) for x in v]
    return -0.5 * (_sum([-math.log(x) for x in w]) + math.log(_sum(w)) + _cochran(y, v, tau2))


def _slope(y: Sequence[float], v: Sequence[float], tau2: float) -> float:
    """Twice the derivative of the restricted log likelihood by the variance."""
    w = [1 / (x + tau2) for x in v]
    mean = _mean(y, w)
    spread = _sum([(a * (b - mean)) ** 2 for a, b in zip(w, y, strict=True)])
    return spread - _sum(w) + _sum([x * x for x in w]) / _sum(w)


def _where_q_is(y: Sequence[float], v: Sequence[float], wanted: float) -> float:
    """The variance at which the weighted spread, which falls with it, equals `wanted`; 0 where it starts below."""
    if _cochran(y, v, 0.0) <= wanted:
        return 0.0
    high = _upper(y, v)
    while _cochran(y, v, high) > wanted:
        high *= 2
    return _root(lambda x: _cochran(y, v, x) - wanted, 0.0, high)


def _cochran(y: Sequence[float], v: Sequence[float], tau2: float) -> float:
    w = [1 / (x + tau2) for x in v]
    mean = _mean(y, w)
    return _sum([a * (b - mean) ** 2 for a, b in zip(w, y, strict=True)])


def _typical_variance(v: Sequence[float]) -> float:
    w = [1 / x for x in v]
    return (len(v) - 1) * _sum(w) / (_sum(w) ** 2 - _sum([x * x for x in w]))


def _upper(y: Sequence[float], v: Sequence[float]) -> float:
    """Above any variance worth looking at: the square of the range of the estimates, or the largest variance."""
    return max((max(y) - min(y)) ** 2, *v)


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(brentq(function, low, high, **_TIGHT))


def _mean(y: Sequence[float], w: Sequence[float]) -> float:
    return _sum([a * b for a, b in zip(w, y, strict=True)]) / _sum(w)


def _sum(values: Sequence[float]) -> float:
    return math.fsum(values)


def _checked(estimates: Sequence[float], std_errors: Sequence[float]) -> tuple[list[float], list[float]]:
    if len(estimates) != len(std_errors) or len(estimates) < 2:
        raise ValueError("give at least two estimates, each with its standard error")
    if not all(map(math.isfinite, (*estimates, *std_errors))) or min(std_errors) <= 0:
        raise ValueError("estimates must be finite, standard errors finite and above 0")
    return [float(x) for x in estimates], [float(x) ** 2 for x in std_errors]
