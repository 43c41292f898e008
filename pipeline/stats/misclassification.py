"""Bias analysis of a yes or no that is sometimes recorded wrongly: the table that would have been seen without errors.

The simple analysis takes one sensitivity and one specificity for granted; the probabilistic one draws them from what is
believed of them, again and again, and so gives a range that holds the doubt about them beside chance.

References
----------
[1] Lash TL, Fox MP, Fink AK. Applying Quantitative Bias Analysis to Epidemiologic Data. Springer, 2009.
[2] Fox MP, Lash TL, Greenland S. A method to automate probabilistic sensitivity analyses of misclassified binary
    variables. Int J Epidemiol 2005;34:1370-1376 (from memory).
[3] Chu H, Wang Z, Cole SR, Greenland S. Sensitivity analysis of misclassification: a graphical and a Bayesian approach.
    Ann Epidemiol 2006;16:834-841 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]


class Prior(Protocol):
    """What is believed of a share between 0 and 1, as its quantile function."""

    def quantile(self, at: Floats) -> Floats:
        """The values below which the law has the shares `at`."""
        ...


@dataclass(frozen=True)
class Trapezoidal:
    """Every value from `flat_from` to `flat_to` equally likely, less so towards `low` and `high`, none beyond [2].

    With the flat part as wide as the whole it is uniform, without one triangular.
    """

    low: float
    flat_from: float
    flat_to: float
    high: float

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.flat_from <= self.flat_to <= self.high <= 1 or self.low == self.high:
            raise ValueError("a trapezoid needs four rising values between 0 and 1")

    def quantile(self, at: Floats) -> Floats:
        """The values below which the law has the shares `at`."""
        low, one, two, high = self.low, self.flat_from, self.flat_to, self.high
        height = 2 / (high + two - low - one)
        left, right = height * (one - low) / 2, height * (high - two) / 2
        at = np.asarray(at, dtype=np.float64)
        rising = low + np.sqrt(np.maximum(2 * at * (one - low) / height, 0))
        falling = high - np.sqrt(np.maximum(2 * (1 - at) * (high - two) / height, 0))
        return np.where(at < left, rising, np.where(at > 1 - right, falling, one + (at - left) / height))


@dataclass(frozen=True)
class Range:
    """Median and limits over draws."""

    median: float
    low: float
    high: float


def draw_alike(
    one: Prior, other: Prior, *, correlation: float, n: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Draws of two shares whose normal scores are correlated.

    What makes a record good in one group makes it good in the other too, so drawing both independently would
    pretend that errors differ between the groups more than anyone believes. A correlation of 1 is not differential.
    """
    if not -1 <= correlation <= 1:
        raise ValueError("a correlation lies between -1 and 1")
    first, second = rng.standard_normal((2, n))
    second = correlation * first + np.sqrt(1 - correlation**2) * second
    return one.quantile(ndtr(first)), other.quantile(ndtr(second))


def range_of(draws: Floats, *, confidence: float = 0.95) -> Range:
    """Median and percentile limits of draws; NaN without any, or where a draw has no value."""
    if not len(draws):
        return Range(np.nan, np.nan, np.nan)
    tail = 50 * (1 - confidence)
    median, low, high = (float(v) for v in np.percentile(draws, [50, tail, 100 - tail]))
    return Range(median, low, high)


def unseen_of(seen: int, sensitivity: Floats, rng: np.random.Generator) -> NDArray[np.int64]:
    """How many more there were than the `seen`, one draw for each sensitivity, where nothing is seen wrongly.

    The unseen before the last of `seen` was met: a negative binomial law, whose mean is seen * (1 - S) / S. None are
    drawn where none was seen, since nothing then tells how many there are.
    """
    if seen <= 0:
        return np.zeros(len(sensitivity), dtype=np.int64)
    return np.asarray(rng.negative_binomial(seen, np.clip(sensitivity, 1e-9, 1.0)), dtype=np.int64)
