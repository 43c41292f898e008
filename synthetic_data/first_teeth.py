"""How each tooth's history begins: first crowns, crowns from elsewhere, root canals without a crown, extractions."""

import numpy as np

from synthetic_data.courses import (
    NO_CROWN,
    ONE_VISIT,
    TWO_ROWS,
    Columns,
    draw_retreatments,
    draw_style,
    draw_surgery,
    exponential_days,
    finish_day,
    stack,
    take,
)
from synthetic_data.elsewhere import DATED as DATED_WAYS
from synthetic_data.elsewhere import HERE, dated_or_not, draw_referral
from synthetic_data.hazards import Days, Flags, Ints
from synthetic_data.materials import draw_material
from synthetic_data.people import NO_DAY, People
from synthetic_data.postings import REASON_OTHER
from synthetic_data.tooth_histories import (
    AT_PREPARATION,
    AT_SEAT,
    CHARTED,
    DATED,
    EXTRACTION,
    HYPEREMIC,
    MADE_HERE,
    NECROTIC,
    NORMAL,
    ONLAY,
    PAIRED,
    POST,
    POSTED_AGAIN,
    POSTED_TWICE,
    PREFABRICATED,
    RETAINER_CROWN,
    ROOT_FILLED,
    SINGLE,
    SURGERY,
    UNDATED,
    Histories,
    draw_post,
    draw_posting,
    live,
    post_implants,
)
from synthetic_data.truth import Truth


def draw_histories(truth: Truth, rng: np.random.Generator, people: People) -> Histories:
    """Everything that happens to the teeth of these patients."""
    log = Histories()
    used = np.zeros(people.size, np.int64)
    made, used = _own_teeth(people, people.crowns, used)
    found, used = _own_teeth(people, people.existing, used)
    other, used = _own_teeth(people, people.others, used)
    kinds = np.cumsum(list(truth.other_kinds.values()))
    kind = 1 + np.searchsorted(kinds / kinds[-1], rng.random(other["patient"].size))
    crowns = stack(
        [
            _first_crowns(truth, rng, people, made, log, kind=np.full(made["patient"].size, SINGLE)),
            _first_crowns(truth, rng, people, other, log, kind=kind),
            _existing_crowns(truth, rng, people, found),
        ]
    )
    live(truth, rng, people, crowns, log)
    filled, used = _own_teeth(people, people.endo_only, used)
    _endo_without_crown(truth, rng, people, filled, log)
    extracted, used = _own_teeth(people, people.extractions, used)
    extracted["clinician"] = draw_clinician(truth, rng, people, extracted["patient"])
    day = _within(rng, people, extracted["patient"], 100)
    everyone = np.ones(day.size, bool)
    why = np.searchsorted(REASON_OTHER, rng.random(day.size))
    log.event(EXTRACTION, extracted, day, everyone, detail=np.minimum(why, 7))
    post_implants(truth, rng, extracted, log, since=day, rows=everyone, stop=people.end[extracted["patient"]])
    return log


def draw_clinician(truth: Truth, rng: np.random.Generator, people: People, patient: Ints) -> Ints:
    """The patient's own clinician four times in five, else any."""
    own = rng.random(patient.size) < 0.8
    return np.where(own, people.clinician[patient], rng.integers(0, len(truth.clinicians), patient.size))


def _own_teeth(people: People, count: Ints, used: Ints) -> tuple[Columns, Ints]:
    # `count` teeth of each patient, the next in the patient's shuffled list after those already used.
    patient = np.repeat(np.arange(people.size), count)
    nth = np.arange(patient.size) - np.repeat(np.cumsum(count) - count, count) + used[patient]
    return {"patient": patient, "tooth": people.teeth[patient, nth]}, used + count


def _within(rng: np.random.Generator, people: People, patient: Ints, margin: int) -> Days:
    first, last = people.first[patient] + margin, people.end[patient]
    return first + (rng.random(patient.size) * (last - first + 1)).astype(np.int64)


def draw_pulp(truth: Truth, rng: np.random.Generator, n: int) -> Ints:
    """State of the pulp when the crown was planned."""
    limits = np.cumsum([1 - truth.share_necrotic - truth.share_hyperemic, truth.share_hyperemic])
    return np.searchsorted(limits, rng.random(n))


def chosen_first(truth: Truth, rng: np.random.Generator, pulp: Ints, clinician: Ints) -> Flags:
    """Which teeth get their root canal before the seat: every necrotic one, the others by the clinician's habit."""
    hyperemic = np.array([c.endo_first_hyperemic for c in truth.clinicians])[clinician]
    normal = np.array([c.endo_first_normal for c in truth.clinicians])[clinician]
    return rng.random(pulp.size) < np.select([pulp == NECROTIC, pulp == HYPEREMIC], [1.0, hyperemic], normal)


