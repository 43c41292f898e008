"""What a standardisation found: shares by state, differences between states, and each patient's pull on both."""

from dataclasses import dataclass, field

import numpy as np

from pipeline.stats.cox_kernel import Floats, Ints
from pipeline.stats.few_failures import NONE, Allowance, difference_limits
from pipeline.stats.limits import share_limits


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
    """Standardised shares failed by `day`, one a state; NaN where too few are observed until then.

    `influence` has each cluster's pull, state by cluster (each row's if the fit has no clusters). `at_risk` counts the
    fitted rows in the state, entry < day <= exit: where it is 0 the model speaks without data.
    """

    states: tuple[str, ...]
    day: int
    from_day: int
    failure: Floats
    at_risk: Ints
    influence: Floats = field(repr=False)

    @property
    def std_error(self) -> Floats:
        """Standard error by state; NaN where nothing pulls, as before the first failure."""
        error = np.sqrt(np.sum(self.influence**2, axis=-1))
        return np.where(error > 0, error, np.nan)

    def share(self, state: str, *, confidence: float = 0.95) -> tuple[float, float, float]:
        """The share failed in a state with its limits on the log-log scale."""
        place = self._places(state)
        failure = self.failure[place]
        low, high = share_limits(1 - failure, self.std_error[place], confidence=confidence)
        return float(failure[0]), float(1 - high[0]), float(1 - low[0])

    def difference(
        self, group: str, reference: str, *, allowance: Allowance = NONE, confidence: float = 0.95
    ) -> AdjustedDifference:
        """Difference of two states; see `make_difference`. Raises KeyError for an unknown state."""
        pair = self._places(group, reference)
        pulls = self.influence[pair]
        return make_difference(
            (group, reference),
            self.failure[pair],
            pulls @ pulls.T,
            days=(self.from_day, self.day),
            allowance=allowance,
            confidence=confidence,
        )

    def _places(self, *states: str) -> list[int]:
        unknown = [name for name in states if name not in self.states]
        if unknown:
            raise KeyError(f"Not standardised: {', '.join(unknown)}")
        return [self.states.index(name) for name in states]


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
