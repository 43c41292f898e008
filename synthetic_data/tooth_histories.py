"""The life of every tooth that gets a crown: seats, root canals, failures, new crowns, extractions.

Simulated crown by crown in generations: all first crowns at once, then the crowns that replaced them, and so on.
Only what falls within the patient's time at the practice comes to be. What is drawn here is the truth; the ledger
that shows it is made elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from synthetic_data.courses import (
    CROWNED,
    CROWNED_UNKNOWN_AGE,
    PULP_FIRST,
    TWO_ROWS,
    Columns,
    Courses,
    draw_retreatments,
    draw_style,
    draw_surgery,
    exponential_days,
    finish_day,
    take,
)
from synthetic_data.hazards import YEAR, Covariates, Days, Flags, Ints, draw_access, draw_failure, log_hazard
from synthetic_data.materials import draw_material
from synthetic_data.people import GROUP, NO_DAY, People
from synthetic_data.truth import Truth

CAUSES = ("replaced", "redone", "retainer", "removed", "extracted")
REPLACED, REDONE, RETAINER, REMOVED, EXTRACTED = range(5)
NORMAL, HYPEREMIC, NECROTIC, ROOT_FILLED = range(4)
# How a crown is posted: once at the seat, twice with the seat last, at preparation with the seat recorded elsewhere,
# or at the seat (recorded) and once more afterwards.
AT_SEAT, POSTED_TWICE, AT_PREPARATION, POSTED_AGAIN = range(4)
# A crown from elsewhere: with its date, with the date it was charted here, or without one. -1: made here.
MADE_HERE, DATED, CHARTED, UNDATED = -1, 0, 1, 2
# Longest time after a course within which a new crown would mean that the old one was given up for the course.
REMAKE_DAYS = 125


@dataclass
class Histories:
    """Everything that happened to teeth.

    `crowns`: one row a crown with its fate; `courses`: one row a course; `events`: one row a dated event of the kinds
    in EVENTS with `patient, tooth, day, kind, clinician, root_filled`.
    """

    courses: Courses = field(default_factory=Courses)
    crowns: list[Columns] = field(default_factory=list)
    events: list[Columns] = field(default_factory=list)

    def event(self, kind: int, c: Columns, when: Days, rows: Flags, *, root_filled: Flags | bool = False) -> None:
        """Add an event of `kind` for the chosen rows."""
        filled = np.broadcast_to(root_filled, rows.shape)
        columns = {
            "patient": c["patient"][rows],
            "tooth": c["tooth"][rows],
            "day": when[rows],
            "kind": np.full(int(rows.sum()), kind),
            "clinician": c["clinician"][rows],
            "root_filled": filled[rows],
        }
        self.events.append(columns)


EVENTS = ("extraction", "implant", "implant_crown", "retainer", "removal", "surgery", "complication")
EXTRACTION, IMPLANT, IMPLANT_CROWN, RETAINER_ROW, REMOVAL, SURGERY, COMPLICATION = range(7)


def live(truth: Truth, rng: np.random.Generator, people: People, crowns: Columns, log: Histories) -> None:
    """Follow crowns and all that replace them to the end; everything that happens goes into `log`."""
    while crowns["patient"].size:
        crowns = _one_generation(truth, rng, people, crowns, log)


def covariates(people: People, c: Columns) -> Covariates:
    """What acts on each crown's failure."""
    p = c["patient"]
    return Covariates(
        age=(c["seat"] - people.birth[p]) / YEAR,
        year=1970 + c["seat"] / YEAR,
        male=people.male[p],
        smoker=people.smoker[p],
        diabetes=people.diabetes[p],
        bruxism=people.bruxism[p],
        group=GROUP[c["tooth"] - 1],
        material=c["material"],
        clinician=np.where(c["origin"] == MADE_HERE, c["clinician"], -1),
    )


