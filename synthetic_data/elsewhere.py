"""What others did: who does a piece of work, how the practice comes to know of it, and what its files then say.

A thing done elsewhere is charted in one of several ways, or not at all. What a reader of the files can know follows
from the way alone; where a day that was to be charted happens to be one on which the patient was seen here, the row
would say less than was meant, and the thing is charted otherwise (`settle_charting`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_data.courses import Columns
from synthetic_data.hazards import Days, Flags, Ints
from synthetic_data.people import NO_DAY, Visits
from synthetic_data.truth import Truth

# Done here; or elsewhere, with its day in an `existing` row or in the table, its year in the table, the day of the
# visit at which it was seen, no date in a row or in the table, an implant or pontic in its place, or nothing at all.
HERE, DATED_ROW, DATED_TABLE, YEAR_TABLE, ON_VISIT, UNDATED_ROW, UNDATED_TABLE, SIGN, NOT = range(9)
WORDS = ["here", "dated", "dated", "year", "on_visit", "undated", "undated", "sign", "not"]
DATED = (DATED_ROW, DATED_TABLE)
UNDATED = (UNDATED_ROW, UNDATED_TABLE)
# What stands in the table `elsewhere`: with a day, a year, or neither.
TABLE = (DATED_TABLE, YEAR_TABLE, UNDATED_TABLE)
# The words of the table `elsewhere`, in the order of `Histories.elsewhere`'s `event`.
ROOT_CANAL, RETREATMENT, CROWN, CROWN_REMOVED, EXTRACTION, NOTHING = range(6)


def draw_charting(rng: np.random.Generator, n: int, share: float, ways: dict[str, float]) -> Ints:
    """For each of `n` things: HERE, or with chance `share` one of the `ways` in which it is known here."""
    names = list(ways)
    first = np.array([WORDS.index(name) for name in names])
    limits = np.cumsum(list(ways.values()))
    nth = np.minimum(np.searchsorted(limits / limits[-1], rng.random(n)), len(names) - 1)
    way = first[nth]
    # Half of the days and of the undated ones stand in the table, half in rows of the ledger.
    way = np.where(np.isin(way, (DATED_ROW, UNDATED_ROW)) & (rng.random(n) < 0.5), way + 1, way)
    return np.where(rng.random(n) < share, way, HERE)


def dated_or_not(way: Ints) -> Ints:
    """The same things where only a day is ever charted: known by their day, or not at all."""
    return np.where((way == HERE) | np.isin(way, DATED), way, NOT)


def draw_referral(truth: Truth, rng: np.random.Generator, n: int) -> Ints:
    """Who does each of `n` root canals, and how those of others are charted."""
    return draw_charting(rng, n, truth.referred, truth.charted)


def draw_loss(truth: Truth, rng: np.random.Generator, n: int) -> Ints:
    """Who takes out each of `n` teeth that are lost, and how the practice learns of those that others took out."""
    return draw_charting(rng, n, truth.lost_elsewhere, truth.charted_loss)


@dataclass(frozen=True)
class Contacts:
    """Days on which patients were seen here."""

    keys: Ints

    @classmethod
    def of(cls, patient: Ints, day: Days) -> Contacts:
        """From the completed rows' patients and days."""
        return cls(np.sort(patient * 100_000 + day))

    def seen(self, patient: Ints, day: Days) -> Flags:
        """Whether each patient was seen on that day."""
        return among(self.keys, patient * 100_000 + day)


def among(keys: Ints, asked: Ints) -> Flags:
    """Whether each asked number is one of `keys`, which are sorted."""
    if not keys.size:
        return np.zeros(asked.size, bool)
    return np.asarray(keys[np.minimum(np.searchsorted(keys, asked), keys.size - 1)] == asked)


def settle_charting(
    c: Columns, seen: Flags, visits: Visits, *, lost: Days, same_year: Flags, middle_seen: Flags
) -> tuple[Ints, Days]:
    """How each thing is charted in the end, and the date that the files then hold (NO_DAY where none).

    `c` has `patient, day, charted`. `seen` tells whether the patient was seen here on that day: a dated thing of such
    a day counts as done here. `lost` is the day on which the tooth is gone (later than any day where it is not).
    A year alone is charted only where its middle tells the order: not in the year of a seat on that tooth
    (`same_year`), nor where the middle is a day on which the patient was seen (`middle_seen`).
    """
    charted, day = c["charted"].copy(), c["day"]
    charted[np.isin(charted, DATED) & seen] = HERE
    charted[(charted == YEAR_TABLE) & (same_year | middle_seen)] = UNDATED_TABLE
    visit = visits.at_or_after(c["patient"], day + 1)
    charted[(charted == ON_VISIT) & ((visit == NO_DAY) | (visit >= lost))] = NOT
    found = np.select(
        [np.isin(charted, (HERE, *DATED)), charted == YEAR_TABLE, charted == ON_VISIT],
        [day, middle_of_year(day), visit],
        NO_DAY,
    )
    return charted, found


def middle_of_year(day: Days) -> Days:
    """The first of July of each day's year: where a year alone stands for its days."""
    years = np.asarray(day, "datetime64[D]").astype("datetime64[Y]")
    return np.asarray((years.astype("datetime64[M]") + 6).astype("datetime64[D]").astype(np.int64))


def year_of(day: Days) -> Ints:
    """Calendar years."""
    return np.asarray(np.asarray(day, "datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970)
