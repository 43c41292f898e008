"""The E-value: how strongly something unmeasured would have to be tied to both sides to explain a hazard ratio away."""

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class EValue:
    """Risk ratios of at least this size, with the exposure and with the outcome, could explain the result away.

    `estimate` is for the hazard ratio itself, `limit` for the confidence limit nearer to 1: 1 where the interval holds
    1, since nothing then needs explaining.
    """

    estimate: float
    limit: float


def e_value(hazard_ratio: float, ci_low: float, ci_high: float, *, outcome_is_rare: bool) -> EValue:
    """E-value of a hazard ratio with its limits [VanderWeele 2017].

    A hazard ratio stands for a risk ratio where the outcome is rare, under some 15% by the end of follow-up; otherwise
    it is turned into one by RR = (1 - 0.5^sqrt(HR)) / (1 - 0.5^sqrt(1/HR)).

    Raises ValueError unless 0 < ci_low <= hazard_ratio <= ci_high.
    """
    if not 0 < ci_low <= hazard_ratio <= ci_high < math.inf:
        raise ValueError("a hazard ratio above 0 inside its limits is needed")
    ratio, low, high = (_risk_ratio(value, rare=outcome_is_rare) for value in (hazard_ratio, ci_low, ci_high))
    nearer = low if ratio > 1 else high
    holds_one = ci_low <= 1 <= ci_high
    return EValue(estimate=_bound(ratio), limit=1.0 if holds_one else _bound(nearer))


def _risk_ratio(hazard_ratio: float, *, rare: bool) -> float:
    if rare:
        return hazard_ratio
    return (1 - math.pow(0.5, math.sqrt(hazard_ratio))) / (1 - math.pow(0.5, math.sqrt(1 / hazard_ratio)))


def _bound(risk_ratio: float) -> float:
    ratio = max(risk_ratio, 1 / risk_ratio)
    return ratio + math.sqrt(ratio * (ratio - 1))
