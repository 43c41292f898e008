"""How many failures a comparison of two groups needs, and how many a practice may expect to see by a day to come."""

import math

from scipy.special import ndtri

from pipeline.stats.limits import z_value


def information_needed(hazard_ratio: float, *, power: float = 0.8, confidence: float = 0.95) -> float:
    """Information on the log hazard ratio (1 / variance) that finds this ratio with `power`.

    It is ((z + z) / log ratio)^2, and a failure brings share * (1 - share) of it, `share` being that of one group among
    those at risk [Schoenfeld 1983]. Raises ValueError for a ratio of 1, or one that is not above 0: no number of
    failures shows no difference.
    """
    if not hazard_ratio > 0 or hazard_ratio == 1:
        raise ValueError("the hazard ratio must be above 0 and not 1")
    if not 0.5 <= power < 1:
        raise ValueError("power must lie between 0.5 and 1")
    return ((z_value(confidence) + float(ndtri(power))) / math.log(hazard_ratio)) ** 2


def ratio_of_shares(reference: float, group: float) -> float:
    """Hazard ratio of two survival shares at one time, under proportional hazards: log(group) / log(reference)."""
    if not (0 < reference < 1 and 0 < group < 1):
        raise ValueError("both shares must lie between 0 and 1")
    return math.log(group) / math.log(reference)


def expected_failures(*, followed: float, arrivals: float, failing: float, leaving: float, after: float) -> float:
    """Failures to be seen within `after` years, under constant rates.

    - `followed`: Teeth under observation now.
    - `arrivals`: Teeth that come under observation per year, evenly.
    - `failing`, `leaving`: Failures, and other ends of observation, per tooth-year.
    """
    if min(followed, arrivals, failing, leaving, after) < 0:
        raise ValueError("numbers, rates and time must not be negative")
    total = failing + leaving
    # Tooth-years of one tooth there from now on, and of arrivals of one a year.
    if total == 0:
        of_one, of_arrivals = after, after**2 / 2
    else:
        of_one = -math.expm1(-total * after) / total
        of_arrivals = (after - of_one) / total
    return failing * (followed * of_one + arrivals * of_arrivals)