def _first_crowns(
    truth: Truth, rng: np.random.Generator, people: People, c: Columns, log: Histories, *, kind: Ints
) -> Columns:
    n = c["patient"].size
    c["clinician"] = draw_clinician(truth, rng, people, c["patient"])
    seat = _within(rng, people, c["patient"], 200)
    pulp = draw_pulp(truth, rng, n)
    room = seat - people.first[c["patient"]]
    earlier = (rng.random(n) < truth.share_filled_long_before) & (room > 550)
    before = earlier | chosen_first(truth, rng, pulp, c["clinician"])
    way = np.where(before, draw_referral(truth, rng, n), HERE)
    end = people.end[c["patient"]]
    straddles = before & ~earlier & (way == HERE) & (rng.random(n) < 0.03) & (seat + 21 <= end)
    # A hyperemic tooth was prepared with a living pulp: its root canal comes between preparation and seat.
    between = before & ~earlier & ~straddles
    between &= (pulp == HYPEREMIC) | ((pulp == NECROTIC) & (rng.random(n) < 0.25))
    posting, gap, detail, recorded = draw_posting(rng, n)
    posting = np.where((between | straddles) & (posting != AT_PREPARATION), AT_SEAT, posting)
    posting = np.where((kind != SINGLE) & (posting != AT_PREPARATION), AT_SEAT, posting)
    gap = np.where(posting == POSTED_TWICE, gap + rng.integers(-5, 25, n), gap)
    gap = np.where(between | straddles, rng.integers(22, 60, n), gap)
    at_once = ~(between | straddles) & (posting == AT_SEAT) & (rng.random(n) < 0.05)
    prep = seat - np.select([at_once, posting == POSTED_AGAIN], [0, rng.integers(10, 29, n)], gap)
    started, finish, style = _course_before(
        truth,
        rng,
        c,
        seat=seat,
        prep=prep,
        earlier=earlier,
        between=between,
        straddles=straddles,
        room=room,
        way=way,
        rows_after=np.isin(posting, (POSTED_TWICE, PAIRED)),
    )
    b = take(c, before)
    log.courses.add(
        b,
        started=started[before],
        finish=finish[before],
        style=style[before],
        stop=end[before],
        at_start=NO_CROWN,
        hyperemic=pulp[before] == HYPEREMIC,
        planned=True,
        necrotic=pulp[before] == NECROTIC,
        charted=way[before],
    )
    post_row = before & (way != HERE) & (rng.random(n) < 0.4)
    log.event(POST, c, np.where(finish <= prep, prep, seat), post_row)
    material = np.select([kind == RETAINER_CROWN, kind == ONLAY, kind == PREFABRICATED], [1, 3, 0], -1)
    ahead = np.where(prep > people.first[c["patient"]], prep - rng.integers(1, 40, n), NO_DAY)
    return c | {
        "seat": seat,
        "entry": seat,
        "known": np.ones(n, bool),
        "origin": np.full(n, MADE_HERE),
        "kind": kind,
        "prep": prep,
        "root_filled": before,
        "traced": (way == HERE) | np.isin(way, DATED_WAYS),
        "pulp": np.where(before & ~between & ~straddles, ROOT_FILLED, pulp),
        "last_endo": np.where(before, finish, NO_DAY),
        "material": np.where(material < 0, draw_material(rng, seat), material),
        "posting": posting,
        "gap": gap,
        "detail": detail,
        "recorded": recorded,
        "straddles": straddles,
        "planned_on": np.where(rng.random(n) < 0.6, ahead, NO_DAY),
        "free": np.zeros(n, bool),
        "pulp_told": rng.random(n) < 0.92,
        "post_told": draw_post(rng, before & ~straddles),
        "post_row": post_row,
    }


