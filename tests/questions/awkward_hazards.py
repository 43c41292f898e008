"""Practices whose hazards break one assumption of a Cox model at a time, with their truth.

Baseline: Weibull since the seat. An opening multiplies the hazard by `first` for `days` days and by `later` after that.
`frail` is the variance of a gamma frailty of the patient, which multiplies the hazard of failing and, with
`frail_need`, the rate of openings: then the frail are opened more, and nothing recorded tells.
"""

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np
import polars as pl

YEAR = 365.25
START = dt.date(2005, 1, 1)
SPAN = 18 * YEAR
TEETH = {"anterior": 11, "premolar": 14, "molar": 16}


@dataclass(frozen=True)
class Awkward:
    """What a practice is told; rates per year, shares between 0 and 1."""

    first: float = 1.0
    later: float = 1.0
    days: float = YEAR
    shape: float = 1.2
    ten_year_loss: float = 0.14
    need: float = 0.012
    before: float = 0.3
    hr_before: float = 1.0
    frail: float = 0.0
    frail_need: bool = False
    leave: float = 0.04

    def cumulative(self, days):
        """Cumulative hazard of a crown that nothing multiplies."""
        return -math.log(1 - self.ten_year_loss) * (np.maximum(days, 0) / (10 * YEAR)) ** self.shape

    def inverse(self, hazard):
        """The day on which it reaches `hazard`."""
        return 10 * YEAR * (hazard / -math.log(1 - self.ten_year_loss)) ** (1 / self.shape)

    def after(self, opening, days):
        """Hazard gathered in the `days` after an opening on day `opening`."""
        mid = opening + np.minimum(days, self.days)
        at = self.cumulative
        return self.first * (at(mid) - at(opening)) + self.later * (at(opening + days) - at(mid))


def practice(awkward, seed, *, crowns=4000):
    """Tables `crowns` and `patients` of one practice, as much of them as the comparisons read."""
    rng, a = np.random.default_rng([seed, 15]), awkward
    patient = np.repeat(np.arange(crowns), np.minimum(rng.geometric(0.62, crowns), 5))[:crowns]
    n = int(patient[-1]) + 1
    frailty = (rng.gamma(1 / a.frail, a.frail, n) if a.frail else np.ones(n))[patient]
    age, male = rng.normal(50, 15, n).clip(20, 85), rng.random(n) < 0.48
    group = rng.choice(list(TEETH), crowns, p=[0.2, 0.25, 0.55])
    risk = frailty * np.exp(0.08 * (age[patient] - 50) / 10 + 0.2 * (group == "molar"))
    clinician = rng.integers(0, 6, crowns)
    filled = rng.random(crowns) < a.before * (0.4 + 0.24 * clinician)
    seat = rng.integers(0, int(SPAN) - 30, crowns)
    need = a.need * (frailty if a.frail_need else 1.0)
    opening = np.where(filled, 1e7, np.ceil(rng.exponential(size=crowns) * YEAR / need))
    spent = rng.exponential(size=crowns) / (risk * np.where(filled, a.hr_before, 1.0))
    at_opening = a.cumulative(opening)
    unopened = np.ceil(a.inverse(np.minimum(spent, at_opening)))
    left = spent - at_opening
    mid = a.cumulative(opening + a.days)
    soon = a.inverse(at_opening + np.maximum(left, 0) / a.first)
    late = a.inverse(mid + np.maximum(left - a.first * (mid - at_opening), 0) / a.later)
    opened_end = np.where(left < a.first * (mid - at_opening), soon, late)
    fail = np.where(left <= 0, unopened, np.maximum(np.ceil(opened_end), opening + 1)).clip(1, 1e6)
    seen = np.minimum(np.ceil(rng.exponential(YEAR / a.leave, crowns)), SPAN - seat)
    leave, failed = np.minimum(fail, seen).astype(int), fail <= seen
    opened = (opening < fail) & (opening < seen)
    day = pl.lit(START)
    frame = pl.DataFrame(
        {
            "crown_id": [f"C{i:06}" for i in range(crowns)],
            "patient_id": [f"P{i:06}" for i in patient],
            "provider_id": [f"AR{i}" for i in clinician],
            "tooth_group": group,
            "material": rng.choice(["metal_ceramic", "zirconia"], crowns),
            "endo_timing": np.where(filled, "before_seat", np.where(opened, "through_crown", "vital")),
            "failure": failed,
            "seat": seat,
            "leave": leave,
            "access": np.where(opened, opening, -1).astype(int),
        }
    ).with_columns(
        tooth_fdi=pl.col("tooth_group").replace_strict(TEETH, return_dtype=pl.UInt8),
        seat_date=day + pl.duration(days="seat"),
        entry_date=day + pl.duration(days="seat"),
        exit_date=day + pl.duration(days=pl.col("seat") + pl.col("leave")),
        access_date=pl.when(pl.col("access") >= 0).then(day + pl.duration(days=pl.col("seat") + pl.col("access"))),
        exit_reason=pl.when("failure").then(pl.lit("failed")).otherwise(pl.lit("last_contact")),
        crown_kind=pl.lit("single"),
        done_elsewhere=pl.lit(value=False),
    )
    people = pl.DataFrame(
        {"patient_id": [f"P{i:06}" for i in range(n)], "birth_year": (1960 - (age - 50)).astype(np.int32)}
    ).with_columns(
        birth_date=pl.lit(None, pl.Date),
        sex=pl.when(pl.Series(male)).then(pl.lit("male")).otherwise(pl.lit("female")),
        **{name: pl.lit(None, pl.Boolean) for name in ("smoker", "diabetes", "bruxism")},
    )
    return frame.drop("seat", "leave", "access"), people


def true_difference(awkward, from_day, day):
    """Failures per 100 from one day since the seat to another: crowns in place on the first, opened that day or not.

    Over the mix of covariates that is drawn; without frailty.
    """
    rng = np.random.default_rng(1)
    age = rng.normal(50, 15, 20_000).clip(20, 85)
    risk = np.exp(0.08 * (age - 50) / 10 + 0.2 * (rng.random(20_000) < 0.55))
    window = awkward.cumulative(day) - awkward.cumulative(from_day)
    kept = np.exp(-risk * awkward.hr_before * window), np.exp(-risk * awkward.after(from_day, day - from_day))
    return float(100 * np.mean(kept[0] - kept[1]))
