"""What makes a ledger untidy, without changing what it says to a reader who follows the rules.

Planned and void rows, wrong postings taken back, rows that cannot have happened, typing errors on extra copies.
Every completed row here lies on a day on which the patient was seen anyway, so no follow-up hangs on it.
"""

from dataclasses import dataclass

import numpy as np

from synthetic_data.courses import Columns, stack, take
from synthetic_data.elsewhere import HERE, among
from synthetic_data.hazards import Days, Ints
from synthetic_data.ledger import course_code
from synthetic_data.people import CUTOFF, MISTAKEN_TOOTH, NO_DAY, People, Visits
from synthetic_data.postings import CODE, COMPLETED, EXISTING, PLANNED, UNKNOWN_CODE, VOID, by_group, rows
from synthetic_data.tooth_histories import EXTRACTION, MADE_HERE

# What is wrong with a garbled copy. The names are the reasons for which a reader sets a row aside.
FAULTS = ("date_missing", "date_unreadable", "tooth_missing", "tooth_unknown", "patient_missing", "code_missing")


@dataclass(frozen=True)
class Slips:
    """Untidy rows, the garbled copies apart; `counts` says how many of each kind."""

    rows: Columns
    garbled: Columns
    counts: dict[str, int]


# A negative fee reverses a row of at most so many days before; one that comes later reverses nothing.
REVERSAL_DAYS = 60


def draw_slips(
    rng: np.random.Generator,
    people: People,
    visits: Visits,
    crowns: Columns,
    *,
    courses: Columns,
    events: Columns,
    real: Columns,
    lost: Days,
) -> Slips:
    """All untidy rows of these patients. `lost` is the day on which the tooth of each course was gone.

    Adds `late_refund` to `crowns`: the day of a refund that came too late to take the crown back.
    """
    made = take(crowns, crowns["origin"] == MADE_HERE)
    pairs = [*_wrong_tooth(rng, people, visits, made), *_wrong_code(rng, visits, made)]
    pairs += _wrong_extraction(rng, people, visits, crowns)
    planned = _planned(rng, people, visits, made)
    void = _void(rng, made, visits, people)
    impossible = _after_extraction(rng, visits, events)
    unknown = _unknown_code(rng, visits)
    garbled = _garbled(rng, real)
    refunds = _late_refunds(rng, people, crowns)
    again = [_crowns_charted_again(rng, visits, crowns), _courses_charted_again(rng, visits, courses, lost)]
    twice = _by_two_clinicians(rng, real)
    counts = {
        "planned": sum(x["patient"].size for x in planned),
        "void": sum(x["patient"].size for x in void),
        "reversed_pairs": sum(x["patient"].size for x in pairs) // 2,
        "after_extraction": impossible["patient"].size,
        "unknown_code": unknown["patient"].size,
        "late_refunds": refunds["patient"].size,
        "charted_again": sum(x["patient"].size for x in again),
        "by_two_clinicians": twice["patient"].size,
    }
    everything = stack([*pairs, *planned, *void, impossible, unknown, refunds, *again, twice])
    return Slips(everything, garbled, counts)


def _pair(rng: np.random.Generator, c: Columns, when: Days, *, code: Ints, tooth: Ints, until: Days) -> list[Columns]:
    # A wrong row on the day of a visit and, soon and before `until`, the negative fee that takes it back: no contact.
    same_day = rng.random(when.size) < 0.4
    back = when + np.where(same_day, 0, rng.integers(1, REVERSAL_DAYS + 1, when.size))
    good = (back <= CUTOFF) & (back < until) & (when != NO_DAY)
    p, who = c["patient"][good], c["clinician"][good]
    wrong = rows(p, when[good], code[good], tooth[good], clinician=who)
    # Priced as the row it takes back, even in a later year.
    undo = rows(p, back[good], code[good], tooth[good], clinician=who, negative=when[good])
    return [wrong, undo]


