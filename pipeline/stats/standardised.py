"""What a standardisation found: curves by state, differences between states, and each patient's pull on both."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import polars as pl

from pipeline.stats.cox_kernel import Floats, Ints
from pipeline.stats.few_failures import NONE, Allowance, difference_limits
from pipeline.stats.limits import share_limits
from pipeline.stats.standard_layout import Layout

Unobserved = Literal["borrow", "leave_out"]


@dataclass(frozen=True)
class ThinStratum:
    """A stratum with too few at risk on some failure day of the window, and what was done about it.

    `first_thin_day` is the first such day, `crowns` the crowns of the target in the stratum. `ratio` is the stratum's
    observed over expected failures, by which what it borrows is scaled; 1 if it has none; None if left out.
    """

    stratum: Any
    crowns: int
    first_thin_day: int
    rule: Unobserved
    ratio: float | None


@dataclass(frozen=True)
class AdjustedDifference:
    """Failures per 100 by `day` among crowns in place on `from_day`: `group` minus `reference`.

    Above 0 means that `group` fails more. Error, limits and p are NaN where there is no error to be had.
    """

    group: str
    reference: str
    day: int
    from_day: int
    per_100: float
    std_error: float
    low: float
    high: float
    p: float
    confidence: float


@dataclass(frozen=True, eq=False)
class Standardised:
    """Standardised shares failed. Arrays run state by day (`states`, `days`); NaN past the last day observed.

    `influence` has each cluster's pull last (each row's if the fit has no clusters). `at_risk` counts the fitted rows
    in the state, entry < day <= exit: where it is 0 the model speaks without data. `crowns` are those of the target
    that are used; `thin` lists strata that needed a rule.
    """

    states: tuple[str, ...]
    days: Ints
    from_day: int
    failure: Floats
    at_risk: Ints
    crowns: int
    thin: tuple[ThinStratum, ...]
    influence: Floats = field(repr=False)
    layout: Layout = field(repr=False)

    @property
    def std_error(self) -> Floats:
        """Standard error, state by day; NaN where nothing pulls, as before the first failure."""
        return _errors(self.influence)

    def curves(self, *, confidence: float = 0.95) -> pl.DataFrame:
        """One row per state and day: `state, time_days, at_risk, failure, std_error, lower, upper` (log-log limits)."""
        survival, error = 1 - self.failure, self.std_error
        low, high = share_limits(survival, error, kind="log-log", confidence=confidence)
        shape = self.failure.shape
        frame = pl.DataFrame(
            {
                "state": np.repeat(np.array(self.states), shape[1]),
                "time_days": np.tile(self.days, shape[0]),
                "at_risk": self.at_risk.ravel(),
                "failure": self.failure.ravel(),
                "std_error": error.ravel(),
                "lower": (1 - high).ravel(),
                "upper": (1 - low).ravel(),
            }
        )
        return frame.with_columns(pl.col(pl.Float64).fill_nan(None))

    def difference(
        self, group: str, reference: str, *, day: int, allowance: Allowance = NONE, confidence: float = 0.95
    ) -> AdjustedDifference:
        """Difference at one of `days`; see `make_difference`. Raises KeyError for an unknown state or day."""
        one, other, column = self.place(group, reference, day=day)
        pulls = self.influence[[one, other], column]
        return make_difference(
            (group, reference),
            self.failure[[one, other], column],
            pulls @ pulls.T,
            days=(self.from_day, day),
            allowance=allowance,
            confidence=confidence,
        )

    def contrast(self, group: str, reference: str, *, day: int) -> tuple[float, Floats]:
        """Difference in the share failed, and each cluster's pull on it."""
        one, other, column = self.place(group, reference, day=day)
        return (
            float(self.failure[one, column] - self.failure[other, column]),
            self.influence[one, column] - self.influence[other, column],
        )

    def place(self, *states: str, day: int) -> tuple[int, ...]:
        """Index of each state, then of the day, in the arrays."""
        unknown = [name for name in states if name not in self.states]
        if unknown or day not in self.days:
            raise KeyError(f"Not standardised: {', '.join([*unknown, f'day {day}'])}")
        return (*(self.states.index(name) for name in states), int(np.searchsorted(self.days, day)))


def make_difference(
    states: tuple[str, str],
    shares: Floats,
    cov: Floats,
    *,
    days: tuple[int, int],
    allowance: Allowance,
    confidence: float,
) -> AdjustedDifference:
    """The first state's share failed minus the second's, from their covariance; `days` are from and to.

    The standard error is that of the sample, times what the allowance asks; see `difference_limits` for the limits.
    """
    estimate = float(shares[0] - shares[1])
    square = float(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])
    error = float(np.sqrt(square)) if np.isfinite(estimate) and square > 0 else np.nan
    low, high = difference_limits(shares, cov, allowance, confidence=confidence) if error > 0 else (np.nan, np.nan)
    return AdjustedDifference(
        group=states[0],
        reference=states[1],
        day=days[1],
        from_day=days[0],
        per_100=100 * estimate,
        std_error=100 * allowance.larger * error,
        low=100 * low,
        high=100 * high,
        p=allowance.p(estimate, error),
        confidence=confidence,
    )


def _errors(influence: Floats) -> Floats:
    error = np.sqrt(np.sum(influence**2, axis=-1))
    return np.where(error > 0, error, np.nan)
