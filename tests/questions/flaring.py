"""Practices whose pulps flare between preparation and seat, with the risks of both strategies known.

How bad a pulp is decides, in part, who is treated first, which pulps flare, and which crowns fail. It is recorded as
the apical diagnosis on the day of the preparation. What is not recorded makes some pulps flare and their crowns fail as
well: then a way that sorts teeth by what was done by the seat sorts by the flare.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.practice.tables import CROWNS, ENDO_COURSES, ENDO_DETAILS, PATIENTS, TOOTH_FOLLOWUP

YEAR = 365.25
HORIZON = 1826
NEVER = 10**9
BEGIN = dt.date(2005, 1, 1)
APICAL = ("normal", "symptomatic_apical_periodontitis")

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Course:
    """What happens to the teeth; rates a year. `bad` multiplies the hazard of a pulp that is bad."""

    flare: float = 2.0
    bad_flare: float = 2.5
    hidden_flare: float = 4.0  # by the half that flares readily, which nobody records
    failure: float = 0.035
    bad_failure: float = 1.8
    hidden_failure: float = 2.2  # crowns of that half
    first: float = 1.0  # of a crown with the root canal before its seat
    opened: float = 1.0  # of a crown that was opened
    opening: float = 0.06
    lost_before_seat: float = 0.05
    treated_first: tuple[float, float] = (0.35, 0.6)  # by how bad the pulp is
    leaves: float = 0.08  # patients, a year
    flares_told: float = 1.0  # of flares, with a diagnosis on record
    planned_told: float = 0.0  # of root canals that were planned, alike
    untreated: float = 0.0  # of flares, seated vital all the same


NULL = Course()
WORSE_OPENED = replace(NULL, opened=3.0, first=1.6)


@dataclass(frozen=True)
class Teeth:
    """Days since the preparation, NEVER for what did not happen."""

    patient: Ints
    bad: NDArray[np.bool_]
    treated: Ints
    flare: Ints
    seat: Ints
    opened: Ints
    failed: Ints
    lost: Ints
    left: Ints


def draw(course: Course, teeth: int, rng: np.random.Generator, *, first: bool | None = None) -> Teeth:
    """Teeth two a patient; with `first` all are treated first, or all wait."""
    patient = np.arange(teeth) // 2
    bad = rng.random(teeth) < 0.4
    ready = rng.random(teeth) < 0.5
    chosen = rng.random(teeth) < np.where(bad, *course.treated_first[::-1])
    if first is not None:
        chosen = np.full(teeth, first)
    planned, gap = rng.integers(2, 19, teeth), rng.integers(10, 29, teeth)
    until = np.where(chosen, planned, gap)
    flare = _after(course.flare * _times(bad, course.bad_flare) * _times(ready, course.hidden_flare), rng)
    flare = np.where(flare < until, flare, NEVER)
    gone = _after(np.full(teeth, course.lost_before_seat), rng)
    ignored = (rng.random(teeth) < course.untreated) & ~chosen
    treated = np.where(flare < NEVER, flare + rng.integers(0, 3, teeth), np.where(chosen, planned, NEVER))
    treated = np.where(ignored, NEVER, treated)
    seat = np.where(treated < NEVER, treated + rng.integers(7, 19, teeth), gap)
    shared = rng.gamma(2.0, 0.5, patient[-1] + 1)[patient]
    rate = course.failure * shared * _times(bad, course.bad_failure) * _times(ready, course.hidden_failure)
    opened = np.where(treated < NEVER, NEVER, seat + _after(course.opening * _times(bad, 2.0), rng))
    spent = rng.exponential(size=teeth)
    before = rate * np.where(treated < NEVER, course.first, 1.0) / YEAR
    failed = seat + 1 + (spent / before).astype(np.int64)
    late = opened < failed
    rest = (spent - before * (opened - seat)) / (rate * course.opened / YEAR)
    failed = np.where(late, opened + 1 + np.where(late, rest, 0).astype(np.int64), failed)
    early = gone < seat
    treated = np.where(early & (treated > gone), NEVER, treated)
    flare = np.where(flare > gone, NEVER, flare)
    lost = np.where(early, gone, np.where(rng.random(teeth) < 0.25, failed, NEVER))
    failed = np.where(early, gone, failed)
    left = _after(np.full(teeth, course.leaves), rng)[patient] + 30
    return Teeth(patient, bad, treated, flare, seat, np.where(opened < failed, opened, NEVER), failed, lost, left)


def true_risks(course: Course, *, teeth: int = 400_000, seed: int = 5) -> tuple[float, float, float]:
    """Of 100 by five years: crowns failed had all been treated first, had all waited; root canals with waiting."""
    rng = np.random.default_rng(seed)
    first, wait = (draw(course, teeth, rng, first=way) for way in (True, False))
    failed = [100 * float((t.failed <= HORIZON).mean()) for t in (first, wait)]
    need = np.minimum(wait.treated, wait.opened)
    return failed[0], failed[1], 100 * float((need <= HORIZON).mean())


def practice(course: Course, teeth: int, seed: int) -> tuple[tuple[pl.DataFrame, ...], pl.DataFrame]:
    """Linked tables (crowns, courses, teeth, patients) and diagnoses, as a practice would have them."""
    rng = np.random.default_rng(seed)
    t = draw(course, teeth, rng)
    prep = rng.integers(0, 5000, teeth)[t.patient * 2] + rng.integers(0, 3, teeth)
    stop = np.minimum(t.left, 7000 - prep)
    seat_stop = np.maximum(stop, t.seat)
    ends = np.minimum(t.failed, seat_stop)
    early = t.failed < t.seat
    failure = (t.failed <= seat_stop) & ~early
    by_seat, by_need = t.treated <= t.seat, t.flare < NEVER
    said = rng.random(teeth) < np.where(by_need, course.flares_told, course.planned_told * by_seat)
    opened = np.where((t.opened < ends) & ~early, t.opened, NEVER)
    base = pl.DataFrame(
        {
            "crown_id": [f"C{i:05}" for i in range(teeth)],
            "patient_id": [f"p{i}" for i in t.patient],
            "tooth_fdi": np.where(np.arange(teeth) % 2 == 0, 16, 26),
        }
    )
    crowns = base.with_columns(
        prep_date=days(prep),
        seat_date=days(prep + t.seat),
        entry_date=days(prep + t.seat),
        exit_date=days(prep + np.where(early, t.seat, ends)),
        access_date=days(prep + opened, opened < NEVER),
        failure=pl.Series(failure),
        failure_cause=pl.when(pl.Series(failure)).then(
            pl.Series(np.where(t.lost == t.failed, "extracted", "replaced"))
        ),
        endo_timing=pl.Series(np.where(by_seat, "before_seat", np.where(opened < NEVER, "through_crown", "vital"))),
        crown_kind=pl.lit("single"),
        tooth_group=pl.lit("molar"),
        done_elsewhere=False,
        order_uncertain=False,
        access_elsewhere=False,
        pulp_status_at_prep=pl.lit("hyperemic"),
    )
    done = t.treated < NEVER
    courses = base.filter(pl.Series(done)).with_columns(
        course_id="crown_id",
        started=days((prep + t.treated)[done]),
        completed=days((prep + t.treated)[done]),
        kind=pl.lit("initial"),
        done_elsewhere=False,
    )
    seen = t.lost <= np.where(early, t.lost, seat_stop)
    teeth_rows = base.with_columns(
        followed_to=days(prep + np.minimum(seat_stop, t.lost)), extracted=days(prep + t.lost, seen & (t.lost < NEVER))
    )
    first_day = base.with_columns(
        service_date=days(prep), apical_diagnosis=pl.Series([APICAL[int(b)] for b in t.bad], dtype=pl.String)
    )
    later = base.with_columns(
        service_date=days(prep + np.where(by_need, t.flare, t.treated), said),
        pulpal_diagnosis=pl.Series(np.where(by_need, "symptomatic_irreversible_pulpitis", "reversible_pulpitis")),
    ).filter(pl.Series(said))
    people = pl.DataFrame({"patient_id": [f"p{i}" for i in np.unique(t.patient)]})
    details = pl.concat([declared(f.with_columns(supernumerary=False), ENDO_DETAILS) for f in (first_day, later)])
    tables = (
        declared(crowns, CROWNS),
        declared(courses, ENDO_COURSES),
        declared(teeth_rows, TOOTH_FOLLOWUP),
        declared(people, PATIENTS),
    )
    return tables, details


def days(since: Ints, known: NDArray[np.bool_] | None = None) -> pl.Series:
    """Days since the begin of the records as dates; null where not `known`."""
    ok = np.ones(len(since), dtype=np.bool_) if known is None else known
    return pl.Series(
        [BEGIN + dt.timedelta(days=int(d)) if k else None for d, k in zip(since, ok, strict=True)], dtype=pl.Date
    )


def declared(rows: pl.DataFrame, table) -> pl.DataFrame:
    lacking = [pl.lit(None, t).alias(n) for n, t in table.schema.items() if n not in rows.columns]
    return rows.with_columns(lacking).select(pl.col(n).cast(t) for n, t in table.schema.items())


def _times(flag: NDArray[np.bool_], factor: float) -> NDArray[np.float64]:
    return np.where(flag, factor, 1.0)


def _after(rate: NDArray[np.float64], rng: np.random.Generator) -> Ints:
    """Days until the first event of a constant rate a year; at least 1."""
    return 1 + (rng.exponential(size=len(rate)) / np.maximum(rate, 1e-12) * YEAR).astype(np.int64)
