"""Invented practices over time, drawn so that it is known whether they got worse."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl

from pipeline.questions.leaving import followed_on

CUTOFF = dt.date(2024, 12, 31)
_FIRST = dt.date(2008, 1, 1)


def drawn_teeth(
    seed: int, *, patients: int = 1200, rate: float = 0.02, times: float = 1.0, since: dt.date = dt.date(2021, 1, 1)
) -> pl.DataFrame:
    """Teeth as `teeth_of` makes them: failures at `rate` a year, `times` as many from `since` on.

    Patients have one to four teeth that fail at a rate of their own, come about twice a year and leave for good at some
    time; a failure brings its patient in, all else is known up to the last visit.
    """
    draw = np.random.default_rng(seed)
    n = draw.integers(1, 5, patients)
    who = np.repeat(np.arange(patients), n)
    end, change = (CUTOFF - _FIRST).days, (since - _FIRST).days
    start = draw.integers(0, end, len(who))
    own = np.repeat(draw.gamma(4, 1 / 4, patients), n) * rate / 365.25
    # Time to failure with a rate that changes on one day: what is left of an exponential budget is used up faster.
    budget = draw.exponential(1.0, len(who)) / own
    slow = np.maximum(change - start, 0)
    fails = start + np.where(budget <= slow, budget, slow + (budget - slow) / times)
    begun = np.full(patients, end)
    np.minimum.at(begun, who, start)
    leaves = begun + draw.exponential(15 * 365.25, patients)
    last_visit = np.minimum(leaves, end) - draw.uniform(0, 183, patients)
    here = start <= leaves[who]  # nobody gets a tooth treated after leaving
    seen = np.maximum(np.floor(last_visit[who]), start)
    failed = (fails <= np.minimum(leaves[who], end)) & (np.floor(fails) >= start)
    exit_day = np.where(failed, np.floor(fails), seen)
    # A failure brings the patient in: all other teeth of the patient are known up to that day.
    latest = np.zeros(patients)
    np.maximum.at(latest, who[here], exit_day[here])
    exit_day = np.where(failed, exit_day, latest[who])
    days = (exit_day - start).astype(np.int64)
    teeth = pl.DataFrame(
        {
            "patient_id": who,
            "provider_id": [f"C{i % 3}" for i in who],
            "site_id": ["one"] * len(who),
            "tooth_group": ["molar" if s % 2 else "premolar" for s in start],
            "start": [_FIRST + dt.timedelta(days=int(s)) for s in start],
            "exit_days": days,
            "event": failed,
            "died": np.zeros(len(who), dtype=np.bool_),
            "guessed": np.zeros(len(who), dtype=np.bool_),
            "uncertain": np.zeros(len(who), dtype=np.bool_),
            "exit_date": [_FIRST + dt.timedelta(days=int(s)) for s in exit_day],
            "exit_reason": np.where(failed, "failed", "last_contact"),
        }
    ).filter(pl.Series(here), pl.col("exit_days") >= 0)
    return teeth.with_columns(followed_on_days=followed_on(teeth, cutoff=CUTOFF)["exit_days"])


def followed(seed: int, **practice: object) -> pl.DataFrame:
    """The same with whoever is not known to have left followed to the cut-off, as changes are asked of them."""
    return drawn_teeth(seed, **practice).with_columns(exit_days="followed_on_days")  # type: ignore[arg-type]
