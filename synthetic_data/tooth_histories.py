"""The life of every tooth that gets a crown: seats, root canals, failures, new crowns, extractions.

Simulated crown by crown in generations: all first crowns at once, then the crowns that replaced them, and so on.
Only what falls within the patient's time at the practice comes to be. What is drawn here is the truth; the ledger
that shows it is made elsewhere.
"""

from dataclasses import dataclass, field

import numpy as np

from synthetic_data import elsewhere as others
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
from synthetic_data.elsewhere import HERE
from synthetic_data.hazards import YEAR, Covariates, Days, Flags, Ints, access_day, draw_failure, log_hazard
from synthetic_data.materials import draw_material
from synthetic_data.people import GROUP, NO_DAY, People
from synthetic_data.postings import BUCCAL, LINGUAL, NOT_NAMED, OCCLUSAL, REASON_OTHER, REASON_ROOT_FILLED
from synthetic_data.truth import Truth

CAUSES = ("replaced", "redone", "retainer", "removed", "extracted")
REPLACED, REDONE, RETAINER, REMOVED, EXTRACTED = range(5)
NORMAL, HYPEREMIC, NECROTIC, ROOT_FILLED = range(4)
KINDS = ("single", "retainer", "onlay", "prefabricated")
SINGLE, RETAINER_CROWN, ONLAY, PREFABRICATED = range(4)
# How a crown is posted: once at the seat, twice with the seat last, at preparation with the seat recorded elsewhere,
# at the seat (recorded) and once more afterwards, or twice, months apart, first without a fee.
AT_SEAT, POSTED_TWICE, AT_PREPARATION, POSTED_AGAIN, PAIRED = range(5)
# A crown from elsewhere: with its date, with the date it was charted here, or without one. -1: made here.
MADE_HERE, DATED, CHARTED, UNDATED = -1, 0, 1, 2
# A new crown this soon after a course was called for by the course, whatever else might have called for it.
RENEWAL_DAYS = 125
# Rows of one crown: as far apart as this, and one of them without a fee. With some days to spare.
PAIR_DAYS = 125
# A filling or repair this soon after a course closes the opening. With a day to spare.
CLOSURE_DAYS = 61
# A filling within so many days of a course belongs to it. With a day to spare.
HINT_DAYS = 401


@dataclass
class Histories:
    """Everything that happened to teeth.

    `crowns`: one row a crown with its fate; `courses`: one row a course; `events`: one row a dated event here of the
    kinds in EVENTS with `patient, tooth, day, kind, clinician, detail` (why a tooth was extracted, the surface of a
    filling, 1 for a repair); `elsewhere`: one row a removal, a crown or an extraction that others did, with `patient,
    tooth, day, event, charted, clinician, detail`, and `material` of a crown.
    """

    courses: Courses = field(default_factory=Courses)
    crowns: list[Columns] = field(default_factory=list)
    events: list[Columns] = field(default_factory=list)
    elsewhere: list[Columns] = field(default_factory=list)

    def event(self, kind: int, c: Columns, when: Days, rows: Flags, *, detail: Ints | int = 0) -> None:
        """Add an event of `kind` for the chosen rows."""
        columns = {
            "patient": c["patient"][rows],
            "tooth": c["tooth"][rows],
            "day": when[rows],
            "kind": np.full(int(rows.sum()), kind),
            "clinician": c["clinician"][rows],
            "detail": np.broadcast_to(detail, rows.shape)[rows],
        }
        self.events.append(columns)

    def by_others(
        self, event: int, c: Columns, when: Days, *, rows: Flags, charted: Ints, detail: Ints | int = 0
    ) -> Ints:
        """Add a thing that others did for the chosen rows; gives its number for each of them, -1 for the rest."""
        n = int(rows.sum())
        columns = {
            "patient": c["patient"][rows],
            "tooth": c["tooth"][rows],
            "day": when[rows],
            "event": np.full(n, event),
            "charted": charted[rows],
            "clinician": c["clinician"][rows],
            "detail": np.broadcast_to(detail, rows.shape)[rows],
            "material": c.get("material", np.zeros(rows.size, np.int64))[rows],
        }
        before = sum(part["day"].size for part in self.elsewhere)
        self.elsewhere.append(columns)
        out = np.full(rows.size, -1)
        out[rows] = before + np.arange(n)
        return out

    def loss(
        self, truth: Truth, rng: np.random.Generator, c: Columns, *, when: Days, rows: Flags, filled: Flags
    ) -> Ints:
        """Extract the chosen teeth, here or elsewhere; gives the number of each loss elsewhere, -1 for the rest."""
        way = others.draw_loss(truth, rng, rows.size)
        why = np.where(
            filled,
            np.searchsorted(REASON_ROOT_FILLED, rng.random(rows.size)),
            np.searchsorted(REASON_OTHER, rng.random(rows.size)),
        )
        why = np.minimum(why, 7)
        self.event(EXTRACTION, c, when, rows & (way == HERE), detail=why)
        return self.by_others(others.EXTRACTION, c, when, rows=rows & (way != HERE), charted=way, detail=why)


