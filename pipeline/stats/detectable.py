"""What a comparison of this size could have seen: the smallest difference it would find with a given power."""

from __future__ import annotations

import math

from scipy.special import ndtr, ndtri

from pipeline.stats.limits import z_value


def detectable_difference(std_error: float, *, power: float = 0.8, confidence: float = 0.95) -> float:
    """Smallest true difference that a two-sided test would find with `power`: (z for alpha + z for power) * error.

    With the defaults 2.80 standard errors [1]. The error is the one achieved, on whatever scale the difference has: a
    share, days, or a log hazard ratio. The other tail is left out, as is usual; `power_at` counts it.

    References
    ----------
    [1] Julious SA. Sample sizes for clinical trials with normal data. Stat Med 2004;23:1921-1986.
    """
    if not std_error >= 0:
        raise ValueError("std_error must not be negative or missing")
    if not 0.5 <= power < 1:
        raise ValueError("power must lie between 0.5 and 1")
    return (z_value(confidence) + float(ndtri(power))) * std_error


def power_at(difference: float, std_error: float, *, confidence: float = 0.95) -> float:
    """Chance that a two-sided test finds a true difference of this size, in either direction."""
    if not std_error > 0:
        raise ValueError("std_error must be above 0")
    z = z_value(confidence)
    return float(ndtr(difference / std_error - z) + ndtr(-difference / std_error - z))


def detectable_ratio(std_error_of_log: float, *, power: float = 0.8, confidence: float = 0.95) -> float:
    """The detectable difference of a log hazard ratio as a ratio above 1; its inverse is detectable below 1."""
    return math.exp(detectable_difference(std_error_of_log, power=power, confidence=confidence))