def _gone(c: Columns) -> Days:
    return np.where(c["failed"], c["fail"], 1_000_000)


def _wrong_tooth(rng: np.random.Generator, people: People, visits: Visits, made: Columns) -> list[Columns]:
    c = take(made, rng.random(made["patient"].size) < 0.015)
    when = visits.pick(rng, c["patient"])
    tooth = people.teeth[c["patient"], MISTAKEN_TOOTH]
    return _pair(rng, c, when, code=c["code"], tooth=tooth, until=np.full(when.size, 1_000_000))


def _wrong_code(rng: np.random.Generator, visits: Visits, made: Columns) -> list[Columns]:
    # Posted on the right tooth at a visit after the seat, under a crown code that is not its own.
    c = take(made, rng.random(made["patient"].size) < 0.012)
    when = visits.at_or_after(c["patient"], c["seat"] + 70)
    other = np.where(c["code"] == CODE["D2710"], CODE["D2790"], CODE["D2710"])
    return _pair(rng, c, when, code=other, tooth=c["tooth"], until=_gone(c))


def _wrong_extraction(rng: np.random.Generator, people: People, visits: Visits, crowns: Columns) -> list[Columns]:
    c = take(crowns, rng.random(crowns["patient"].size) < 0.006)
    start = np.maximum(c["seat"], people.first[c["patient"]])
    when = visits.at_or_after(c["patient"], start + rng.integers(1, 900, start.size))
    code = np.full(start.size, CODE["D7140"])
    return _pair(rng, c, when, code=code, tooth=c["tooth"], until=_gone(c))


def _planned(rng: np.random.Generator, people: People, visits: Visits, made: Columns) -> list[Columns]:
    ahead = take(made, made["planned_on"] != NO_DAY)
    when = np.maximum(ahead["planned_on"], people.first[ahead["patient"]])
    plan = rows(ahead["patient"], when, ahead["code"], ahead["tooth"], clinician=ahead["clinician"], status=PLANNED)
    made = take(made, made["access"] == NO_DAY)  # an idle plan would pass for one that an opening was part of
    never = take(made, rng.random(made["patient"].size) < 0.04)
    some_day = visits.pick(rng, never["patient"])
    future = CUTOFF + rng.integers(1, 200, some_day.size)
    future = np.where(rng.random(some_day.size) < 0.5, future, some_day)
    plans = [by_group("D3310", "D3320", "D3330", never["tooth"]), never["code"], np.full(future.size, CODE["D7140"])]
    code = np.choose(rng.integers(0, 3, future.size), plans)
    who = never["clinician"]
    idle = rows(never["patient"], future, code, never["tooth"], clinician=who, status=PLANNED, filed=some_day)
    return [plan, idle]


def _void(rng: np.random.Generator, made: Columns, visits: Visits, people: People) -> list[Columns]:
    twice = take(made, rng.random(made["patient"].size) < 0.012)
    copy = rows(
        twice["patient"], twice["seat"], twice["code"], twice["tooth"], clinician=twice["clinician"], status=VOID
    )
    wrong = take(made, rng.random(made["patient"].size) < 0.008)
    when = visits.pick(rng, wrong["patient"])
    code = np.where(rng.random(when.size) < 0.5, CODE["D7140"], by_group("D3310", "D3320", "D3330", wrong["tooth"]))
    return [copy, rows(wrong["patient"], when, code, wrong["tooth"], clinician=wrong["clinician"], status=VOID)]


def _after_extraction(rng: np.random.Generator, visits: Visits, events: Columns) -> Columns:
    gone = take(events, (events["kind"] == EXTRACTION) & (rng.random(events["kind"].size) < 0.12))
    when = visits.at_or_after(gone["patient"], gone["day"] + 1)
    soon = (when != NO_DAY) & (when < gone["day"] + 90)  # before an implant can stand there
    g, when = take(gone, soon), when[soon]
    code = np.where(rng.random(when.size) < 0.5, CODE["D2750"], by_group("D3310", "D3320", "D3330", g["tooth"]))
    return rows(g["patient"], when, code, g["tooth"], clinician=g["clinician"])


