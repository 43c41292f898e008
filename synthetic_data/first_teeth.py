"""How each tooth's history begins: first crowns, crowns from elsewhere, root canals without a crown, extractions."""

from __future__ import annotations

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
from synthetic_data.hazards import Days, Flags, Ints
from synthetic_data.materials import draw_material
from synthetic_data.people import NO_DAY, People
from synthetic_data.tooth_histories import (
    CHARTED,
    DATED,
    EXTRACTION,
    HYPEREMIC,
    MADE_HERE,
    NECROTIC,
    NORMAL,
    POSTED_TWICE,
    ROOT_FILLED,
    SURGERY,
    UNDATED,
    Histories,
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
    crowns = stack([_first_crowns(truth, rng, people, made, log), _existing_crowns(truth, rng, people, found)])
    live(truth, rng, people, crowns, log)
    filled, used = _own_teeth(people, people.endo_only, used)
    _endo_without_crown(truth, rng, people, filled, log)
    extracted, used = _own_teeth(people, people.extractions, used)
    extracted["clinician"] = draw_clinician(truth, rng, people, extracted["patient"])
    day = _within(rng, people, extracted["patient"], 100)
    everyone = np.ones(day.size, bool)
    log.event(EXTRACTION, extracted, day, everyone)
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


def _first_crowns(truth: Truth, rng: np.random.Generator, people: People, c: Columns, log: Histories) -> Columns:
    n = c["patient"].size
    c["clinician"] = draw_clinician(truth, rng, people, c["patient"])
    seat = _within(rng, people, c["patient"], 200)
    pulp = draw_pulp(truth, rng, n)
    room = seat - people.first[c["patient"]]
    earlier = (rng.random(n) < truth.share_filled_long_before) & (room > 450)
    pulp = np.where(earlier, ROOT_FILLED, pulp)
    before = earlier | chosen_first(truth, rng, pulp, c["clinician"])
    started, finish, style = _course_before(
        truth, rng, c, seat, earlier=earlier, room=room, end=people.end[c["patient"]]
    )
    posting, gap, detail, recorded = draw_posting(rng, n)
    b = take(c, before)
    completed, _ = log.courses.add(
        b,
        started=started[before],
        finish=finish[before],
        style=style[before],
        stop=people.end[b["patient"]],
        at_start=NO_CROWN,
        hyperemic=pulp[before] == HYPEREMIC,
        necrotic=pulp[before] == NECROTIC,
    )
    last_endo = np.full(n, NO_DAY)
    last_endo[before] = completed
    return c | {
        "seat": seat,
        "entry": seat,
        "known": np.ones(n, bool),
        "origin": np.full(n, MADE_HERE),
        "root_filled": before,
        "pulp": pulp,
        "last_endo": last_endo,
        "material": draw_material(rng, seat),
        "posting": posting,
        "gap": np.where(posting == POSTED_TWICE, gap + rng.integers(-5, 25, n), gap),
        "detail": detail,
        "recorded": recorded,
        "straddles": before & (started < seat) & (finish > seat),
    }


def _course_before(
    truth: Truth, rng: np.random.Generator, c: Columns, seat: Days, *, earlier: Flags, room: Days, end: Days
) -> tuple[Days, Days, Ints]:
    # Start, finish and style of a course before the seat: weeks before, on the day, years before, or straddling it.
    n = seat.size
    style = draw_style(truth, rng, c["clinician"])
    lag = np.where(rng.random(n) < 0.04, 0, rng.integers(5, 76, n))
    lag = np.where(earlier, 200 + (rng.random(n) * (np.minimum(room, 2200) - 300)).astype(np.int64), lag)
    finish = seat - lag
    started = np.where(style == ONE_VISIT, finish, finish - rng.integers(7, 43, n))
    straddles = (rng.random(n) < 0.02) & ~earlier & (seat + 21 <= end)
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
        "root_filled": np.zeros(n, bool),
        "pulp": np.where(rng.random(n) < truth.share_hyperemic / 2, HYPEREMIC, NORMAL),
        "last_endo": np.full(n, NO_DAY),
        "material": draw_material(rng, seat),
        "posting": np.zeros(n, np.int64),
        "gap": np.zeros(n, np.int64),
        "detail": np.zeros(n, bool),
        "recorded": np.zeros(n, bool),
        "straddles": np.zeros(n, bool),
    }


def _endo_without_crown(truth: Truth, rng: np.random.Generator, people: People, c: Columns, log: Histories) -> None:
    c["clinician"] = draw_clinician(truth, rng, people, c["patient"])
    n = c["patient"].size
    started = _within(rng, people, c["patient"], 1)
    style = draw_style(truth, rng, c["clinician"])
    finish = finish_day(rng, started, style)
    extracted = finish + exponential_days(rng, truth.extraction_per_year_uncrowned, n)
    end = people.end[c["patient"]]
    until = np.minimum(end, extracted - 1)
    necrotic = rng.random(n) < 0.5
    _, last = log.courses.add(
        c, started=started, finish=finish, style=style, stop=until, hyperemic=~necrotic, necrotic=necrotic
    )
    start, done = draw_retreatments(truth, rng, log.courses, c, since=last, stop=until, at_start=NO_CROWN)
    surgery = draw_surgery(truth, rng, since=last, start=start, done=done)
    log.event(SURGERY, c, surgery, surgery <= until)
    log.event(EXTRACTION, c, extracted, extracted <= end, root_filled=True)
    post_implants(truth, rng, c, log, since=extracted, rows=extracted <= end, stop=end)
