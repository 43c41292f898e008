"""The rows that a correct ledger would hold for what happened: visits, fillings, crowns, root canals, extractions."""

from __future__ import annotations

import numpy as np

from synthetic_data.courses import CROWNED, ONE_VISIT, PULP_FIRST, Columns, stack, take
from synthetic_data.hazards import YEAR, Ints
from synthetic_data.people import FILLED_TEETH, GROUP, NO_DAY, PONTIC_TOOTH, People, Visits
from synthetic_data.postings import (
    CODE,
    CROWN_REMOVED,
    EXISTING,
    FIRST_EXTRA,
    FIRST_PRIMARY,
    REASON_OTHER,
    REASON_ROOT_FILLED,
    by_group,
    crown_code,
    rows,
)
from synthetic_data.tooth_histories import (
    AT_PREPARATION,
    COMPLICATION,
    DATED,
    EXTRACTION,
    IMPLANT,
    IMPLANT_CROWN,
    MADE_HERE,
    POSTED_AGAIN,
    POSTED_TWICE,
    REMOVAL,
    RETAINER_ROW,
    SURGERY,
    UNDATED,
)


def post_visits(rng: np.random.Generator, people: People, visits: Visits) -> list[Columns]:
    """Examinations, hygiene, films, fillings, and the teeth of children; every visit leaves at least one row."""
    p, day, first = visits.patient, visits.day, visits.nth == 0
    own = people.clinician[p]
    gums = rng.random(people.size) < 0.12
    exam = rows(p, day, np.where(first, CODE["D0150"], CODE["D0120"]), clinician=own)
    clean = rng.random(p.size) < 0.92
    hygiene = rows(p[clean], day[clean], np.where(gums[p[clean]], CODE["D4910"], CODE["D1110"]))
    filmed = first | (rng.random(p.size) < 0.4)
    films = rows(p[filmed], day[filmed], np.where(first[filmed], CODE["D0210"], CODE["D0274"]))
    child = (day - people.birth[p]) < 12 * YEAR
    grown = (day - people.birth[p]) > 16 * YEAR
    return [
        exam,
        hygiene,
        films,
        _fillings(rng, people, p, day, grown & (rng.random(p.size) < 0.14)),
        _primary_teeth(rng, people, visits, child & (rng.random(p.size) < 0.3)),
        _third_molars(rng, people, visits),
    ]


def _fillings(rng: np.random.Generator, people: People, p: Ints, day: Ints, chosen: np.ndarray) -> Columns:
    p, day = p[chosen], day[chosen]
    tooth = people.teeth[p, np.array(FILLED_TEETH)[rng.integers(0, len(FILLED_TEETH), p.size)]]
    back = np.array([CODE["D2391"], CODE["D2392"], CODE["D2140"]])[rng.integers(0, 3, p.size)]
    code = np.where(GROUP[tooth - 1] == 0, CODE["D2330"], back)
    return rows(p, day, code, tooth, surface=rng.integers(1, 6, p.size), clinician=people.clinician[p])


def _primary_teeth(rng: np.random.Generator, people: People, visits: Visits, chosen: np.ndarray) -> Columns:
    # Some teeth are filled, others drop out, none twice: a tooth that is gone is never treated again.
    p, day, nth = visits.patient[chosen], visits.day[chosen], visits.nth[chosen]
    fill = (rng.random(p.size) < 0.75) | (nth > 11)
    code = np.where(fill, CODE["D2391"], CODE["D7111"])
    tooth = FIRST_PRIMARY + np.where(fill, rng.integers(0, 8, p.size), 8 + nth)
    return rows(p, day, code, tooth, clinician=people.clinician[p])


def _third_molars(rng: np.random.Generator, people: People, visits: Visits) -> Columns:
    p = np.flatnonzero((rng.random(people.size) < 0.05) & (people.first - people.birth > 17 * YEAR))
    tooth = np.array([1, 16, 17, 32])[rng.integers(0, 4, p.size)]
    return rows(p, visits.pick(rng, p), CODE["D7240"], tooth, clinician=people.clinician[p])


def post_crowns(rng: np.random.Generator, people: People, crowns: Columns) -> list[Columns]:
    """Rows of crowns made here, as each was posted, and `existing` rows of those from elsewhere."""
    code = crown_code(rng, crowns["material"])
    crowns["code"] = code
    here = crowns["origin"] == MADE_HERE
    seat, gap, posting = crowns["seat"], crowns["gap"], crowns["posting"]
    early = here & ((posting == POSTED_TWICE) | (posting == AT_PREPARATION))
    at_seat = here & (posting != AT_PREPARATION)
    again = here & (posting == POSTED_AGAIN)
    crowns["first_row"] = np.where(early, seat - gap, seat)

    def post(chosen: np.ndarray, when: Ints) -> Columns:
        c = take(crowns, chosen)
        return rows(c["patient"], when[chosen], code[chosen], c["tooth"], clinician=c["clinician"])

    # A crown posted at its preparation still has to be seated: that visit leaves a row of its own.
    seated = take(crowns, here & (posting == AT_PREPARATION))
    visit = rows(seated["patient"], seated["seat"], CODE["D9951"], clinician=seated["clinician"])
    old = take(crowns, ~here)
    first = people.first[old["patient"]]
    charted = np.select([old["origin"] == DATED, old["origin"] == UNDATED], [old["seat"], NO_DAY], first)
    history = rows(
        old["patient"],
        charted,
        code[~here],
        old["tooth"],
        clinician=old["clinician"],
        status=EXISTING,
        filed=first,
    )
    return [post(early, seat - gap), post(at_seat, seat), post(again, seat + gap), visit, history]