def _one_generation(truth: Truth, rng: np.random.Generator, people: People, c: Columns, log: Histories) -> Columns:
    n, seat, filled = c["patient"].size, c["seat"], c["root_filled"]
    end = people.end[c["patient"]]
    # All days below are counted from the seat until they are stored.
    entry = c["entry"] - seat
    gone = entry + 60 + exponential_days(rng, truth.lost_elsewhere_per_year, n)  # an implant shows it
    stop = np.minimum(end - seat, gone - 1)
    need = draw_access(truth, rng, c["pulp"] == HYPEREMIC, filled, entry)
    fail = draw_failure(
        truth,
        rng,
        log_hazard(truth, covariates(people, c)),
        people.frailty[c["patient"]],
        filled,
        access=need,
        entry=entry,
    )
    opened = (need < fail) & (need <= stop)
    failed = fail <= stop
    until = np.where(failed, seat + fail - 1, seat + stop)  # last day on which the tooth can be treated
    last_endo = _open_through(truth, rng, c, log, start=seat + need, opened=opened, until=until)
    last_endo = np.maximum(
        last_endo, _later_endo(truth, rng, c, log, filled=filled | opened, last_endo=last_endo, until=until)
    )
    cause = _cause(truth, rng, filled | opened, seat + fail <= last_endo + REMAKE_DAYS)
    upset = c["entry"] + 30 + exponential_days(rng, truth.complication_per_year, n)
    log.event(COMPLICATION, c, upset, upset <= until)
    lost = ~failed & (seat + gone <= end)
    log.event(IMPLANT, c, seat + gone, lost)
    new = _endings(
        truth,
        rng,
        c,
        log,
        when=seat + fail,
        failed=failed,
        cause=cause,
        filled=filled | opened,
        last_endo=last_endo,
        stop=seat + stop,
    )
    fate = {
        "access": np.where(opened, seat + need, NO_DAY),
        "failed": failed,
        "fail": np.where(failed, seat + fail, NO_DAY),
        "cause": cause,
        "implant_seen": np.where(lost, seat + gone, NO_DAY),
        "complication": np.where(upset <= until, upset, NO_DAY),
    }
    log.crowns.append(_posting(rng, c, until) | fate)
    return new


def _open_through(
    truth: Truth, rng: np.random.Generator, c: Columns, log: Histories, *, start: Days, opened: Flags, until: Days
) -> Days:
    # The root canal through the crown. Gives the day of the tooth's last endo row so far.
    o = take(c, opened)
    style = draw_style(truth, rng, o["clinician"])
    begun = start[opened]
    _, last = log.courses.add(
        o,
        started=begun,
        finish=finish_day(rng, begun, style),
        style=style,
        stop=until[opened],
        at_start=_crown_at_start(o),
        hyperemic=o["pulp"] == HYPEREMIC,
        necrotic=rng.random(begun.size) < 0.4,
    )
    out = c["last_endo"].copy()
    out[opened] = last
    return out


def _later_endo(
    truth: Truth,
    rng: np.random.Generator,
    c: Columns,
    log: Histories,
    *,
    filled: Flags,
    last_endo: Days,
    until: Days,
) -> Days:
    f = take(c, filled)
    since = np.maximum(last_endo[filled], f["seat"])
    start, finish = draw_retreatments(
        truth, rng, log.courses, f, since=since, stop=until[filled], at_start=_crown_at_start(f)
    )
    surgery = draw_surgery(truth, rng, since=since, start=start, done=finish)
    log.event(SURGERY, f, surgery, surgery <= until[filled])
    out = np.full(filled.size, NO_DAY)
    out[filled] = finish
    return out


def _crown_at_start(c: Columns) -> Ints:
    return np.where(c["known"], CROWNED, CROWNED_UNKNOWN_AGE)


def _cause(truth: Truth, rng: np.random.Generator, filled: Flags, soon_after_endo: Flags) -> Ints:
    vital = np.cumsum([truth.cause_vital[k] for k in CAUSES])
    endo = np.cumsum([truth.cause_root_filled[k] for k in CAUSES])
    u = rng.random(filled.size)
    drawn = np.where(filled, np.searchsorted(endo / endo[-1], u), np.searchsorted(vital / vital[-1], u))
    # A new crown soon after a course would make the course a reason for it: such teeth are lost instead.
    return np.where(filled & soon_after_endo, EXTRACTED, drawn)