EXTRACTION, IMPLANT, IMPLANT_CROWN, PONTIC, REMOVAL, SURGERY, COMPLICATION, FILLING, POST = range(9)


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
    # All days here are counted from the seat until they are stored.
    entry, stop = c["entry"] - seat, people.end[c["patient"]] - seat
    frailty = people.frailty[c["patient"]]
    wait = rng.exponential(size=n)
    need = access_day(truth, wait, c["pulp"] == HYPEREMIC, filled, frailty=frailty, entry=entry)
    risk = np.exp(log_hazard(truth, covariates(people, c))) * frailty
    fail = draw_failure(truth, rng, np.log(risk), np.ones(n), filled, access=need, entry=entry)
    opened = (need < fail) & (need <= stop)
    failed = fail <= stop
    until = np.where(failed, seat + fail - 1, seat + stop)  # last day on which the tooth can be treated
    way = np.where(opened, others.draw_referral(truth, rng, n), HERE)
    last_endo = _open_through(truth, rng, c, log, start=seat + need, opened=opened, until=until, charted=way)
    open_last = np.where(opened, last_endo, NO_DAY)
    traced = c["traced"] & ((way == HERE) | np.isin(way, others.DATED))
    again, done = _later_endo(truth, rng, c, log, filled=(filled | opened) & traced, last_endo=last_endo, until=until)
    last_endo = np.maximum(last_endo, done)
    fate = {
        "access": np.where(opened, seat + need, NO_DAY),
        "failed": failed,
        "fail": np.where(failed, seat + fail, NO_DAY),
        "risk": risk,
    }
    cause = _cause(truth, rng, c, filled=filled | opened, when=seat + fail, last_endo=last_endo)
    new, more = _endings(
        truth,
        rng,
        people,
        c,
        log,
        fate=fate,
        cause=cause,
        filled=filled | opened,
        traced=traced,
        last_endo=last_endo,
        opening_last=open_last,
    )
    fate |= more
    windows = [(fate["access"], open_last), (again, done), (np.where(c["straddles"], seat, NO_DAY), c["last_endo"])]
    fate |= _complications(truth, rng, c, log, until=until, fate=fate, windows=windows)
    fate |= _fillings_on_crowns(truth, rng, c, log, until=until, fate=fate, charted=way)
    log.crowns.append(_posting(c, until, fate["access"]) | fate)
    return new