def post_courses(rng: np.random.Generator, courses: Columns) -> list[Columns]:
    """Rows of root canals, of the cores placed after them and of the fillings that close a crown again."""
    first = by_group("D3310", "D3320", "D3330", courses["tooth"])
    again = by_group("D3346", "D3347", "D3348", courses["tooth"])
    code = np.where(courses["repeat"] & ~courses["coded_as_initial"], again, first)
    pulp = courses["style"] == PULP_FIRST
    started, completed = courses["started"], courses["completed"]
    later = (courses["visits"] == 2) & (courses["style"] != ONE_VISIT)
    opening = np.where(pulp, CODE["D3221"], code)

    def post(chosen: np.ndarray, when: Ints, what: Ints, **more: Ints | int) -> Columns:
        c = take(courses, chosen)
        return rows(c["patient"], when[chosen], what[chosen], c["tooth"], clinician=c["clinician"], **more)

    done = completed != NO_DAY
    crowned = courses["at_start"] >= CROWNED
    core = done & ~crowned & (rng.random(done.size) < 0.7)
    post_or_core = np.where(rng.random(done.size) < 0.4, CODE["D2954"], CODE["D2950"])
    closed = np.where(GROUP[courses["tooth"] - 1] == 0, CODE["D2330"], CODE["D2391"])
    closing = done & crowned & (rng.random(done.size) < 0.85)
    everyone = np.ones(done.size, bool)
    return [
        post(everyone, started, opening),
        post(later, completed, code),
        post(core, completed, post_or_core),
        post(closing, completed, closed, surface=1),
    ]


def post_events(rng: np.random.Generator, people: People, events: Columns) -> list[Columns]:
    """Rows of extractions, implants, bridges, crowns taken off, surgery and complications."""
    tooth, n = events["tooth"], events["tooth"].size
    extraction = np.where(rng.random(n) < 0.6, CODE["D7140"], CODE["D7210"])
    why = np.where(
        events["root_filled"],
        np.searchsorted(REASON_ROOT_FILLED, rng.random(n)),
        np.searchsorted(REASON_OTHER, rng.random(n)),
    )
    code = np.zeros(n, np.int64)
    kind = events["kind"]
    for which, what in (
        (EXTRACTION, extraction),
        (IMPLANT, CODE["D6010"]),
        (IMPLANT_CROWN, CODE["D6058"]),
        (RETAINER_ROW, CODE["D6750"]),
        (REMOVAL, CODE[CROWN_REMOVED]),
        (SURGERY, by_group("D3410", "D3421", "D3425", tooth)),
        (COMPLICATION, np.where(rng.random(n) < 0.7, CODE["D2920"], CODE["D2980"])),
    ):
        code = np.where(kind == which, what, code)
    reason = np.where(kind == EXTRACTION, np.minimum(why, 7), 0)
    main = rows(events["patient"], events["day"], code, tooth, clinician=events["clinician"], reason=reason)
    b = take(events, kind == RETAINER_ROW)
    pontic = people.teeth[b["patient"], PONTIC_TOOTH]
    return [main, rows(b["patient"], b["day"], CODE["D6240"], pontic, clinician=b["clinician"])]


def post_extra_teeth(rng: np.random.Generator, people: People, visits: Visits, crowns: Columns) -> Columns:
    """Extractions of supernumerary teeth beside crowned ones: a trap for whoever drops the mark of an extra tooth."""
    once = np.unique(crowns["patient"] * 100 + crowns["tooth"], return_index=True)[1]
    chosen = take(crowns, once[rng.random(once.size) < 0.004])
    extra = FIRST_EXTRA + chosen["tooth"] - 1
    p = chosen["patient"]
    return rows(p, visits.pick(rng, p), CODE["D7140"], extra, clinician=people.clinician[p])


def real_rows(
    rng: np.random.Generator, people: People, visits: Visits, *, crowns: Columns, courses: Columns, events: Columns
) -> Columns:
    """Every row of a ledger without slips. Adds `code` and `first_row` to `crowns`."""
    parts = post_visits(rng, people, visits)
    parts += post_crowns(rng, people, crowns)
    parts += post_courses(rng, courses)
    parts += post_events(rng, people, events)
    parts.append(post_extra_teeth(rng, people, visits, crowns))
    return stack(parts)
