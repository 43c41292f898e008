"""From what happened to what the ledger holds: rows of our own work, signs of losses, what is charted of others."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.courses import Columns, stack, take
from synthetic_data.elsewhere import (
    CROWN,
    DATED,
    EXTRACTION,
    HERE,
    NOT,
    SIGN,
    Contacts,
    among,
    middle_of_year,
    settle_charting,
    year_of,
)
from synthetic_data.hazards import Days, Flags, Ints
from synthetic_data.ledger import post_courses, post_events, post_existing, post_signs, real_rows
from synthetic_data.people import NO_DAY, People, Visits
from synthetic_data.postings import COMPLETED
from synthetic_data.tooth_histories import EXTRACTION as EXTRACTED_HERE
from synthetic_data.tooth_histories import REMOVAL, Histories

NEVER_LOST = 1_000_000


@dataclass(frozen=True)
class Settled:
    """What happened, with how each thing that others did is charted in the end and the date in the files (`found`).

    `real` are the ledger rows without slips; `lost` is the true day on which the tooth of each course was gone.
    """

    crowns: Columns
    courses: Columns
    events: Columns
    by_others: Columns
    real: Columns
    lost: Days


def settle(rng: np.random.Generator, people: People, visits: Visits, log: Histories) -> Settled:
    """Write down all that was done here, then chart the rest; what was to be charted on a day of ours is done here."""
    crowns, courses, events = stack(log.crowns), log.courses.all(), stack(log.events)
    by_others = _place_signs(rng, visits, stack(log.elsewhere))
    parts = real_rows(rng, people, visits, crowns=crowns, courses=courses, events=events)
    parts.append(post_signs(rng, by_others))
    contacts = Contacts.of(*_completed(parts))
    lost = _lost(courses, events, by_others)
    seen = contacts.seen(courses["patient"], courses["started"])
    middle_seen = contacts.seen(courses["patient"], middle_of_year(courses["started"]))
    charted, found = settle_charting(
        courses | {"day": courses["started"]},
        seen,
        visits,
        lost=lost,
        same_year=_year_of_a_seat(courses, crowns),
        middle_seen=middle_seen,
    )
    ours = (courses["charted"] != HERE) & (charted == HERE)
    courses |= {"charted": charted, "found": found, "day": courses["started"]}
    more = take(courses, ours)
    parts += [*post_courses(rng, more | {"close_by": more["completed"]})]
    by_others, moved = _settle_others(by_others, contacts, visits)
    parts += post_events(rng, people, moved)
    parts.append(post_existing(rng, visits, courses, by_others))
    return Settled(crowns, courses, stack([events, moved]), by_others, stack(parts), lost)


def _completed(parts: list[Columns]) -> tuple[Ints, Days]:
    patient, day, status = (np.concatenate([p[name] for p in parts]) for name in ("patient", "day", "status"))
    counts = (status == COMPLETED) & (day != NO_DAY)
    return patient[counts], day[counts]


def _place_signs(rng: np.random.Generator, visits: Visits, c: Columns) -> Columns:
    # An implant or a pontic is there when the patient is next seen, or comes in the weeks before.
    charted, day = c["charted"].copy(), c["day"]
    visit = visits.at_or_after(c["patient"], day + 1)
    sign = day + 1 + (rng.random(day.size) * np.maximum(visit - day, 0)).astype(np.int64)
    charted[(charted == SIGN) & (visit == NO_DAY)] = NOT
    return c | {"charted": charted, "found": np.where(charted == SIGN, np.minimum(sign, visit), NO_DAY)}


def _settle_others(c: Columns, contacts: Contacts, visits: Visits) -> tuple[Columns, Columns]:
    # Also gives, as events, the extractions and removals that were done here after all.
    no = np.zeros(c["day"].size, bool)
    seen = contacts.seen(c["patient"], c["day"])
    never = np.full(no.size, NEVER_LOST)
    charted, found = settle_charting(c, seen, visits, lost=never, same_year=no, middle_seen=no)
    found = np.where(charted == SIGN, c["found"], found)
    unknown = (charted == HERE) & (c["event"] == CROWN)
    charted[unknown], found[unknown] = NOT, NO_DAY
    out = c | {"charted": charted, "found": found}
    moved = take(out, charted == HERE)
    kind = np.where(moved["event"] == EXTRACTION, EXTRACTED_HERE, REMOVAL)
    names = ("patient", "tooth", "day", "clinician", "detail")
    ours = {name: moved[name] for name in names} | {"kind": kind, "told": np.zeros(kind.size, np.int64)}
    return out, ours


def _lost(courses: Columns, events: Columns, by_others: Columns) -> Days:
    here = take(events, events["kind"] == EXTRACTED_HERE)
    there = take(by_others, by_others["event"] == EXTRACTION)
    key = np.concatenate([tooth_key(here), tooth_key(there)])
    day = np.concatenate([here["day"], there["day"]])
    return lookup(key, day, tooth_key(courses), NEVER_LOST)


def _year_of_a_seat(courses: Columns, crowns: Columns) -> Flags:
    of_seats = tooth_key(crowns) * 10_000 + year_of(crowns["seat"])
    return among(np.sort(of_seats), tooth_key(courses) * 10_000 + year_of(courses["started"]))


def tooth_key(c: Columns) -> Ints:
    """One number for each tooth of each patient."""
    return c["patient"] * 100 + c["tooth"]


def lookup(key: Ints, value: Ints, asked: Ints, default: int) -> Ints:
    """The value of each asked key, of which there is at most one; the default where there is none."""
    if not key.size:
        return np.full(asked.size, default)
    order = np.argsort(key, kind="stable")
    nth = np.minimum(np.searchsorted(key[order], asked), key.size - 1)
    return np.where(key[order][nth] == asked, value[order][nth], default)


def is_dated(charted: Ints) -> Flags:
    """Whether each thing was done here or is known by its day."""
    return np.asarray((charted == HERE) | np.isin(charted, DATED))