def _open_through(
    truth: Truth,
    rng: np.random.Generator,
    c: Columns,
    log: Histories,
    *,
    start: Days,
    opened: Flags,
    until: Days,
    charted: Ints,
) -> Days:
    # The root canal through the crown. Gives the day of the tooth's last endo row so far.
    o = take(c, opened)
    way = charted[opened]
    style = draw_style(truth, rng, o["clinician"])
    begun = start[opened]
    finish = np.where(way == HERE, finish_day(rng, begun, style), begun)
    _, last = log.courses.add(
        o,
        started=begun,
        finish=finish,
        style=style,
        stop=until[opened],
        at_start=_crown_at_start(o),
        hyperemic=o["pulp"] == HYPEREMIC,
        necrotic=rng.random(begun.size) < 0.4,
        charted=way,
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
) -> tuple[Days, Days]:
    # Retreatment and surgery; gives the first and the last day of a retreatment, NO_DAY where there was none.
    f = take(c, filled)
    since = np.maximum(last_endo[filled], f["seat"])
    way = others.dated_or_not(others.draw_referral(truth, rng, since.size))
    start, finish = draw_retreatments(
        truth, rng, log.courses, f, since=since, stop=until[filled], at_start=_crown_at_start(f), charted=way
    )
    surgery = draw_surgery(truth, rng, since=since, start=start, done=finish)
    log.event(SURGERY, f, surgery, surgery <= until[filled])
    first, last = np.full(filled.size, NO_DAY), np.full(filled.size, NO_DAY)
    first[filled], last[filled] = start, finish
    return first, last


def _crown_at_start(c: Columns) -> Ints:
    return np.where(c["known"], CROWNED, CROWNED_UNKNOWN_AGE)


def _cause(truth: Truth, rng: np.random.Generator, c: Columns, *, filled: Flags, when: Days, last_endo: Days) -> Ints:
    vital = np.cumsum([truth.cause_vital[k] for k in CAUSES])
    endo = np.cumsum([truth.cause_root_filled[k] for k in CAUSES])
    u = rng.random(filled.size)
    drawn = np.where(filled, np.searchsorted(endo / endo[-1], u), np.searchsorted(vital / vital[-1], u))
    # Soon after a course a crown is replaced or lost with its tooth; nothing else, so that what is seen is told.
    soon = filled & (when <= last_endo + RENEWAL_DAYS)
    drawn = np.where(soon & (drawn != EXTRACTED), REPLACED, drawn)
    # A new crown weeks after one without a fee would pass for the second row of that one.
    free_before = c["free"] & (when <= c["seat"] + PAIR_DAYS)
    return np.where(free_before & (drawn != EXTRACTED), EXTRACTED, drawn)


def _endings(
    truth: Truth,
    rng: np.random.Generator,
    people: People,
    c: Columns,
    log: Histories,
    *,
    fate: Columns,
    cause: Ints,
    filled: Flags,
    traced: Flags,
    last_endo: Days,
    opening_last: Days,
) -> tuple[Columns, Columns]:
    # What is done when a crown fails: the crowns that come next, and what to add to the old ones' fate.
    n, failed = cause.size, fate["failed"]
    when, stop = np.where(failed, fate["fail"], 2 * people.end.max()), people.end[c["patient"]]
    style = draw_style(truth, rng, c["clinician"], pulp_first=0.3)
    style = np.where(filled & (style == PULP_FIRST), TWO_ROWS, style)
    finish = finish_day(rng, when, style)
    seated = finish + rng.integers(14, 101, n)
    impossible = (seated > stop) | (filled & ((when < last_endo + 200) | ~traced))
    cause = np.where((cause == REDONE) & impossible, REPLACED, cause)
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
        close_by=finish[redone],
    )
    after = last_endo.copy()
    after[redone] = last
    theirs = _ended_by_others(truth, rng, c, log, cause=cause, when=when, failed=failed)
    log.event(REMOVAL, c, when, failed & (cause == REMOVED) & (theirs < 0))
    extracted = failed & (cause == EXTRACTED)
    theirs = np.maximum(theirs, log.loss(truth, rng, c, when=when, rows=extracted, filled=filled))
    post_implants(truth, rng, c, log, since=when, rows=extracted & (theirs < 0), stop=stop)
    remade = (cause == REMOVED) & (rng.random(n) < 0.7)
    posted = np.select([cause == REDONE, remade], [seated, when + rng.integers(20, 61, n)], when)
    new = (cause == REPLACED) | (cause == REDONE) | (cause == RETAINER) | remade
    renewed = failed & new & (theirs < 0) & (posted <= stop)
    planned = redone & ~filled & (rng.random(n) < truth.redone_planned)
    free = (cause == REPLACED) & (c["origin"] == MADE_HERE) & (when > c["seat"] + 60 + PAIR_DAYS)
    free &= (when < c["seat"] + 2 * YEAR) & (rng.random(n) < truth.remake_without_fee)
    log.event(PONTIC, c, when, renewed & (cause == RETAINER))
    crowns = _next_crowns(
        truth,
        rng,
        take(c, renewed),
        first_row=posted[renewed],
        filled=(filled | redone)[renewed],
        traced=traced[renewed],
        last_endo=after[renewed],
        stop=stop[renewed],
        single=redone[renewed] | free[renewed],
        kind=np.where(cause == RETAINER, RETAINER_CROWN, SINGLE)[renewed],
        planned_on=np.where(planned, when - rng.integers(1, 31, n), NO_DAY)[renewed],
        free=free[renewed],
    )
    next_seat = np.full(n, NO_DAY)
    next_seat[renewed] = crowns["seat"]
    return crowns, {
        "access": np.where(redone & ~filled, when, fate["access"]),
        "fail": np.where(redone, posted, fate["fail"]),
        "gave_up": np.where(redone, when, NO_DAY),
        "cause": cause,
        "planned": planned,
        "next_seat": np.where(cause == REMOVED, NO_DAY, next_seat),
        "opening_last": np.where(redone & ~filled, after, opening_last),
        "theirs": theirs,
    }


