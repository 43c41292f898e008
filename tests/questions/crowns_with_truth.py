"""Crowns with a known truth: even hazards of failing in each state, and openings that a ledger can be made to lose."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

FAILING = {"vital": 0.02, "before_seat": 0.03, "through_crown": 0.05}  # a year
OPENING = 0.04
TRUE_RATIO = FAILING["through_crown"] / FAILING["before_seat"]
YEAR = 365.25
FIRST_DAY = dt.date(2005, 1, 1)


@dataclass(frozen=True)
class Practice:
    """`crowns` in the form of the stored table, as much of it as the main comparison needs; `patients` likewise."""

    crowns: pl.DataFrame
    patients: pl.DataFrame


def practice(seed, *, crowns=2400, before=0.3, openings_hidden=0.0, odds_if_failed=1.0, given_up=0.0, prefix="p"):
    """A practice whose ledger lost a share of the openings: those crowns count as vital.

    `odds_if_failed` multiplies the odds of being lost for openings whose crown failed. `given_up` is the
    share of opened crowns that fail within 60 days of it, beside the even hazard.
    """
    rng = np.random.default_rng(seed)
    is_before = rng.random(crowns) < before
    followed = rng.uniform(1.5, 14, crowns) * YEAR
    opening = np.where(is_before, np.inf, rng.exponential(YEAR / OPENING, crowns))
    first = np.where(is_before, FAILING["before_seat"], FAILING["vital"])
    failing = rng.exponential(YEAR / first)
    opened = (opening < failing) & (opening < followed - 1)
    failing = np.where(opened, opening + rng.exponential(YEAR / FAILING["through_crown"], crowns), failing)
    if given_up:
        soon = opened & (rng.random(crowns) < given_up)
        failing = np.where(soon, np.minimum(failing, opening + rng.uniform(5, 60, crowns)), failing)
    leave = np.maximum(np.minimum(failing, followed), 1).astype(int)
    failed = failing < followed
    access = opening.clip(max=1e6).astype(int)
    opened &= access < leave
    odds = openings_hidden / (1 - openings_hidden) * np.where(failed, odds_if_failed, 1.0)
    hidden = opened & (rng.random(crowns) < odds / (1 + odds))
    shown = opened & ~hidden
    seat = rng.integers(0, 3650, crowns)
    label = np.where(is_before, "before_seat", np.where(shown, "through_crown", "vital"))
    patient = rng.integers(0, crowns // 2, crowns)
    day = pl.lit(FIRST_DAY)
    frame = pl.DataFrame(
        {
            "crown_id": [f"c{i:06}" for i in range(crowns)],
            "patient_id": [f"{prefix}{i}" for i in patient],
            "tooth_fdi": rng.choice([16, 26, 36, 46, 15, 25], crowns),
            "endo_timing": label,
            "failure": failed,
            "seat": seat,
            "leave": leave,
            "access": np.where(shown, access, -1),
            "hidden": hidden,
            "hidden_on": np.where(hidden, access, -1),
        }
    ).with_columns(
        pl.col("tooth_fdi").cast(pl.UInt8),
        seat_date=day + pl.duration(days="seat"),
        entry_date=day + pl.duration(days="seat"),
        exit_date=day + pl.duration(days=pl.col("seat") + pl.col("leave")),
        access_date=pl.when(pl.col("access") >= 0).then(day + pl.duration(days=pl.col("seat") + pl.col("access"))),
        tooth_group=pl.lit("molar"),
        material=pl.lit("zirconia"),
        provider_id=pl.lit("one"),
        crown_kind=pl.lit("single"),
        access_elsewhere=pl.lit(value=False),
        failure_elsewhere=pl.lit(value=False),
        done_elsewhere=pl.lit(value=False),
    )
    people = pl.DataFrame({"patient_id": sorted(set(frame["patient_id"]))}).with_columns(
        birth_date=pl.lit(None, pl.Date),
        birth_year=pl.lit(1960, pl.Int32),
        sex=pl.lit(None, pl.String),
        smoker=pl.lit(None, pl.Boolean),
        diabetes=pl.lit(None, pl.Boolean),
        bruxism=pl.lit(None, pl.Boolean),
    )
    return Practice(frame.drop("seat", "leave", "access"), people)


def true_difference(from_days, years):
    """Failures per 100 by the horizon, opened minus treated before, of crowns followed past `from_days`."""
    span = years - from_days / YEAR
    return 100 * (np.exp(-FAILING["before_seat"] * span) - np.exp(-FAILING["through_crown"] * span))