def _course_before(
    truth: Truth,
    rng: np.random.Generator,
    c: Columns,
    *,
    seat: Days,
    prep: Days,
    earlier: Flags,
    between: Flags,
    straddles: Flags,
    room: Days,
    way: Ints,
    rows_after: Flags,
) -> tuple[Days, Days, Ints]:
    # Start, finish and style of a course before the seat: weeks or years before the preparation, between it and the
    # seat, or begun then and finished after the seat. What others did is a single visit. Where the preparation has a
    # row of its own (`rows_after`), the course is done by the day before.
    n = seat.size
    style = draw_style(truth, rng, c["clinician"])
    lag = np.where((rng.random(n) < 0.1) & ~rows_after, 0, rng.integers(1, 61, n))
    finish = prep - lag
    finish = np.where(earlier, seat - 200 - (rng.random(n) * (np.minimum(room, 2200) - 400)).astype(np.int64), finish)
    one = (style == ONE_VISIT) | (way != HERE)
    started = np.where(one, finish, finish - rng.integers(7, 43, n))
    gap = seat - prep
    first = prep + 1 + (rng.random(n) * gap * 0.4).astype(np.int64)
    last = np.where(one, first, first + 7 + (rng.random(n) * (seat - first - 6)).astype(np.int64))
    started, finish = np.where(between, first, started), np.where(between, last, finish)
    style = np.where(straddles & (style == ONE_VISIT), TWO_ROWS, style)
    started = np.where(straddles, seat - rng.integers(5, 21, n), started)
    return started, np.where(straddles, seat + rng.integers(7, 22, n), finish), style


def _existing_crowns(truth: Truth, rng: np.random.Generator, people: People, c: Columns) -> Columns:
    n = c["patient"].size
    first, birth = people.first[c["patient"]], people.birth[c["patient"]]
    oldest = np.minimum(first - birth - 6600, 5500)  # seated after the eighteenth birthday, at most 15 years ago
    seat = first - 120 - (rng.random(n) * np.maximum(oldest - 120, 1)).astype(np.int64)
    origin = np.where(
        rng.random(n) < truth.share_existing_dated, DATED, np.where(rng.random(n) < 0.4, CHARTED, UNDATED)
    )
    known = origin == DATED
    return c | {
        "clinician": draw_clinician(truth, rng, people, c["patient"]),
        "seat": seat,
        # Nothing is simulated in the two months after an undated crown was first seen, or its charting could pass
        # for the first posting of its successor.
        "entry": np.where(known, first, first + 60),
        "known": known,
        "origin": origin,
        "kind": np.full(n, SINGLE),
        "prep": seat,
        "root_filled": np.zeros(n, bool),
        "traced": np.ones(n, bool),
        "pulp": np.where(rng.random(n) < truth.share_hyperemic / 2, HYPEREMIC, NORMAL),
        "last_endo": np.full(n, NO_DAY),
        "material": draw_material(rng, seat),
        "posting": np.zeros(n, np.int64),
        "gap": np.zeros(n, np.int64),
        "detail": np.zeros(n, bool),
        "recorded": np.zeros(n, bool),
        "straddles": np.zeros(n, bool),
        "planned_on": np.full(n, NO_DAY),
        "free": np.zeros(n, bool),
        "pulp_told": np.zeros(n, bool),
        "post_told": np.full(n, -1),
        "post_row": np.zeros(n, bool),
    }


def _endo_without_crown(truth: Truth, rng: np.random.Generator, people: People, c: Columns, log: Histories) -> None:
    c["clinician"] = draw_clinician(truth, rng, people, c["patient"])
    n = c["patient"].size
    started = _within(rng, people, c["patient"], 1)
    way = draw_referral(truth, rng, n)
    style = np.where(way == HERE, draw_style(truth, rng, c["clinician"]), ONE_VISIT)
    finish = finish_day(rng, started, style)
    extracted = finish + exponential_days(rng, truth.extraction_per_year_uncrowned, n)
    end = people.end[c["patient"]]
    until = np.minimum(end, extracted - 1)
    necrotic = rng.random(n) < 0.5
    _, last = log.courses.add(
        c,
        started=started,
        finish=finish,
        style=style,
        stop=until,
        hyperemic=~necrotic,
        necrotic=necrotic,
        charted=way,
    )
    traced = (way == HERE) | np.isin(way, DATED_WAYS)
    again = np.where(traced, dated_or_not(draw_referral(truth, rng, n)), HERE)
    start, done = draw_retreatments(
        truth,
        rng,
        log.courses,
        take(c, traced),
        since=last[traced],
        stop=until[traced],
        at_start=NO_CROWN,
        charted=again[traced],
    )
    surgery = draw_surgery(truth, rng, since=last[traced], start=start, done=done)
    log.event(SURGERY, take(c, traced), surgery, surgery <= until[traced])
    lost = extracted <= end
    theirs = log.loss(truth, rng, c, when=extracted, rows=lost, filled=np.ones(n, bool))
    post_implants(truth, rng, c, log, since=extracted, rows=lost & (theirs < 0), stop=end)