def _ended_by_others(
    truth: Truth, rng: np.random.Generator, c: Columns, log: Histories, *, cause: Ints, when: Days, failed: Flags
) -> Ints:
    # Crowns taken off or replaced elsewhere: the numbers of those events, -1 for the rest.
    n = cause.size
    share = np.select([cause == REMOVED, cause == REPLACED], [truth.removed_elsewhere, truth.replaced_elsewhere], 0.0)
    chosen = failed & (rng.random(n) < share)
    way = others.dated_or_not(others.draw_charting(rng, n, 1.0, truth.charted))
    off = log.by_others(others.CROWN_REMOVED, c, when, rows=chosen & (cause == REMOVED), charted=way)
    new = log.by_others(others.CROWN, c, when, rows=chosen & (cause == REPLACED), charted=way)
    return np.maximum(off, new)


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


def _complications(
    truth: Truth,
    rng: np.random.Generator,
    c: Columns,
    log: Histories,
    *,
    until: Days,
    fate: Columns,
    windows: list[tuple[Days, Days]],
) -> Columns:
    # None while a root canal through the crown is being closed: a repair then belongs to it.
    n = until.size
    upset = c["entry"] + 30 + exponential_days(rng, truth.complication_per_year, n)
    known = upset <= until
    for first, last in [*windows, (fate["gave_up"], fate["fail"])]:
        known &= (first == NO_DAY) | (upset < first) | (upset > last + CLOSURE_DAYS)
    log.event(COMPLICATION, c, upset, known, detail=(rng.random(n) < 0.3).astype(np.int64))
    return {"complication": np.where(known, upset, NO_DAY)}


def _fillings_on_crowns(
    truth: Truth, rng: np.random.Generator, c: Columns, log: Histories, *, until: Days, fate: Columns, charted: Ints
) -> Columns:
    # The hole that others left is closed here; a filling that looks like it and is none; fillings at the neck.
    n, made = until.size, c["origin"] == MADE_HERE
    surface = np.array([NOT_NAMED, OCCLUSAL, LINGUAL])[rng.integers(0, 3, n)]
    closed = fate["access"] + rng.integers(1, 61, n)
    unseen = made & (charted == others.NOT) & (rng.random(n) < truth.hint_after_opening) & (closed <= until)
    dated = np.isin(charted, others.DATED) & (rng.random(n) < 0.3) & (closed <= until)
    log.event(FILLING, c, closed, unseen | dated, detail=surface)
    false = c["entry"] + 60 + exponential_days(rng, truth.false_hint_per_year, n)
    sound = made & (fate["access"] == NO_DAY) & ~c["root_filled"]
    shown = sound & (false <= until) & (~fate["failed"] | (false < fate["fail"] - HINT_DAYS))
    log.event(FILLING, c, false, shown, detail=surface)
    neck = c["entry"] + 90 + exponential_days(rng, truth.cervical_filling_per_year, n)
    log.event(FILLING, c, neck, neck <= until, detail=BUCCAL)
    return {"hint": np.select([unseen, shown], [closed, false], NO_DAY), "hint_true": unseen}