def _unknown_code(rng: np.random.Generator, visits: Visits) -> Columns:
    nth = np.flatnonzero(rng.random(visits.day.size) < 0.003)
    return rows(visits.patient[nth], visits.day[nth], CODE[UNKNOWN_CODE])


def _late_refunds(rng: np.random.Generator, people: People, crowns: Columns) -> Columns:
    # Money given back long after the crown, on no visit: it takes nothing back.
    n = crowns["patient"].size
    when = crowns["last_row"] + REVERSAL_DAYS + rng.integers(1, 700, n)
    chosen = (crowns["origin"] == MADE_HERE) & ~crowns["free"] & (rng.random(n) < 0.008)
    chosen &= (when <= people.end[crowns["patient"]]) & (when < _gone(crowns))
    crowns["late_refund"] = np.where(chosen, when, NO_DAY)
    c, day = take(crowns, chosen), when[chosen]
    return rows(c["patient"], day, c["code"], c["tooth"], clinician=c["clinician"], negative=c["last_row"])


def _crowns_charted_again(rng: np.random.Generator, visits: Visits, crowns: Columns) -> Columns:
    # Our own crowns as they stood in the mouth at a later examination, under a crown code that may be another.
    theirs = crowns["origin"] != MADE_HERE
    key = crowns["patient"] * 100 + crowns["tooth"]
    c = take(crowns, ~among(np.sort(key[theirs]), key) & (rng.random(key.size) < 0.03))
    seen = visits.at_or_after(c["patient"], c["last_row"] + 1)
    known = (seen != NO_DAY) & (seen < _gone(c))
    c, seen = take(c, known), seen[known]
    code = np.where(rng.random(seen.size) < 0.5, c["code"], CODE["D2740"])
    undated = rng.random(seen.size) < 0.5
    return rows(c["patient"], np.where(undated, NO_DAY, seen), code, c["tooth"], status=EXISTING, filed=seen)


def _courses_charted_again(rng: np.random.Generator, visits: Visits, courses: Columns, lost: Days) -> Columns:
    ours = (courses["charted"] == HERE) & ~courses["repeat"] & (courses["completed"] != NO_DAY)
    chosen = ours & (rng.random(ours.size) < 0.03)
    c = take(courses, chosen)
    seen = visits.at_or_after(c["patient"], c["completed"] + 1)
    known = (seen != NO_DAY) & (seen < lost[chosen])
    c, seen = take(c, known), seen[known]
    undated = rng.random(seen.size) < 0.5
    when = np.where(undated, NO_DAY, seen)
    return rows(c["patient"], when, course_code(c), c["tooth"], status=EXISTING, filed=seen)


def _by_two_clinicians(rng: np.random.Generator, real: Columns) -> Columns:
    # Crowns and root canals posted once more the same day under another clinician.
    about = np.isin(real["code"], [CODE[c] for c in ("D2740", "D2750", "D2790", "D3310", "D3320", "D3330")])
    about &= (real["status"] == COMPLETED) & (rng.random(about.size) < 0.004)
    out = take(real, about)
    return out | {"clinician": (out["clinician"] + 1) % 6}


def _garbled(rng: np.random.Generator, real: Columns) -> Columns:
    # Extra copies of rows about a tooth, each with one fault.
    names_a_tooth = (real["tooth"] > 0) & (real["code"] != CODE["D9951"])  # that one may lack it
    candidates = np.flatnonzero(names_a_tooth & (real["status"] == COMPLETED))
    chosen = candidates[rng.random(candidates.size) < 0.006]
    out = take(real, chosen)
    return out | {"fault": rng.integers(0, len(FAULTS), chosen.size)}