def _endings(
    truth: Truth,
    rng: np.random.Generator,
    c: Columns,
    log: Histories,
    *,
    when: Days,
    failed: Flags,
    cause: Ints,
    filled: Flags,
    last_endo: Days,
    stop: Days,
) -> Columns:
    # What is posted when a crown fails, and the crowns that come next. `cause` is corrected in place.
    style = draw_style(truth, rng, c["clinician"], pulp_first=0.3)
    style = np.where(filled & (style == PULP_FIRST), TWO_ROWS, style)
    finish = finish_day(rng, when, style)
    seated = finish + rng.integers(14, 101, when.size)
    impossible = (seated > stop) | (filled & (when < last_endo + 200))
    cause[(cause == REDONE) & impossible] = REPLACED
    redone = failed & (cause == REDONE)
    r = take(c, redone)
    _, last = log.courses.add(
        r,
        started=when[redone],
        finish=finish[redone],
        style=style[redone],
        stop=stop[redone],
        repeat=filled[redone],
        at_start=_crown_at_start(r),
        hyperemic=r["pulp"] == HYPEREMIC,
    )
    after = last_endo.copy()
    after[redone] = last
    log.event(RETAINER_ROW, c, when, failed & (cause == RETAINER), root_filled=filled)
    log.event(REMOVAL, c, when, failed & (cause == REMOVED))
    extracted = failed & (cause == EXTRACTED)
    log.event(EXTRACTION, c, when, extracted, root_filled=filled)
    post_implants(truth, rng, c, log, since=when, rows=extracted, stop=stop)
    remade = (cause == REMOVED) & (rng.random(when.size) < 0.7)
    posted = np.select([cause == REDONE, remade], [seated, when + rng.integers(20, 61, when.size)], when)
    renewed = failed & ((cause == REPLACED) | (cause == REDONE) | remade) & (posted <= stop)
    return _next_crowns(
        truth,
        rng,
        take(c, renewed),
        first_row=posted[renewed],
        filled=(filled | redone)[renewed],
        last_endo=after[renewed],
        stop=stop[renewed],
        single=redone[renewed],
    )


def post_implants(
    truth: Truth, rng: np.random.Generator, c: Columns, log: Histories, *, since: Days, rows: Flags, stop: Days
) -> None:
    """Some extracted teeth make way for an implant and its crown, if there is time."""
    n = rows.size
    placed = since + rng.integers(90, 240, n)
    crowned = placed + rng.integers(90, 160, n)
    chosen = rows & (rng.random(n) < truth.implant_after_extraction) & (placed <= stop)
    log.event(IMPLANT, c, placed, chosen)
    log.event(IMPLANT_CROWN, c, crowned, chosen & (crowned <= stop))


def _next_crowns(
    truth: Truth,
    rng: np.random.Generator,
    old: Columns,
    *,
    first_row: Days,
    filled: Flags,
    last_endo: Days,
    stop: Days,
    single: Flags,
) -> Columns:
    # `first_row` is the day on which the new crown is first posted; its seat may be later.
    n = first_row.size
    posting, gap, detail, recorded = draw_posting(rng, n)
    late = (posting == POSTED_TWICE) | (posting == AT_PREPARATION)
    posting = np.where(late & (single | (first_row + gap > stop)), AT_SEAT, posting)
    late = (posting == POSTED_TWICE) | (posting == AT_PREPARATION)
    seat = np.where(late, first_row + gap, first_row)
    pulp = np.where(rng.random(n) < truth.share_hyperemic, HYPEREMIC, NORMAL)
    return {
        "patient": old["patient"],
        "tooth": old["tooth"],
        "clinician": old["clinician"],
        "seat": seat,
        "entry": seat,
        "known": np.ones(n, bool),
        "origin": np.full(n, MADE_HERE),
        "root_filled": filled,
        "pulp": np.where(filled, ROOT_FILLED, pulp),
        "last_endo": last_endo,
        "material": draw_material(rng, seat),
        "posting": posting,
        "gap": gap,
        "detail": detail,
        "recorded": recorded,
        "straddles": np.zeros(n, bool),
    }


def draw_posting(rng: np.random.Generator, n: int) -> tuple[Ints, Days, Flags, Flags]:
    """How a crown is posted, the days between its two dates, and whether details and a seat date were recorded."""
    posting = np.searchsorted([0.76, 0.86, 0.97], rng.random(n))
    detail = (rng.random(n) < 0.85) | (posting >= AT_PREPARATION)
    recorded = detail & ((rng.random(n) < 0.8) | (posting >= AT_PREPARATION))
    return posting, rng.integers(10, 29, n), detail, recorded


def _posting(rng: np.random.Generator, c: Columns, until: Days) -> Columns:
    # A second row after the seat must neither meet the next crown's rows nor outlive the follow-up.
    out = dict(c)
    quiet = until > c["seat"] + 150
    out["posting"] = np.where((c["posting"] == POSTED_AGAIN) & ~quiet, AT_SEAT, c["posting"])
    return out
