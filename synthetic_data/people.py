"""Invented patients: who they are, how long they stay, when they are seen and what happens to how many of their teeth.

Days are whole days since 1970-01-01. Every function takes its random generator, so a seed fixes the practice.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields, replace

import numpy as np

from synthetic_data.hazards import YEAR, Days, Flags, Floats, Ints, draw_frailty
from synthetic_data.truth import Truth

NO_DAY = -1_000_000
MOLARS_PREMOLARS_ANTERIORS = (0, 0, 0, 1, 1, 2, 2, 2)
# Universal numbers 1 to 32 run round the mouth: third molar to incisor and back, twice.
GROUP = np.array([{0: 2, 1: 1, 2: 0}[g] for g in (*MOLARS_PREMOLARS_ANTERIORS, *MOLARS_PREMOLARS_ANTERIORS[::-1]) * 2])
TEETH = np.array([t for t in range(1, 33) if t not in (1, 16, 17, 32)])
_WEIGHT = np.array([{0: 1.0, 1: 1.8, 2: 3.0}[int(GROUP[t - 1])] for t in TEETH])

# Places in a patient's own shuffled list of teeth. Teeth with a history come first; these are kept out of it.
FILLED_TEETH = (27, 26, 25)
PONTIC_TOOTH = 24
MISTAKEN_TOOTH = 23


def day(year: int, month: int, day_of_month: int) -> int:
    """Whole days since 1970-01-01."""
    return (dt.date(year, month, day_of_month) - dt.date(1970, 1, 1)).days


START = day(2005, 1, 3)
CUTOFF = day(2024, 12, 31)


@dataclass(frozen=True)
class People:
    """One element a patient. `end` is the last day on which anything can be posted; `death` is NO_DAY unless known.

    `crowns`, `existing`, `others`, `endo_only` and `extractions` say how many teeth have which kind of
    history; `teeth` holds the patient's teeth in a random order from which those histories take theirs, crowns first.
    """

    birth: Days
    first: Days
    end: Days
    death: Days
    left: Days
    male: Flags
    smoker: Flags
    diabetes: Flags
    bruxism: Flags
    frailty: Floats
    clinician: Ints
    crowns: Ints
    existing: Ints
    others: Ints
    endo_only: Ints
    extractions: Ints
    teeth: Ints

    @property
    def size(self) -> int:
        """Number of patients."""
        return int(self.birth.size)

    def head(self, n: int) -> People:
        """The first `n` patients."""
        return replace(self, **{f.name: getattr(self, f.name)[:n] for f in fields(self)})


def draw_people(truth: Truth, rng: np.random.Generator, n: int) -> People:
    """`n` patients of the practice, children among them; no one is followed beyond the cut-off."""
    first = np.where(rng.random(n) < 0.3, START + rng.integers(0, 270, n), rng.integers(START, CUTOFF - 150, n))
    age = np.where(rng.random(n) < 0.10, rng.uniform(4, 15, n), np.clip(rng.normal(46, 16, n), 16, 88))
    birth = first - np.round(age * YEAR).astype(np.int64)
    leave = truth.leave_per_year
    rate = np.select([age < 35, age < 65], [leave["under_35"], leave["35_to_64"]], leave["65_up"])
    left = first + np.ceil(rng.exponential(size=n) / rate * YEAR).astype(np.int64)
    dies = first + np.ceil(_years_to_death(truth, rng, age) * YEAR).astype(np.int64) + 1
    end = np.minimum(np.minimum(left, dies - 1), CUTOFF)
    known_death = (dies - 1 <= left) & (dies < CUTOFF)
    adult = age >= 18
    years = np.where(adult, end - first, 0) / YEAR
    crown_years = np.maximum(years - 200 / YEAR, 0)
    # Some mouths get many crowns: a gamma rate makes the number of crowns a patient vary more than by chance.
    crowns = np.minimum(rng.poisson(truth.crowns_per_year * crown_years * rng.gamma(1.5, 1 / 1.5, n)), 8)
    room = years > 120 / YEAR
    order = np.argsort(rng.exponential(size=(n, TEETH.size)) / _WEIGHT, axis=1)
    return People(
        birth=birth,
        first=first,
        end=end,
        death=np.where(known_death, dies, NO_DAY),
        left=left,
        male=rng.random(n) < 0.48,
        smoker=rng.random(n) < truth.smoker,
        diabetes=rng.random(n) < truth.diabetes,
        bruxism=rng.random(n) < truth.bruxism,
        frailty=draw_frailty(truth, rng, n),
        clinician=rng.integers(0, len(truth.clinicians), n),
        crowns=crowns.astype(np.int64),
        existing=np.where(room & (age > 20), np.minimum(rng.poisson(truth.existing_crowns, n), 3), 0),
        others=np.minimum(rng.poisson(truth.other_kinds_per_year * crown_years), 2),
        endo_only=np.where(room, np.minimum(rng.poisson(truth.endo_only_per_year * years), 4), 0),
        extractions=np.where(room, np.minimum(rng.poisson(truth.extractions_per_year * years), 4), 0),
        teeth=TEETH[order],
    )


def with_crowns(people: People, wanted: int) -> People:
    """The first patients who together have `wanted` crowns; the last one's number is cut to fit."""
    running = np.cumsum(people.crowns)
    if running[-1] <= wanted:
        return people
    n = int(np.searchsorted(running, wanted)) + 1
    crowns = people.crowns.copy()
    crowns[n - 1] -= running[n - 1] - wanted
    return replace(people, crowns=crowns).head(n)


