"""What a run found of the states that crowns pass through: shares between 0 and 1, days integers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

VITAL, OPENED, LOST = "vital", "opened", "lost"
STATES = (VITAL, OPENED, LOST)
SHOWN_YEARS = (1.0, 5.0, 10.0)


@dataclass(frozen=True)
class StatePoint:
    """Crowns seated vital, `years` after the seat: a number for each of `STATES`, in their order; shares sum to 1.

    `followed` counts crowns still followed beyond that day, vital and opened.
    """

    years: float
    followed: tuple[int, int]
    share: tuple[float, float, float]
    ci_low: tuple[float, float, float]
    ci_high: tuple[float, float, float]

    @property
    def per_100(self) -> tuple[int, int, int]:
        """Whole crowns of 100 in each state; they sum to 100."""
        vital, opened, lost = whole_parts(self.share)
        return vital, opened, lost


@dataclass(frozen=True)
class CrownStates:
    """What became of crowns seated on a living tooth.

    `opened` crowns were opened later, `lost` failed, `lost_opened` of them after the opening. `starts_at_days` is 0, or
    the day after the seat from which enough are followed: then of crowns in place and unopened on that day. `points`
    run by quarters of a year up to 10 years, or as far as enough crowns are followed (`stops_early`); `told` are the
    years of `SHOWN_YEARS` that they reach.
    """

    crowns: int
    patients: int
    opened: int
    lost: int
    lost_opened: int
    starts_at_days: int
    points: tuple[StatePoint, ...]
    told: tuple[float, ...]
    stops_early: bool

    def at(self, years: float) -> StatePoint | None:
        """The point at a number of years, if it is given."""
        return next((p for p in self.points if p.years == years), None)


def whole_parts(shares: Sequence[float], total: int = 100) -> tuple[int, ...]:
    """Shares of 1 as whole numbers that sum to `total`: each rounded down, the rest to those that lost most by it.

    Of equal remainders the earlier share goes first.
    """
    exact = [total * share / sum(shares) for share in shares]
    # A hair below a whole number is that number: 0.29 * 100 is 28.999999999999996.
    down = [math.floor(value + 1e-9) for value in exact]
    order = sorted(range(len(exact)), key=lambda i: (round(down[i] - exact[i], 9), i))
    for i in order[: total - sum(down)]:
        down[i] += 1
    return tuple(down)
