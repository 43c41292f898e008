"""The rows that a correct ledger would hold for what happened: visits, fillings, crowns, root canals, extractions."""

import numpy as np

from synthetic_data.courses import CROWNED, ONE_VISIT, PULP_FIRST, Columns, stack, take
from synthetic_data.elsewhere import CROWN as CROWN_ELSEWHERE
from synthetic_data.elsewhere import DATED_ROW, HERE, ON_VISIT, SIGN, UNDATED_ROW
from synthetic_data.elsewhere import EXTRACTION as EXTRACTED_ELSEWHERE
from synthetic_data.hazards import YEAR, Ints
from synthetic_data.people import FILLED_TEETH, GROUP, NO_DAY, PONTIC_TOOTH, People, Visits
from synthetic_data.postings import (
    CODE,
    CROWN_REMOVED,
    EXISTING,
    FIRST_EXTRA,
    FIRST_PRIMARY,
    NOT_NAMED,
    OCCLUSAL,
    REASON_NOT_TOLD,
    by_group,
    crown_code,
    rows,
)
from synthetic_data.tooth_histories import (
    AT_PREPARATION,
    COMPLICATION,
    DATED,
    EXTRACTION,
    FILLING,
    IMPLANT,
    IMPLANT_CROWN,
    MADE_HERE,
    PAIRED,
    PONTIC,
    POST,
    POSTED_AGAIN,
    POSTED_TWICE,
    REMOVAL,
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
    code = crown_code(rng, crowns["material"], crowns["kind"])
    crowns["code"] = code
    here = crowns["origin"] == MADE_HERE
    seat, gap, posting = crowns["seat"], crowns["gap"], crowns["posting"]
    early = here & np.isin(posting, (POSTED_TWICE, AT_PREPARATION, PAIRED))
    at_seat = here & (posting != AT_PREPARATION)
    again = here & (posting == POSTED_AGAIN)
    crowns["first_row"] = np.where(early, seat - gap, seat)
    crowns["last_row"] = np.where(again, seat + gap, np.where(here & (posting == AT_PREPARATION), seat - gap, seat))
    # A pair is posted at the preparation without a fee; a remake has none at all.
    paired, free = posting == PAIRED, crowns["free"]

    def post(chosen: np.ndarray, when: Ints, without_fee: np.ndarray) -> Columns:
        c = take(crowns, chosen)
        return rows(
            c["patient"], when[chosen], code[chosen], c["tooth"], clinician=c["clinician"], free=without_fee[chosen]
        )

    # A crown posted at its preparation still has to be seated: that visit leaves a row of its own.
    seated = take(crowns, here & (posting == AT_PREPARATION))
    visit = rows(seated["patient"], seated["seat"], CODE["D9951"], seated["tooth"], clinician=seated["clinician"])
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
    return [
        post(early, seat - gap, paired | free),
        post(at_seat, seat, free),
        post(again, seat + gap, free),
        visit,
        history,
    ]


def post_courses(rng: np.random.Generator, courses: Columns) -> list[Columns]:
    """Rows of root canals done here, of the cores placed after them and of what closes a crown again.

    A crown is closed by a filling of one surface or a repair, on the last day of the course or within two months.
    """
    code = course_code(courses)
    started, completed = courses["started"], courses["completed"]
    # A pulpotomy that no root canal followed would be no begun course: it keeps the pulp alive.
    kept_alive = (rng.random(code.size) < 0.4) & (completed != NO_DAY)
    first_row = np.where(kept_alive, CODE["D3220"], CODE["D3221"])
    later = (courses["visits"] == 2) & (courses["style"] != ONE_VISIT)
    opening = np.where(courses["style"] == PULP_FIRST, first_row, code)

    def post(chosen: np.ndarray, when: Ints, what: Ints, **more: Ints | int) -> Columns:
        c = take(courses, chosen)
        return rows(c["patient"], when[chosen], what[chosen], c["tooth"], clinician=c["clinician"], **more)

    done = completed != NO_DAY
    crowned = courses["at_start"] >= CROWNED
    core = done & ~crowned & (rng.random(done.size) < 0.7)
    post_or_core = np.where(rng.random(done.size) < 0.4, CODE["D2954"], CODE["D2950"])
    repaired = rng.random(done.size) < 0.15
    closed = np.where(repaired, CODE["D2980"], _one_surface(courses["tooth"], rng.random(done.size) < 0.8))
    closing = done & crowned & (rng.random(done.size) < 0.85)
    when = completed + np.where(rng.random(done.size) < 0.7, 0, rng.integers(1, 61, done.size))
    when = np.where(when <= courses["close_by"], when, completed)
    surface = np.where(repaired, NOT_NAMED, OCCLUSAL)
    everyone = np.ones(done.size, bool)
    return [
        post(everyone, started, opening),
        post(later, completed, code),
        post(core, completed, post_or_core),
        post(closing, when, closed, surface=surface[closing]),
    ]


def course_code(courses: Columns) -> Ints:
    """Code of each course by the tooth's group; a repeat may be coded as a first treatment."""
    first = by_group("D3310", "D3320", "D3330", courses["tooth"])
    again = by_group("D3346", "D3347", "D3348", courses["tooth"])
    return np.where(courses["repeat"] & ~courses["coded_as_initial"], again, first)


def _one_surface(tooth: Ints, composite: np.ndarray) -> Ints:
    back = np.where(composite, CODE["D2391"], CODE["D2140"])
    return np.where(GROUP[tooth - 1] == 0, CODE["D2330"], back)


def post_events(rng: np.random.Generator, people: People, events: Columns) -> list[Columns]:
    """Rows of extractions, implants, bridges, crowns taken off, surgery, complications, fillings and posts.

    Adds `told` to `events`: why a tooth was extracted, as an index of REASONS, 0 where the row does not say.
    """
    tooth, n = events["tooth"], events["tooth"].size
    extraction = np.where(rng.random(n) < 0.6, CODE["D7140"], CODE["D7210"])
    told = (events["kind"] == EXTRACTION) & (rng.random(n) >= REASON_NOT_TOLD)
    events["told"] = np.where(told, events["detail"], 0)
    code = np.zeros(n, np.int64)
    kind = events["kind"]
    for which, what in (
        (EXTRACTION, extraction),
        (IMPLANT, CODE["D6010"]),
        (IMPLANT_CROWN, CODE["D6058"]),
        (PONTIC, CODE["D6240"]),
        (REMOVAL, CODE[CROWN_REMOVED]),
        (SURGERY, by_group("D3410", "D3421", "D3425", tooth)),
        (COMPLICATION, np.where(events["detail"] == 1, CODE["D2980"], CODE["D2920"])),
        (FILLING, _one_surface(tooth, rng.random(n) < 0.8)),
        (POST, CODE["D2954"]),
    ):
        code = np.where(kind == which, what, code)
    tooth = np.where(kind == PONTIC, people.teeth[events["patient"], PONTIC_TOOTH], tooth)
    surface = np.where(kind == FILLING, events["detail"], 0)
    clinician = events["clinician"]
    return [
        rows(
            events["patient"],
            events["day"],
            code,
            tooth,
            clinician=clinician,
            reason=events["told"],
            surface=surface,
        )
    ]


def post_signs(rng: np.random.Generator, by_others: Columns) -> Columns:
    """Implants and pontics that stand where a tooth was that others took out."""
    s = take(by_others, by_others["charted"] == SIGN)
    code = np.where(rng.random(s["day"].size) < 0.6, CODE["D6010"], CODE["D6245"])
    return rows(s["patient"], s["found"], code, s["tooth"], clinician=s["clinician"])


def post_existing(rng: np.random.Generator, visits: Visits, courses: Columns, by_others: Columns) -> Columns:
    """`existing` rows of what others did, as far as the ledger and not the table of such work holds it."""
    crown = np.where(rng.random(by_others["day"].size) < 0.5, CODE["D2740"], CODE["D2750"])
    code = np.select(
        [by_others["event"] == EXTRACTED_ELSEWHERE, by_others["event"] == CROWN_ELSEWHERE],
        [CODE["D7140"], crown],
        CODE[CROWN_REMOVED],
    )
    parts = []
    for things, what in ((courses, course_code(courses)), (by_others, code)):
        in_ledger = np.isin(things["charted"], (DATED_ROW, ON_VISIT, UNDATED_ROW))
        c = take(things, in_ledger)
        p = c["patient"]
        # Written down when the patient was next seen.
        filed = visits.at_or_after(p, c["day"])
        filed = np.where(filed == NO_DAY, c["day"], filed)
        parts.append(
            rows(p, c["found"], what[in_ledger], c["tooth"], clinician=c["clinician"], status=EXISTING, filed=filed)
        )
    return stack(parts)


def post_extra_teeth(rng: np.random.Generator, people: People, visits: Visits, crowns: Columns) -> Columns:
    """Extractions of supernumerary teeth beside crowned ones: a trap for whoever drops the mark of an extra tooth."""
    once = np.unique(crowns["patient"] * 100 + crowns["tooth"], return_index=True)[1]
    chosen = take(crowns, once[rng.random(once.size) < 0.004])
    extra = FIRST_EXTRA + chosen["tooth"] - 1
    p = chosen["patient"]
    return rows(p, visits.pick(rng, p), CODE["D7140"], extra, clinician=people.clinician[p])


def real_rows(
    rng: np.random.Generator, people: People, visits: Visits, *, crowns: Columns, courses: Columns, events: Columns
) -> list[Columns]:
    """Every row, without slips, of what was done here. Adds `code`, `first_row` and `last_row` to `crowns`."""
    parts = post_visits(rng, people, visits)
    parts += post_crowns(rng, people, crowns)
    parts += post_courses(rng, take(courses, courses["charted"] == HERE))
    parts += post_events(rng, people, events)
    parts.append(post_extra_teeth(rng, people, visits, crowns))
    return parts
