"""Bias analysis of a yes or no that is sometimes recorded wrongly: the table that would have been seen without errors.

The simple analysis takes one sensitivity and one specificity for granted; the probabilistic one draws them from what is
believed of them, again and again, and so gives a range that holds the doubt about them beside chance.
Sources: Chu 2006.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from pipeline.stats.laws import beta_quantile

Floats = NDArray[np.float64]


class Prior(Protocol):
    """What is believed of a share between 0 and 1, as its quantile function."""

    def quantile(self, at: Floats) -> Floats:
        """The values below which the law has the shares `at`."""
        ...


@dataclass(frozen=True)
class Trapezoidal:
    """Every value from `flat_from` to `flat_to` equally likely, less so towards `low` and `high`, none beyond.

    With the flat part as wide as the whole it is uniform, without one triangular.
    Sources: Fox 2005.
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
class Beta:
    """A beta law: what `a` times yes and `b` times no would teach of a share, with `a` and `b` above 0."""

    a: float
    b: float

    def quantile(self, at: Floats) -> Floats:
        """The values below which the law has the shares `at`."""
        return np.asarray(beta_quantile(at, self.a, self.b), dtype=np.float64)


@dataclass(frozen=True)
class Table:
    """Cases and others, exposed and not. Cells are numbers, or arrays of one shape with a value a draw."""

    exposed_cases: ArrayLike
    cases: ArrayLike  # not exposed
    exposed_others: ArrayLike
    others: ArrayLike  # not exposed

    def cells(self) -> tuple[Floats, Floats, Floats, Floats]:
        """The four cells as arrays, cases first and exposed first."""
        a, b, c, d = (
            np.asarray(v, dtype=np.float64) for v in (self.exposed_cases, self.cases, self.exposed_others, self.others)
        )
        return a, b, c, d

    def log_odds_ratio(self) -> Floats:
        """Logarithm of the odds ratio."""
        a, b, c, d = np.log(self.cells())
        return np.asarray(a - b - c + d)

    def error(self) -> Floats:
        """Standard error of the log odds ratio: the root of the sum of one over each cell."""
        a, b, c, d = self.cells()
        return np.asarray(np.sqrt(1 / a + 1 / b + 1 / c + 1 / d))


@dataclass(frozen=True)
class Range:
    """Median and limits over draws."""

    median: float
    low: float
    high: float


@dataclass(frozen=True)
class Corrected:
    """The odds ratio: `systematic` holds the doubt about the errors alone, `total` chance as well.

    `impossible` draws would have needed cells below 0: they contradict what was seen, and are discarded.
    """

    systematic: Range
    total: Range
    impossible: int


def correct_table(seen: Table, sensitivity: ArrayLike, specificity: ArrayLike) -> Table:
    """The table that errors of this size would have turned into the one seen, on average [Lash 2009].

    With sensitivity S and specificity P, (seen - (1 - P) * all) / (S + P - 1) of each group are truly yes. A cell below
    0 says that the errors are impossible with what was seen: its whole table is NaN. So it is where S + P is not
    above 1, since a record that is wrong as often as right tells nothing.
    """
    a, b, c, d = seen.cells()
    one, other = (_true_yes(yes, yes + no, sensitivity, specificity) for yes, no in ((a, b), (c, d)))
    cells = [one, a + b - one, other, c + d - other]
    possible = np.all([np.greater_equal(cell, 0) for cell in cells], axis=0)
    return Table(*(np.where(possible, cell, np.nan) for cell in cells))


def draw_alike(
    one: Prior, other: Prior, *, correlation: float, n: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Draws of two shares whose normal scores are correlated; 1 is not differential.

    What makes a record good in one group makes it good in the other too: independent draws would overstate the gap.
    """
    if not -1 <= correlation <= 1:
        raise ValueError("a correlation lies between -1 and 1")
    first, second = rng.standard_normal((2, n))
    second = correlation * first + np.sqrt(1 - correlation**2) * second
    return one.quantile(ndtr(first)), other.quantile(ndtr(second))


def probabilistic(
    seen: Table,
    *,
    sensitivity: Prior,
    specificity: Prior,
    draws: int = 10_000,
    seed: int,
    confidence: float = 0.95,
) -> Corrected:
    """The odds ratio with doubt about the errors, and with chance added.

    The errors are the same in both groups: one draw serves both. For chance, the true shares are drawn from what the
    corrected table teaches of them, each group's records are reclassified by the chance of being right that follows,
    and a normal deviate times the error of the table so made is added. The error of the table as seen would be too
    small [Fox 2005], since correcting for errors makes chance count for more.

    Raises ValueError where every draw is impossible.
    """
    rng = np.random.default_rng(seed)
    # Two normals a draw, one of which goes unused.
    drawn = [draw_alike(p, p, correlation=1, n=draws, rng=rng)[0] for p in (sensitivity, specificity)]
    true = correct_table(seen, *drawn)
    possible = np.all([cell > 0 for cell in true.cells()], axis=0)
    kept = int(possible.sum())
    if not kept:
        raise ValueError("no draw of the errors fits what was seen")
    true = Table(*(cell[possible] for cell in true.cells()))
    log = true.log_odds_ratio()
    noise = rng.standard_normal(kept)
    made = _reclassify(seen, true, drawn[0][possible], drawn[1][possible], rng)
    total = made.log_odds_ratio() - noise * made.error()
    return Corrected(
        systematic=range_of(np.exp(log), confidence=confidence),
        total=range_of(np.exp(total), confidence=confidence),
        impossible=draws - kept,
    )


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


def _true_yes(seen: Floats, all_of: Floats, sensitivity: ArrayLike, specificity: ArrayLike) -> Floats:
    right = np.asarray(sensitivity, dtype=np.float64) + np.asarray(specificity, dtype=np.float64) - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        yes = (seen - (1 - np.asarray(specificity)) * all_of) / right
    return np.where(right > 0, yes, np.nan)


def _reclassify(seen: Table, true: Table, S: Floats, P: Floats, rng: np.random.Generator) -> Table:
    """Records after reclassification, one draw for each pair of errors."""
    a, b, c, d = (int(cell) for cell in seen.cells())
    true_a, true_b, true_c, true_d = true.cells()
    cells: list[Floats] = []
    for yes, no, truth in ((a, b, (true_a, true_b)), (c, d, (true_c, true_d))):
        share = rng.beta(*truth)
        right_yes = S * share / (S * share + (1 - P) * (1 - share))
        right_no = P * (1 - share) / (P * (1 - share) + (1 - S) * share)
        found = rng.binomial(yes, right_yes) + rng.binomial(no, 1 - right_no)
        cells += [found.astype(np.float64), (yes + no - found).astype(np.float64)]
    # A cell that chance empties has no logarithm: half a record, as tables with an empty cell are commonly given.
    return Table(*(np.maximum(cell, 0.5) for cell in cells))
