"""The survival model: how long crowns last and when a vital tooth needs endo. Used by every way of simulating.

Times are days since the seat. Continuous times are rounded up, so an event on day d happened within (d - 1, d].
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_data.truth import REFERENCE_AGE, REFERENCE_YEAR, Truth

Days = NDArray[np.int64]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

TEN_YEARS = 3652.5
YEAR = 365.25
NEVER = 1_000_000
GROUPS = ("anterior", "premolar", "molar")
MATERIALS = ("metal", "metal_ceramic", "zirconia", "glass_ceramic", "resin")


@dataclass(frozen=True)
class Covariates:
    """What acts on crown failure, one element a crown. `clinician` is -1 for a crown made elsewhere."""

    age: Floats
    year: Floats
    male: Flags
    smoker: Flags
    diabetes: Flags
    bruxism: Flags
    group: Ints
    material: Ints
    clinician: Ints


def log_hazard(truth: Truth, c: Covariates) -> Floats:
    """Log hazard ratio of each crown against the vital reference crown, frailty and endo left out."""
    groups = np.array([truth.log_hr_tooth_group[g] for g in GROUPS])
    materials = np.array([truth.log_hr_material[m] for m in MATERIALS])
    clinicians = np.array([*(x.log_hr for x in truth.clinicians), 0.0])
    return np.asarray(
        truth.log_hr_age_decade * (c.age - REFERENCE_AGE) / 10
        + truth.log_hr_year_decade * (c.year - REFERENCE_YEAR) / 10
        + truth.log_hr_male * c.male
        + truth.log_hr_smoker * c.smoker
        + truth.log_hr_diabetes * c.diabetes
        + truth.log_hr_bruxism * c.bruxism
        + groups[c.group]
        + materials[c.material]
        + clinicians[c.clinician]
    )


def draw_frailty(truth: Truth, rng: np.random.Generator, n: int) -> Floats:
    """Patient frailty, gamma with mean 1; all ones where the variance is 0."""
    v = truth.frailty_variance
    return rng.gamma(1 / v, v, n) if v > 0 else np.ones(n)


def access_day(
    truth: Truth, wait: Floats, hyperemic: Flags, root_filled: Flags, *, frailty: Floats, entry: Days
) -> Days:
    """Day on which a tooth seated vital comes to need endo, after `entry`; NEVER for a root-filled tooth.

    `wait` are draws of an exponential wait of mean 1.
    """
    rate = truth.need_per_year / YEAR * np.where(hyperemic, truth.hr_need_hyperemic, 1.0)
    rate = rate * frailty if truth.need_follows_frailty else rate
    return np.where(root_filled, NEVER, _whole(entry + wait / np.maximum(rate, 1e-12)))


def draw_failure(
    truth: Truth,
    rng: np.random.Generator,
    log_hr: Floats,
    frailty: Floats,
    root_filled: Flags,
    *,
    access: Days,
    entry: Days,
) -> Days:
    """Day of failure of each crown, given that it was in place and unopened on `entry`.

    The hazard is multiplied by `hr_before_seat` throughout for a root-filled tooth and after `access` by
    `hr_first_opened`, then by `hr_opened`. A failure that falls on the day of the opening came first: the crown was
    never opened.
    """
    multiplier = np.exp(log_hr) * frailty * np.where(root_filled, truth.hr_before_seat, 1.0)
    spent = cumulative(truth, entry) + rng.exponential(size=entry.size) / multiplier
    at_access = cumulative(truth, access)
    opened = spent > at_access
    after = _when_open(truth, access, np.where(opened, spent - at_access, 0.0))
    day = _whole(inverse(truth, np.where(opened, after, spent)))
    return np.where(opened, np.maximum(day, access + 1), day)


def opened_hazard(truth: Truth, access: Days | Floats, days: Days | Floats) -> Floats:
    """Cumulative hazard of the vital reference crown from an opening on day `access` to `days`."""
    pieces = _pieces(truth, access)
    total = np.zeros(np.broadcast(access, days).shape)
    for hr, start, end in pieces:
        total += hr * (cumulative(truth, np.minimum(end, days)) - cumulative(truth, np.minimum(start, days)))
    return total


def _when_open(truth: Truth, access: Days, hazard: Floats) -> Floats:
    """The unopened reference crown's cumulative hazard on the day by which an opened one has spent `hazard`."""
    reached, left = cumulative(truth, access), hazard
    for hr, start, end in _pieces(truth, access):
        at_start = cumulative(truth, start)
        spent = np.minimum(left, hr * (cumulative(truth, end) - at_start))
        reached = np.where(left > 0, at_start + spent / hr, reached)
        left = left - spent
    return reached


def _pieces(truth: Truth, access: Days | Floats) -> list[tuple[float, Floats, Floats]]:
    """The hazard ratios after an opening, each with the day on which it begins and the day on which it ends."""
    opened = np.asarray(access, dtype=np.float64)
    ends = [opened + days for days, _ in truth.hr_first_opened]
    ratios = [*(hr for _, hr in truth.hr_first_opened), truth.hr_opened]
    starts, last = [opened, *ends], np.full(opened.shape, np.inf)
    return list(zip(ratios, starts, [*ends, last], strict=True))


def cumulative(truth: Truth, days: Days | Floats) -> Floats:
    """Cumulative hazard of the vital reference crown from its seat to `days`."""
    span = np.maximum(days - truth.quiet_days, 0) / (TEN_YEARS - truth.quiet_days)
    return np.asarray(-np.log(truth.ten_year_survival) * span**truth.shape)


def inverse(truth: Truth, hazard: Floats) -> Floats:
    """Days at which the vital reference crown's cumulative hazard reaches `hazard`."""
    span = (hazard / -np.log(truth.ten_year_survival)) ** (1 / truth.shape)
    return np.asarray(truth.quiet_days + span * (TEN_YEARS - truth.quiet_days))


def _whole(days: Floats) -> Days:
    return np.minimum(np.ceil(days), NEVER).astype(np.int64)
