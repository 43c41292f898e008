"""What a comparison of this size could have seen: the smallest difference it would find with a given power."""

from scipy.special import ndtri

from pipeline.stats.limits import z_value


def detectable_difference(std_error: float, *, power: float = 0.8, confidence: float = 0.95) -> float:
    """Smallest true difference that a two-sided test would find with `power`: (z for alpha + z for power) * error.

    With the defaults 2.80 standard errors [Julious 2004]. The error is the one achieved, on whatever scale the
    difference has: a share, days, or a log hazard ratio. The other tail is left out, as is usual; `power_at` counts it.
    """
    if not std_error >= 0:
        raise ValueError("std_error must not be negative or missing")
    if not 0.5 <= power < 1:
        raise ValueError("power must lie between 0.5 and 1")
    return (z_value(confidence) + float(ndtri(power))) * std_error