@dataclass(frozen=True)
class Visits:
    """Recall visits, sorted by patient and day; `start` and `count` give each patient's stretch."""

    patient: Ints
    day: Days
    nth: Ints
    start: Ints
    count: Ints

    def pick(self, rng: np.random.Generator, patient: Ints) -> Days:
        """One random visit day of each given patient."""
        nth = (rng.random(patient.size) * self.count[patient]).astype(np.int64)
        return np.asarray(self.day[self.start[patient] + nth])

    def at_or_after(self, patient: Ints, wanted: Days) -> Days:
        """Each patient's first visit on or after the wanted day; NO_DAY where there is none."""
        nth = np.searchsorted(self._key, _visit_key(patient, wanted))
        nth = np.minimum(nth, self.day.size - 1)
        found = (self.patient[nth] == patient) & (self.day[nth] >= wanted)
        return np.where(found, self.day[nth], NO_DAY)

    @property
    def _key(self) -> Ints:
        return _visit_key(self.patient, self.day)


def draw_visits(people: People, rng: np.random.Generator) -> Visits:
    """Visits every five to eight months from the first contact to the end; the first contact is one."""
    most = int((people.end - people.first).max() // 150) + 1
    gaps = rng.integers(150, 241, (people.size, most + 1), dtype=np.int64)
    gaps[:, 0] = 0
    days = people.first[:, None] + np.cumsum(gaps, axis=1)
    seen = days <= people.end[:, None]
    count = seen.sum(axis=1)
    start = np.cumsum(count) - count
    patient = np.repeat(np.arange(people.size), count)
    return Visits(patient, days[seen], np.arange(patient.size) - start[patient], start, count)


def _visit_key(patient: Ints, day_of_visit: Days) -> Ints:
    return patient * 100_000 + day_of_visit


def _years_to_death(truth: Truth, rng: np.random.Generator, age: Floats) -> Floats:
    # Gompertz: hazard a * exp(g * (age - 50)), inverted from the age at first contact.
    g = truth.death_log_per_year
    now = truth.death_per_year_at_50 * np.exp(g * (age - 50))
    return np.asarray(np.log1p(g * rng.exponential(size=age.size) / now) / g)