def _next_crowns(
    truth: Truth,
    rng: np.random.Generator,
    old: Columns,
    *,
    first_row: Days,
    filled: Flags,
    traced: Flags,
    last_endo: Days,
    stop: Days,
    single: Flags,
    kind: Ints,
    planned_on: Days,
    free: Flags,
) -> Columns:
    # `first_row` is the day on which the new crown is first posted; its seat may be later.
    n = first_row.size
    posting, gap, detail, recorded = draw_posting(rng, n)
    late = (posting == POSTED_TWICE) | (posting == AT_PREPARATION) | (posting == PAIRED)
    crowded = (posting == PAIRED) & (first_row <= old["seat"] + 60 + PAIR_DAYS)
    once = late & (single | crowded | (first_row + gap > stop) | (kind != SINGLE))
    posting = np.where(once, AT_SEAT, posting)
    late &= ~once
    seat = np.where(late, first_row + gap, first_row)
    pulp = np.where(rng.random(n) < truth.share_hyperemic, HYPEREMIC, NORMAL)
    material = np.where(kind == RETAINER_CROWN, 1, draw_material(rng, seat))
    ahead = first_row - rng.integers(1, 60, n)
    ahead = np.where(last_endo < first_row - 1, np.maximum(ahead, last_endo + 1), ahead)
    ahead = np.where(rng.random(n) < 0.6, ahead, NO_DAY)
    prep = np.where(late, first_row, seat - np.where(rng.random(n) < 0.05, 0, rng.integers(5, 13, n)))
    # A crown that is renewed with its root canal is prepared after it.
    prep = np.where((last_endo > prep) & (last_endo <= seat), last_endo, prep)
    return {
        "patient": old["patient"],
        "tooth": old["tooth"],
        "clinician": old["clinician"],
        "seat": seat,
        "entry": seat,
        "known": np.ones(n, bool),
        "origin": np.full(n, MADE_HERE),
        "kind": kind,
        "prep": prep,
        "root_filled": filled,
        "traced": traced,
        "pulp": np.where(filled, ROOT_FILLED, pulp),
        "last_endo": last_endo,
        "material": material,
        "posting": posting,
        "gap": gap,
        "detail": detail,
        "recorded": recorded,
        "straddles": np.zeros(n, bool),
        "planned_on": np.where(planned_on == NO_DAY, ahead, planned_on),
        "free": free,
        "pulp_told": rng.random(n) < 0.92,
        "post_told": draw_post(rng, filled),
        "post_row": np.zeros(n, bool),
    }


def draw_posting(rng: np.random.Generator, n: int) -> tuple[Ints, Days, Flags, Flags]:
    """How a crown is posted, the days between its two dates, and whether details and a seat date were recorded."""
    posting = np.searchsorted([0.74, 0.84, 0.95, 0.98], rng.random(n))
    told = (posting == AT_PREPARATION) | (posting == POSTED_AGAIN)
    detail = (rng.random(n) < 0.85) | told
    recorded = detail & ((rng.random(n) < 0.8) | told)
    gap = np.where(posting == PAIRED, rng.integers(62, 91, n), rng.integers(10, 29, n))
    return posting, gap, detail, recorded


def draw_post(rng: np.random.Generator, filled: Flags) -> Ints:
    """The post as recorded: none, one of two kinds (1, 2), or not told (-1); none in a vital tooth."""
    n = filled.size
    return np.where(filled, np.where(rng.random(n) < 0.7, rng.integers(0, 3, n), -1), 0)


def _posting(c: Columns, until: Days, opened: Days) -> Columns:
    # A second row after the seat must neither meet an opening or the next crown's rows nor outlive the follow-up.
    out = dict(c)
    quiet = (until > c["seat"] + 150) & ((opened == NO_DAY) | (opened > c["seat"] + 150))
    out["posting"] = np.where((c["posting"] == POSTED_AGAIN) & ~quiet, AT_SEAT, c["posting"])
    return out
