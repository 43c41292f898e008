"""The linking rules, written once more in plain Python over the rows of one tooth: the judge of the real linker.

Slow and simple on purpose: lists, loops and dates, one function a rule, each with what it takes the rule to mean.
Shares no code with the pipeline. `link_tooth` is the entry; a test compares what it returns with what the pipeline
stores. Days are `datetime.date`; "within N days" counts both ends: N days apart is within, N + 1 is not.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise

Day = dt.date
ONE_DAY = dt.timedelta(days=1)


@dataclass(frozen=True)
class Rules:
    """The numbers of the rules, with their defaults."""

    course_gap_days: int = 180
    course_pair_days: int = 365
    crown_repost_days: int = 60
    crown_pair_days: int = 120
    lab_days: int = 21
    reversal_days: int = 60
    renewal_days: int = 120
    closure_days: int = 60
    recement_days: int = 90
    data_cutoff: Day = dt.date(2025, 12, 31)
    posted_at_prep: bool = False
    records_begin: Day | None = None
    fees_are_kept: bool = True  # most crown rows of the practice have a fee: else no rule looks at one


@dataclass(frozen=True)
class Row:
    """One posted procedure. `day` is None only for an `existing` row; `tooth` None for work on no tooth."""

    day: Day | None
    event: str
    tooth: int | None = None
    code: str = ""
    detail: str | None = None
    surface: str | None = None
    provider: str | None = None
    status: str = "completed"
    fee: float | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Person:
    """What is recorded of the patient's last contact and death."""

    last_contact: Day | None = None
    death: Day | None = None


@dataclass(frozen=True)
class Detail:
    """What is recorded of the making of a crown."""

    tooth: int
    prep: Day | None = None
    seat: Day | None = None
    material: str | None = None
    post: str | None = None
    pulp: str | None = None


@dataclass(frozen=True)
class Finding:
    """One tooth at one recall."""

    day: Day
    tooth: int
    crown_in_place: bool | None = None


@dataclass(frozen=True)
class Elsewhere:
    """What others did, as the practice knows it. `year` where a year alone is known."""

    tooth: int
    event: str
    day: Day | None = None
    year: int | None = None


@dataclass
class Course:
    """A course of root canal treatment, as it is stored."""

    started: Day
    completed: Day | None
    kind: str
    last_row: Day
    visits: int = 1
    coded_as_initial: bool = False
    done_elsewhere: bool = False
    year_only: bool = False
    crown_at_start: str = "none"
    days_to_crown: int | None = None
    retreatment_date: Day | None = None
    surgery_date: Day | None = None
    extraction_date: Day | None = None
    failure: bool = False
    failure_cause: str | None = None
    failure_elsewhere: bool = False
    loss_reason: str | None = None
    loss_interval_days: int | None = None
    exit_date: Day | None = None
    exit_reason: str | None = None


@dataclass
class Crown:
    """A crown, as it is stored. `first` and `last` are the days of its rows."""

    first: Day | None
    last: Day | None
    seat_date: Day | None
    crown_kind: str
    material: str | None = None
    seat_recorded: bool = False
    prep_date: Day | None = None
    posted_seat: Day | None = None  # the seat without the laboratory's time
    free: bool = False  # its rows have a fee of 0, all of them
    opened_while_posted: bool = False
    recorded_post: bool = False
    pulp_status_at_prep: str | None = None
    done_elsewhere: bool = False
    known_on: Day | None = None  # done elsewhere, on or before this day
    endo_timing: str | None = None
    access_date: Day | None = None
    access_elsewhere: bool = False
    reopened_date: Day | None = None
    order_uncertain: bool = False
    entry_date: Day | None = None
    exit_date: Day | None = None
    exit_reason: str | None = None
    failure: bool = False
    failure_cause: str | None = None
    failure_elsewhere: bool = False
    loss_reason: str | None = None
    loss_interval_days: int | None = None
    remake_no_fee: bool = False
    renewed_after_opening: bool = False
    first_complication_date: Day | None = None

    @property
    def stands_from(self) -> Day:
        """The seat; of a crown that nobody knows the age of, the day before it is known to be there."""
        return self.seat_date or (self.known_on or dt.date.min + ONE_DAY) - ONE_DAY


@dataclass(frozen=True)
class Loss:
    """The day by which a tooth was lost: the day itself, or where `between`, the first on which it is known to be gone.

    `there` is the last day before on which the tooth is known to be there.
    """

    gone_by: Day
    reason: str
    between: bool = False
    there: Day | None = None
    elsewhere: bool = False

    def on(self, start: Day) -> tuple[Day, int | None]:
        """The day as it is counted for what stands since `start`; and the days it may be off by."""
        if not self.between:
            return self.gone_by, None
        there = max(start, self.there or start)
        interval = (self.gone_by - there).days
        return there + dt.timedelta(days=interval // 2), interval


@dataclass
class Tooth:
    """All that is told of one tooth and its patient, after the rows that do not stand are gone."""

    rows: list[Row]  # completed rows that name this tooth and stand
    patient_rows: list[Row]  # all completed rows of the patient that stand, whatever the tooth
    charted: list[Row]  # existing rows of this tooth
    told: list[Elsewhere]
    findings: list[Finding]
    patient_findings: list[Finding]
    details: list[Detail]
    person: Person
    rules: Rules
    seen: set[Day] = field(default_factory=set)
    end: Day | None = None
    end_reason: str = "last_contact"
    implant: Day | None = None  # from that day what is done to a crown is done to that of an implant


@dataclass(frozen=True)
class Linked:
    """The crowns and courses of one tooth, in the order of their days."""

    crowns: list[Crown]
    courses: list[Course]
    late_refunds: int


CROWN_KINDS = {
    "crown_placement": "single",
    "bridge_retainer_crown": "retainer",
    "bridge_retainer_onlay": "retainer",
    "onlay": "onlay",
    "crown_prefabricated": "prefabricated",
}
KIND_ORDER = ("single", "retainer", "onlay", "prefabricated")
PULPOTOMY = "pulpotomy"
OPENS = (PULPOTOMY, "endo_emergency", "endo_incomplete")
INITIAL = "endo_initial"
RETREATMENT = "endo_retreatment"
SURGERY = "apical_surgery"
RESECTION = "root_loss"
EXTRACTIONS = ("extraction", "extraction_impacted")
REPLANTED = ("replantation", "trauma")
IMPLANT = "implant"
SHOWS_GONE = (IMPLANT, "bridge_pontic", "denture_tooth", "tooth_missing")
RECEMENTS = ("crown_recement", "bridge_recement")
REPAIRS = ("crown_repair", "bridge_repair")
ON_A_BRIDGE = ("bridge_recement", "bridge_repair", "bridge_section")
# A crown for the time being may hang in a gap: it shows neither that the tooth is there nor that it is not.
NEEDS_NO_TOOTH = (*SHOWS_GONE, *ON_A_BRIDGE, "crown_interim")
ON_AN_IMPLANT = (*CROWN_KINDS, "crown_recement", "crown_repair", "crown_removal", "crown_interim")
NEED_THE_TOOTH = ("root_canal", "retreatment", "surgery", "resection", "crown", "crown_removed")  # done elsewhere
NO_CONTACT = ("missed_appointment", "bookkeeping")
POSTS = ("fiber", "cast", "prefabricated_metal")


def link_tooth(
    tooth: int,
    procedures: list[Row],
    rules: Rules,
    *,
    person: Person | None = None,
    details: list[Detail] | None = None,
    findings: list[Finding] | None = None,
    elsewhere: list[Elsewhere] | None = None,
) -> Linked:
    """All rules on one tooth. `procedures`, `findings` are the patient's, of all teeth and of none."""
    dated = [r for r in procedures if r.status == "completed" and r.day and r.day <= rules.data_cutoff]
    standing, refunds = rows_that_stand(dated, rules)
    known = [f for f in findings or [] if f.day <= rules.data_cutoff]
    case = Tooth(
        rows=[r for r in standing if r.tooth == tooth],
        patient_rows=standing,
        charted=[r for r in procedures if r.status == "existing" and r.tooth == tooth],
        told=[e for e in elsewhere or [] if e.tooth == tooth],
        findings=sorted((f for f in known if f.tooth == tooth), key=lambda f: f.day),
        patient_findings=known,
        details=[d for d in details or [] if d.tooth == tooth],
        person=person or Person(),
        rules=rules,
    )
    lay_open(case)
    implant = first_implant(case)
    case.rows = [r for r in case.rows if not (implant and r.event in ON_AN_IMPLANT and r.day >= implant)]
    case.implant = implant
    loss = loss_of_the_tooth(case)
    courses = courses_of_endo(case)
    crowns = crowns_of(case, opening_days(case, courses))
    for i, crown in enumerate(crowns):
        enter(crown, case)
        end_crown(crown, [c for c in crowns[i + 1 :] if c.first is not None], case, loss)
    for i, crown in enumerate(crowns):
        time_of_endo(crown, crowns[:i], courses, case)
        later = [c for c in crowns[i + 1 :] if c.seat_date]
        complications(crown, later, courses, case)
        renewed(crown, later, courses, case)
    for course in courses:
        end_course(course, courses, case, loss)
        crown_of_course(course, crowns, case)
    return Linked(crowns, courses, refunds)


# Rule 2


def rows_that_stand(completed: list[Row], rules: Rules) -> tuple[list[Row], int]:
    """Rule 2. Only completed rows are done here; refunds undo what they match; doubles are one.

    Planned and void rows say nothing, and nothing after the cut-off is known: none comes here. Also the late refunds.
    """
    kept, late = without_reversed(completed, rules)
    return sorted(told_once(kept), key=lambda r: (r.day, r.event, r.code)), late


def without_reversed(rows: list[Row], rules: Rules) -> tuple[list[Row], int]:
    """Rule 2, refunds. A negative fee takes back the latest row of the same code, tooth and amount, up to 60 days old.

    If the only match is older, the refund takes back nothing and is a hint. If a row of the refund's own day and an
    older one (of whatever age) both match, it was a refund and a redo: neither is taken back. A refund is itself no
    event. One refund takes back one row.
    """
    refunds = sorted((r for r in rows if r.fee is not None and r.fee < 0), key=lambda r: r.day)
    kept = [r for r in rows if r.fee is None or r.fee >= 0]
    late = 0
    for refund in refunds:
        alike = [
            r
            for r in kept
            if r.code.upper() == refund.code.upper()
            and r.tooth == refund.tooth
            and r.fee is not None
            and round(r.fee, 2) == round(-refund.fee, 2)
            and r.day <= refund.day
        ]
        same_day = [r for r in alike if r.day == refund.day]
        older = [r for r in alike if r.day < refund.day]
        if same_day and older:
            continue
        recent = [r for r in alike if (refund.day - r.day).days <= rules.reversal_days]
        if recent:
            latest = max(recent, key=lambda r: r.day)
            kept = [r for r in kept if r is not latest]
        elif older:
            late += 1
    return kept, late


def told_once(rows: list[Row]) -> list[Row]:
    """Rule 2, doubles. One row for each patient, code, tooth and day, whoever did it and however it is spelt."""
    seen: dict[object, Row] = {}
    for row in rows:
        key = (row.day, row.code.upper(), row.event, row.tooth, (row.surface or "").upper(), row.fee, row.reason)
        seen.setdefault(key, row)
    return list(seen.values())


# Rule 11 and what stands after an extraction


def lay_open(case: Tooth) -> None:
    """Rule 11, and the days on which the patient was seen.

    Seen: any completed row that stands (a missed appointment is none) or any finding. Follow-up ends at the last such
    day or the recorded last contact if later, at death, or at the cut-off, whichever is first; of several on one day
    death stands before the cut-off and the cut-off before the last contact.
    A row that names the tooth after it was taken out is set aside: implants, pontics, dentures and bridges apart.
    """
    contacts = {r.day for r in case.patient_rows if r.event not in NO_CONTACT} | {f.day for f in case.patient_findings}
    case.seen = set(contacts)
    last = max([*contacts, *([case.person.last_contact] if case.person.last_contact else [])], default=None)
    if last is not None:
        ends = [(case.rules.data_cutoff, "cutoff"), (last, "last_contact")]
        if case.person.death:
            ends.insert(0, (case.person.death, "death"))
        case.end, case.end_reason = min(ends, key=lambda e: e[0])
    if gone := extracted_here(case):
        case.rows = [r for r in case.rows if r.day <= gone.day or r.event in (*SHOWS_GONE, *ON_A_BRIDGE)]
        case.findings = [f for f in case.findings if f.day <= gone.day]


def extracted_here(case: Tooth) -> Row | None:
    """The first extraction of ours without a replantation on its own day (rule 13, last sentence)."""
    back = {r.day for r in case.rows if r.event in REPLANTED}
    return next((r for r in case.rows if r.event in EXTRACTIONS and r.day not in back), None)


# Rule 3


@dataclass(frozen=True)
class Told:
    """One thing that others did. `day` where the day is known; `by` where it is known to be on or before a day."""

    event: str
    day: Day | None = None
    by: Day | None = None
    year_only: bool = False
    row: Row | None = None


_CHARTED_AS = {
    INITIAL: "root_canal",
    RETREATMENT: "retreatment",
    SURGERY: "surgery",
    RESECTION: "resection",
    "crown_removal": "crown_removed",
    "extraction": "extraction",
    "extraction_impacted": "extraction",
    **dict.fromkeys(CROWN_KINDS, "crown"),
    **dict.fromkeys(SHOWS_GONE, "gone"),
}


def done_elsewhere(case: Tooth, *, up_to_the_end: bool = True) -> list[Told]:
    """Rule 3. What others did, each with its day, or a day by which it was done, or neither.

    A day on which the patient was not seen here is the day itself. A day on which the patient was seen is the day of
    the charting: done on or before it. A year alone is its 1 July. Nothing after the last contact is known (rule 11),
    and nothing was done to the tooth after we took it out.
    """
    found = []
    for row in case.charted:
        event = _CHARTED_AS.get(row.event)
        if event and not charted_again(row, event, case):
            if row.day is None:
                found.append(Told(event, row=row))
            elif row.day in case.seen:
                found.append(Told(event, by=row.day, row=row))
            else:
                found.append(Told(event, day=row.day, row=row))
    for told in case.told:
        if told.event == "nothing":
            continue
        if told.year is not None:
            found.append(Told(told.event, day=dt.date(told.year, 7, 1), year_only=True))
        elif told.day is None:
            found.append(Told(told.event))
        elif told.day in case.seen:
            found.append(Told(told.event, by=told.day))
        else:
            found.append(Told(told.event, day=told.day))
    gone = extracted_here(case)
    end = case.end if up_to_the_end or not case.end else case.rules.data_cutoff
    until = min(end, gone.day) if end and gone else end
    found = [t for t in found if until and ((t.day is None and t.by is None) or (t.day or t.by) <= until)]
    if case.implant is None:
        return found
    return [
        t for t in found if t.event not in ("crown", "crown_removed") or (t.day or t.by or dt.date.min) < case.implant
    ]


def charted_again(row: Row, event: str, case: Tooth) -> bool:
    """Rule 3, charted again. Our own crown or root canal, seen in the mouth at a later visit and written down as found.

    Undated, or dated on a day when the patient was seen here and our work of that kind is not later. Its code does
    not matter: who charts picks any code of the kind. A repeat by others of our first treatment is another kind.
    """
    if row.day is not None and row.day not in case.seen:
        return False
    if event == "crown":
        ours = [r.day for r in case.rows if r.event in CROWN_KINDS]
    elif event == "root_canal":
        ours = [r.day for r in case.rows if r.event in (INITIAL, RETREATMENT)]
    elif event == "retreatment":
        ours = [r.day for r in case.rows if r.event == RETREATMENT]
    else:
        return False
    return any(row.day is None or day <= row.day for day in ours)


# Rule 4


def courses_of_endo(case: Tooth) -> list[Course]:
    """Rule 4. Rows of root canal treatment put together to courses.

    First-treatment rows each within 180 days of the one before are one course, from the first to the last. Rows that
    open the pulp (pulpotomy, pulpectomy, debridement, abandoned treatment) within 180 days before start it. A
    pulpectomy, debridement or abandoned treatment that no course follows is a course begun and never completed, if the
    tooth had none before; else it is no course. A pulpotomy that no course follows is none either: the rest of the
    pulp lives. Repeat-treatment rows make courses of their own kind. A first treatment of a tooth that has had a
    course, or on an earlier day apical surgery, which proves one, is a repeat coded as a first one; unless it is free,
    within 365 days of a row with a fee, with no crown between (on the day of that row or later): then it belongs to
    that row, on whose day the course was completed. Courses elsewhere whose day is known stand among them.
    """
    parts: list[list[Row]] = []
    for row in treatments(case):
        if parts and _same_course(parts[-1], row, case):
            parts[-1].append(row)
        elif (paid := _paid_for_before(parts, row, case)) is not None:
            paid.append(row)
        else:
            parts.append([row])
    parts, _ = with_openings(parts, [r for r in case.rows if r.event in OPENS], case)
    courses = [_course_of(rows, case) for rows in parts]
    for told in done_elsewhere(case):
        if told.event in ("root_canal", "retreatment") and told.day:
            kind = "retreatment" if told.event == "retreatment" else "initial"
            courses.append(Course(told.day, told.day, kind, told.day, done_elsewhere=True, year_only=told.year_only))
    courses.sort(key=lambda c: (c.started, c.done_elsewhere))
    for i, course in enumerate(courses):
        before = any(c.completed is not None and c.completed < course.started for c in courses[:i])
        before = before or any(
            t.event in ("root_canal", "retreatment") and t.by and t.by <= course.started for t in done_elsewhere(case)
        )
        before = before or any(day < course.started for day in surgery_by(case))
        if before and course.kind == "initial" and course.completed is not None:
            course.kind = "retreatment"
            course.coded_as_initial = True
    return courses


def treatments(case: Tooth) -> list[Row]:
    """Rows of first and repeat treatment; where a day has both, all of that day are repeats."""
    repeated = {r.day for r in case.rows if r.event == RETREATMENT}
    rows = [r for r in case.rows if r.event in (INITIAL, RETREATMENT)]
    return [replace(r, event=RETREATMENT) if r.day in repeated else r for r in rows]


def with_openings(parts: list[list[Row]], openings: list[Row], case: Tooth) -> tuple[list[list[Row]], list[Row]]:
    """Rule 4, openings. From the last to the first: each starts the next course if that begins within 180 days.

    Else it says nothing more of a tooth whose root canal was treated before; else, if the pulp was taken out or the
    treatment given up, it is a course begun alone. Also the pulpotomies that start and join no course.
    """
    gap = case.rules.course_gap_days
    treated = [list(part) for part in parts]
    first = min([part[0].day for part in parts] + known_filled(case), default=dt.date.max)
    alone: list[list[Row]] = []
    for row in sorted(openings, key=lambda r: r.day, reverse=True):
        inside = any(part[0].day < row.day <= part[-1].day for part in treated)
        ahead = [part for part in treated if part[0].day >= row.day]
        follows = min(ahead, key=lambda part: part[0].day, default=None)
        if follows and (follows[0].day - row.day).days <= gap and not (inside and follows[0].day > row.day):
            follows.insert(0, row)
        elif inside or row.day >= first:
            continue
        elif alone and (alone[-1][0].day - row.day).days <= gap:
            alone[-1].insert(0, row)
        else:
            alone.append([row])
    begun = [part for part in alone if any(r.event != PULPOTOMY for r in part)]
    alive = [r for part in alone if part not in begun for r in part]
    return sorted(treated + begun, key=lambda part: part[0].day), alive


def known_filled(case: Tooth) -> list[Day]:
    """Days on which others are known to have filled the root, or by which they are."""
    told = [t.day or t.by for t in done_elsewhere(case) if t.event in ("root_canal", "retreatment")]
    after_surgery = [day + dt.timedelta(days=1) for day in surgery_by(case)]
    return [day for day in told if day] + after_surgery


def surgery_by(case: Tooth) -> list[Day]:
    """Days of apical surgery, here or elsewhere, or by which others did it; each proves a root canal before."""
    told = [t.by for t in done_elsewhere(case) if t.event == "surgery" and t.by]
    return sorted(surgery_days(case) + told)


def lone_pulpotomies(case: Tooth) -> list[Day]:
    """Days of pulpotomies that no course follows: the crown was opened, the rest of the pulp lives."""
    treated = [[r] for r in case.rows if r.event in (INITIAL, RETREATMENT)]
    _, alive = with_openings(treated, [r for r in case.rows if r.event in OPENS], case)
    return sorted({r.day for r in alive})


def _same_course(part: list[Row], row: Row, case: Tooth) -> bool:
    """A repeat treatment goes on with nothing but a repeat; a first treatment within the gap goes on with either.

    Both posted on one day are one repeat.
    """
    near = (row.day - part[-1].day).days <= case.rules.course_gap_days
    return near and (row.event == INITIAL or any(r.event == RETREATMENT for r in part))


def _paid_for_before(parts: list[list[Row]], row: Row, case: Tooth) -> list[Row] | None:
    """The course of a row with a fee that a later free row belongs to."""
    if not case.rules.fees_are_kept or row.event != INITIAL or row.fee != 0:
        return None
    crowned = [r.day for r in case.rows if r.event in CROWN_KINDS]
    crowned += [t.day for t in done_elsewhere(case) if t.event == "crown" and t.day]
    for part in reversed(parts):
        for other in reversed(part):
            paid = (other.fee or 0) > 0
            near = (row.day - other.day).days <= case.rules.course_pair_days
            between = any(other.day <= day < row.day for day in crowned)
            if paid and near and not between:
                return part
    return None


def _course_of(rows: list[Row], case: Tooth) -> Course:
    filled = [r for r in rows if r.event in (INITIAL, RETREATMENT)]
    kind = "retreatment" if any(r.event == RETREATMENT for r in filled) else "initial"
    completed = filled[-1].day if filled else None
    if filled and _has_free_tail(filled, case):
        completed = max(r.day for r in filled if (r.fee or 0) > 0)
    return Course(rows[0].day, completed, kind, rows[-1].day, visits=len({r.day for r in rows}))


def _has_free_tail(filled: list[Row], case: Tooth) -> bool:
    """The last rows came by their fee of 0, beyond the gap."""
    gaps = [(b.day - a.day).days for a, b in pairwise(filled)]
    return bool(gaps) and max(gaps) > case.rules.course_gap_days and any((r.fee or 0) > 0 for r in filled)


def opening_days(case: Tooth, courses: list[Course]) -> list[Day]:
    """Days on which the pulp was opened: the starts of courses, here or elsewhere, and pulpotomies alone."""
    return sorted({c.started for c in courses} | set(lone_pulpotomies(case)))


# Rules 5 and 6


def crowns_of(case: Tooth, opened: list[Day]) -> list[Crown]:
    """Rules 5 and 6. Crown rows put together to crowns, of their four kinds; those done elsewhere beside them.

    All rows of one day are one crown, whose kind and material the highest fee names. Days of the same kind within 60
    days of each other are one crown; so are two within 120 days of which exactly one is free, unless the tooth was
    opened between. A crown whose rows are all free, on a tooth that had one of ours, is a remake without a fee.
    """
    days: dict[Day, list[Row]] = {}
    for row in case.rows:
        if row.event in CROWN_KINDS:
            days.setdefault(row.day, []).append(row)
    groups: list[list[tuple[Day, list[Row], str]]] = []
    uncertain: list[bool] = []
    for day in sorted(days):
        kind = _named_by_fee(days[day], case.rules)
        last = groups[-1][-1] if groups else None
        if last and last[2] == kind:
            apart = (day - last[0]).days
            between = any(last[0] < o < day for o in opened)
            if apart <= case.rules.crown_repost_days:
                groups[-1].append((day, days[day], kind))
                uncertain[-1] = uncertain[-1] or between
                continue
            if apart <= case.rules.crown_pair_days and _one_is_free(last[1], days[day], case.rules) and not between:
                groups[-1].append((day, days[day], kind))
                continue
        groups.append([(day, days[day], kind)])
        uncertain.append(False)
    crowns = [_crown_of(g, u, case, n) for n, (g, u) in enumerate(zip(groups, uncertain, strict=True))]
    _recorded(crowns, case)
    for crown in crowns:
        crown.posted_seat = crown.seat_date
        one_row = crown.first == crown.last
        if case.rules.posted_at_prep and one_row and not crown.seat_recorded:
            crown.seat_date = crown.last + dt.timedelta(days=case.rules.lab_days)
    return sorted(crowns + crowns_of_others(crowns, case), key=lambda c: (c.stands_from, c.done_elsewhere))


def crowns_of_others(ours: list[Crown], case: Tooth) -> list[Crown]:
    """Rules 3 and 12. Crowns that others seated: each on a known day, and at most one older than anyone knows.

    That one was there by the day on which it was charted, or by the first visit here. It says nothing new where a crown
    of ours, or of theirs on a known day, was there by then, nor if it has no day and there is a crown of ours.
    A recorded seat before it was seen makes its age known.
    """
    told = [t for t in done_elsewhere(case) if t.event == "crown"]
    dated = sorted({t.day for t in told if t.day})
    found = [
        Crown(day, day, day, _kind_told(t for t in told if t.day == day), done_elsewhere=True, posted_seat=day)
        for day in dated
    ]
    unknown = [t for t in told if t.day is None]
    if not unknown:
        return found
    by = min((t.by for t in unknown if t.by), default=None)
    known_on = by or min(case.seen)
    here = min((c.first for c in ours), default=None)
    ours_again = here is not None and (by is None or here < known_on)
    if not ours_again and not (dated and dated[0] <= known_on):
        found.append(Crown(None, None, None, _kind_told(unknown), done_elsewhere=True, known_on=known_on))
        recorded = [d for d in case.details if d.seat and d.seat <= known_on and (here is None or d.seat < here)]
        if recorded:
            detail = max(recorded, key=lambda d: d.seat)
            found[-1].seat_date, found[-1].seat_recorded, found[-1].prep_date = detail.seat, True, detail.prep
            found[-1].recorded_post, found[-1].pulp_status_at_prep = detail.post in POSTS, detail.pulp
            found[-1].posted_seat = detail.seat
    return found


def _kind_told(told: Iterable[Told]) -> str:
    return min(CROWN_KINDS[t.row.event] if t.row else "single" for t in told)


def _named_by_fee(rows: list[Row], rules: Rules) -> str:
    """The kind of crown of one day: that of the row with the highest fee; of equal fees the fullest cover."""
    kinds = {CROWN_KINDS[r.event] for r in rows}
    if len(kinds) > 1 and rules.fees_are_kept:
        top = max(_fee(r) for r in rows)
        kinds = {CROWN_KINDS[r.event] for r in rows if _fee(r) == top}
    return min(kinds, key=KIND_ORDER.index)


def _material(rows: list[Row], rules: Rules) -> str | None:
    """The material of one day: that of the row with the highest fee; null where rows tie and differ."""
    if rules.fees_are_kept:
        top = max(_fee(r) for r in rows)
        rows = [r for r in rows if _fee(r) == top]
    materials = {r.detail for r in rows}
    return materials.pop() if len(materials) == 1 else None


def _fee(row: Row) -> float:
    return -1.0 if row.fee is None else row.fee


def _one_is_free(one: list[Row], other: list[Row], rules: Rules) -> bool:
    """Exactly one of two days is posted at a fee of 0. An empty fee is not 0, and is no fee either."""
    if not rules.fees_are_kept:
        return False
    return all(r.fee == 0 for r in one) != all(r.fee == 0 for r in other)


def _crown_of(group: list[tuple[Day, list[Row], str]], uncertain: bool, case: Tooth, n: int) -> Crown:
    rows = [r for _, day_rows, kind in group for r in day_rows]
    kind = group[-1][2]
    of_kind = [r for r in group[-1][1] if CROWN_KINDS[r.event] == kind]
    free = case.rules.fees_are_kept and all(r.fee == 0 for r in rows)
    return Crown(
        first=group[0][0],
        last=group[-1][0],
        seat_date=group[-1][0],
        crown_kind=kind,
        material=_material(of_kind, case.rules),
        free=free,
        remake_no_fee=free and n > 0,
        opened_while_posted=uncertain,
    )


def _recorded(crowns: list[Crown], case: Tooth) -> None:
    """Each record of a crown's making belongs to the nearest crown, within 60 days of its rows."""
    for detail in case.details:
        day = detail.seat or detail.prep
        near = (
            [(min(abs((day - c.first).days), abs((day - c.last).days)), i) for i, c in enumerate(crowns)] if day else []
        )
        if not near or min(near)[0] > case.rules.crown_repost_days:
            continue
        crown = crowns[min(near)[1]]
        crown.prep_date = detail.prep
        if detail.seat:
            crown.seat_date, crown.seat_recorded = detail.seat, True
        crown.material = detail.material or crown.material
        crown.recorded_post = detail.post in POSTS
        crown.pulp_status_at_prep = detail.pulp
    for crown in crowns if case.rules.posted_at_prep else ():
        crown.prep_date = crown.prep_date or crown.first


def enter(crown: Crown, case: Tooth) -> None:
    """Rule 12. Followed from the seat, or from the day on which the records begin if that is later.

    One that others made is followed from the day it is known to be there and the patient was seen here.
    """
    if crown.done_elsewhere:
        crown.entry_date = max(crown.seat_date or dt.date.min, crown.known_on or min(case.seen))
        return
    crown.entry_date = max(d for d in (crown.seat_date, case.rules.records_begin) if d)


# Rule 13 and rule 10


def loss_of_the_tooth(case: Tooth) -> Loss | None:
    """Rules 10 and 13. The first loss: our extraction, one elsewhere on a known day, or what shows the tooth gone.

    A reason that is orthodontic or an injury is `other`; none is `unknown`. A sign is an implant, pontic, denture
    tooth or a note that the tooth is missing, or an extraction charted without its day: the tooth was lost in the
    middle between the last day on which it is known to be there (a row or finding that needs it, an examination of the
    patient) and the sign. A later row that needs the tooth proves the sign wrong, and an extraction elsewhere too.
    """
    found = []
    if row := extracted_here(case):
        known = row.reason if row.reason in ("endodontic", "periodontal", "fracture", "caries") else None
        found.append(Loss(row.day, known or ("other" if row.reason else "unknown")))
    told = done_elsewhere(case)
    on_record = done_elsewhere(case, up_to_the_end=False)
    for out in (t for t in on_record if t.event == "extraction" and t.day):
        if not found and not any(day > out.day for day in days_needing_the_tooth(case)):
            found.append(Loss(out.day, "unknown", elsewhere=True))
    if not found and (sign := first_sign(case)):
        charted = any(t.event == "extraction" and t.day is None and (t.by or case.end) == sign for t in told)
        found.append(Loss(sign, "unknown", between=True, there=last_day_there(case, sign), elsewhere=charted))
    return min(found, key=lambda x: x.gone_by, default=None)


def first_sign(case: Tooth) -> Day | None:
    """The first day on which the tooth is known to be gone, by a sign that nothing later contradicts."""
    signs = [(r.day, r.event) for r in case.rows if r.event in SHOWS_GONE]
    for told in done_elsewhere(case):
        if told.event == "gone" or (told.event == "extraction" and told.day is None):
            signs.append((told.day or told.by or case.end, told.row.event if told.row else "extraction"))
    standing = []
    for day, event in signs:
        needed = days_needing_the_tooth(case, on_an_implant=event != IMPLANT)
        if not any(needed_on >= day for needed_on in needed):
            standing.append(day)
    return min(standing, default=None)


def days_needing_the_tooth(case: Tooth, *, on_an_implant: bool = True) -> list[Day]:
    """Days with a row here, a finding, or work of others known to be there by then, each of which needs the tooth.

    Without `on_an_implant`, leaves out what can be done to the crown of an implant.
    """
    rows = [r for r in case.rows if _needs_the_tooth(r)]
    # Many implants are placed on the day of the extraction, which needs the tooth until then.
    days = [r.day - ONE_DAY * (r.event in EXTRACTIONS) for r in rows if on_an_implant or r.event not in ON_AN_IMPLANT]
    days += [f.day for f in case.findings if on_an_implant or f.crown_in_place is None]
    events = (
        NEED_THE_TOOTH if on_an_implant else tuple(e for e in NEED_THE_TOOTH if e not in ("crown", "crown_removed"))
    )
    told = [t.day or t.by for t in done_elsewhere(case, up_to_the_end=False) if t.event in events]
    return days + [day for day in told if day]


def last_day_there(case: Tooth, before: Day) -> Day | None:
    """The last day before a sign on which the tooth is known to be there."""
    days = days_needing_the_tooth(case)
    days += [r.day for r in case.patient_rows if r.event == "exam"]
    days += [f.day for f in case.patient_findings]
    return max((d for d in days if d < before), default=None)


def _needs_the_tooth(row: Row) -> bool:
    return row.event not in NEEDS_NO_TOOTH


def first_implant(case: Tooth) -> Day | None:
    """Rule 6. The first day from which an implant stands there, and nothing that no implant can have contradicts it.

    A crown posted on it or later is a crown on the implant, and so is what is done to it.
    """
    implants = [r.day for r in case.rows if r.event == IMPLANT]
    implants += [t.day or t.by for t in done_elsewhere(case) if t.row and t.row.event == IMPLANT and (t.day or t.by)]
    needed = days_needing_the_tooth(case, on_an_implant=False)
    return min((day for day in implants if not any(n >= day for n in needed)), default=None)


# Rule 8


def end_crown(crown: Crown, later: list[Crown], case: Tooth, loss: Loss | None) -> None:
    """Rules 8 and 11. The first of replacement, removal, a temporary crown in its place, or loss of the tooth.

    Replaced on the first row of the next crown of any kind, here or elsewhere. All of it after the seat, and no later
    than the last day of follow-up; of several on one day the loss of the tooth counts, then the first named. A tooth
    that was lost before the seat (derived from the preparation, say) had no such crown: its follow-up has no length.
    Where the seat was derived, a crown for the time being within 60 days of the posted day belongs to the making.
    """
    if case.end is None:
        return
    seat = crown.stands_from
    if loss and crown.seat_date and loss.gone_by < crown.seat_date:
        crown.exit_date, crown.exit_reason = crown.entry_date, "last_contact"
        return
    ends: list[tuple[Day, int, str, bool, Loss | None]] = []
    for new in later:
        day = new.first if new.first > seat else max(seat, new.seat_date)  # posted before this one was seated
        ends.append((day, 0, "replaced", new.done_elsewhere, None))
    in_use = seat
    if crown.posted_seat != crown.seat_date and crown.posted_seat and not crown.seat_recorded:
        in_use = max(seat, crown.posted_seat + dt.timedelta(days=case.rules.crown_repost_days))
    for row in case.rows:
        if row.day > in_use and row.event == "crown_interim":
            ends.append((row.day, 0, "replaced", False, None))
        if row.day > seat and row.event == "crown_removal":
            ends.append((row.day, 1, "removed", False, None))
    for told in done_elsewhere(case):
        if told.event == "crown_removed" and (told.day or told.by) and (told.day or told.by) > seat:
            ends.append((told.day or told.by, 1, "removed", True, None))
    if loss and loss.gone_by >= seat:
        ends.append((loss.on(seat)[0], -1, "extracted", loss.elsewhere, loss))
    found = crown_found_lost(crown, later, case)
    if found and any(e[0] <= found[2] for e in ends):  # it had ended by then, and is missing for that reason
        found = None
    if found:
        ends.append((found[0], 1, "removed", False, None))
    ends = [e for e in ends if e[0] >= seat and e[0] <= case.end]
    if not ends:
        crown.exit_date, crown.exit_reason = max(case.end, crown.entry_date or case.end), case.end_reason
        return
    day, _, cause, there, lost_tooth = min(ends, key=lambda e: e[:2])
    crown.exit_date, crown.exit_reason, crown.failure = day, "failed", True
    crown.failure_cause, crown.failure_elsewhere = cause, there
    if found and (day, cause) == (found[0], "removed"):
        crown.loss_interval_days = found[1]
    if lost_tooth:
        crown.loss_reason, crown.loss_interval_days = lost_tooth.reason, lost_tooth.on(seat)[1]


def crown_found_lost(crown: Crown, later: list[Crown], case: Tooth) -> tuple[Day, int, Day] | None:
    """Rule 8, a finding without the crown: it was lost in the middle since it was last known to be in place.

    Not if it was cemented again within 90 days and before another crown, or a later finding (before another crown) has
    it in place.
    """
    for finding in _found_without(crown, later, case):
        if came_off(finding, later, case):
            continue
        known = [crown.stands_from]
        known += [f.day for f in case.findings if f.crown_in_place and f.day < finding.day]
        known += [r.day for r in case.rows if r.event in (*RECEMENTS, *REPAIRS) and r.day < finding.day]
        since = max(d for d in known if d >= crown.stands_from)
        interval = (finding.day - since).days
        return since + dt.timedelta(days=interval // 2), interval, finding.day
    return None


def _found_without(crown: Crown, later: list[Crown], case: Tooth) -> list[Finding]:
    seat = crown.stands_from
    until = min((c.first for c in later if c.first is not None), default=dt.date.max)
    return [f for f in case.findings if f.crown_in_place is False and seat < f.day < until]


def came_off(finding: Finding, later: list[Crown], case: Tooth) -> bool:
    """The crown that is missing at a finding was put back."""
    until = min((c.first for c in later), default=dt.date.max)
    again = [r for r in case.rows if r.event in RECEMENTS and finding.day <= r.day < until]
    if any((r.day - finding.day).days <= case.rules.recement_days for r in again):
        return True
    return any(f.crown_in_place and finding.day < f.day < until for f in case.findings)


def complications(crown: Crown, later: list[Crown], courses: list[Course], case: Tooth) -> None:
    """Rule 8, complications: the first recement or repair after the seat while the crown is followed.

    A repair from an opening through the crown, or an entry into a filled tooth, to 60 days after the last row of that
    course closes it. A crown that came off and was put back came off on the day it was found missing.
    """
    if crown.exit_date is None:
        return
    days = []
    through = [(c.started, c.last_row) for c in courses] + [(r.day, r.day) for r in case.rows if r.event in OPENS]
    through = [(first, last) for first, last in through if first > crown.stands_from]
    closure = dt.timedelta(days=case.rules.closure_days)
    for row in case.rows:
        closes = any(first <= row.day <= last + closure for first, last in through)
        if row.event in RECEMENTS or (row.event in REPAIRS and not closes):
            days.append(row.day)
    days += [f.day for f in _found_without(crown, later, case) if came_off(f, later, case)]
    days = [d for d in days if crown.stands_from < d <= crown.exit_date]
    crown.first_complication_date = min(days, default=None)


# Rule 7


def time_of_endo(crown: Crown, earlier: list[Crown], courses: list[Course], case: Tooth) -> None:
    """Rule 7. Root-filled before the seat, opened after it, or neither; null where others did it nobody knows when.

    A tooth that a post or record showed to be root-filled under an earlier crown is so under every later one. What is
    begun through a crown whose root was filled before is a repeat, however it is coded.
    """
    shown_before = any(c.seat_date and post_or_record(c, c.seat_date, case) for c in earlier)
    if crown.seat_date is None:
        crown.endo_timing = None
        crown.order_uncertain = False
        return
    timing, opened, uncertain = _timing(crown, crown.seat_date, courses, case, shown_before)
    if crown.posted_seat != crown.seat_date and crown.posted_seat is not None:
        uncertain = uncertain or _timing(crown, crown.posted_seat, courses, case, shown_before)[0] != timing
    crown.endo_timing = timing
    crown.order_uncertain = uncertain or crown.opened_while_posted
    if timing == "through_crown" and opened:
        crown.access_date, crown.access_elsewhere = opened.day, opened.done_elsewhere
    if timing == "before_seat":
        again = {c.started for c in courses} | {r.day for r in case.rows if r.event in OPENS}
        crown.reopened_date = min((d for d in again if _while_standing(d, crown, crown.seat_date)), default=None)


@dataclass(frozen=True)
class Opening:
    """A day on which the pulp was opened."""

    day: Day
    done_elsewhere: bool = False
    year_only: bool = False


def openings_of(courses: list[Course], case: Tooth) -> list[Opening]:
    """Rule 7. The starts of courses, here and elsewhere, and pulpotomies alone, in the order of their days."""
    found = [Opening(c.started, c.done_elsewhere, c.year_only) for c in courses]
    return sorted(found + [Opening(day) for day in lone_pulpotomies(case)], key=lambda o: (o.day, o.done_elsewhere))


def _timing(
    crown: Crown, seat: Day, courses: list[Course], case: Tooth, shown_before: bool
) -> tuple[str | None, Opening | None, bool]:
    """Timing, the opening, and whether the order is uncertain, were the crown seated on `seat`."""
    done = [c for c in courses if c.completed and c.completed <= seat]
    told = [t for t in done_elsewhere(case) if t.event in ("root_canal", "retreatment")]
    if any(not (c.year_only and c.started.year == seat.year) for c in done):
        return "before_seat", None, False
    if any(t.by and t.by <= seat for t in told):
        return "before_seat", None, False
    proofs = proofs_of_an_old_root_canal(courses, case)
    if shown_before or post_or_record(crown, seat, case) or any(day <= seat for day in proofs):
        return "before_seat", None, False
    if done or any(c.started <= seat for c in courses):
        return "before_seat", None, True
    opened = [o for o in openings_of(courses, case) if o.day > seat]
    through = [o for o in opened if _while_standing(o.day, crown, seat)]
    if through and not any(day <= through[0].day for day in proofs):
        doubtful = through[0].year_only and through[0].day.year == seat.year
        return "through_crown", through[0], doubtful
    settled = bool(opened) and not any(day <= opened[0].day for day in proofs)
    if (proofs or any(t.day is None for t in told)) and not settled:
        return None, None, True
    return "vital", None, False


def proofs_of_an_old_root_canal(courses: list[Course], case: Tooth) -> list[Day]:
    """Rule 3: days by which others must have filled the root, for no course is known before a repeat or surgery."""
    repeats = [c.started for c in courses[:1] if c.kind == "retreatment"]
    told = [t for t in done_elsewhere(case) if t.event == "surgery" and t.day is None]
    days = sorted(surgery_days(case) + [t.by or case.end for t in told])
    return repeats + [day for day in days[:1] if not _course_before(day, courses)]


def _course_before(day: Day, courses: list[Course]) -> bool:
    return any(c.started <= day for c in courses)


def surgery_days(case: Tooth) -> list[Day]:
    """Days of apical surgery on the tooth, here or elsewhere."""
    days = [r.day for r in case.rows if r.event == SURGERY]
    return sorted(days + [t.day for t in done_elsewhere(case) if t.event == "surgery" and t.day])


def post_or_record(crown: Crown, seat: Day, case: Tooth) -> bool:
    """Rule 7, the post: within 180 days before the seat or on it, or recorded, or a pulp recorded as root-filled."""
    near = [r for r in case.rows if r.event == "post_core" and 0 <= (seat - r.day).days <= case.rules.course_gap_days]
    return bool(near) or crown.recorded_post or crown.pulp_status_at_prep == "root_filled"


def _while_standing(day: Day, crown: Crown, seat: Day) -> bool:
    """A day after the seat, with the crown in place and followed: one that ended on that day is not opened."""
    if crown.exit_date is None or day <= seat:
        return False
    return day < crown.exit_date or (day == crown.exit_date and not crown.failure)


def renewed(crown: Crown, later: list[Crown], courses: list[Course], case: Tooth) -> None:
    """Rule 7. An opened crown that gave way to a new one, seated within 120 days of the course."""
    if crown.endo_timing != "through_crown" or crown.failure_cause not in ("replaced", "removed") or not later:
        return
    done = next((c.last_row for c in courses if c.started == crown.access_date), crown.access_date)
    gap = (later[0].seat_date - done).days
    crown.renewed_after_opening = gap <= case.rules.renewal_days


# Rule 9


def end_course(course: Course, courses: list[Course], case: Tooth, loss: Loss | None) -> None:
    """Rule 9. The first of retreatment, apical surgery, root resection and loss of the tooth after the course."""
    if case.end is None:
        return
    since = course.completed or course.started
    ends: list[tuple[Day, int, str, bool, Loss | None]] = []
    again = [c for c in courses if c.kind == "retreatment" and c is not course and c.started > since]
    if again:
        ends.append((again[0].started, 3, "retreatment", again[0].done_elsewhere, None))
    surgery = [(r.day, r.event, False) for r in case.rows if r.event in (SURGERY, RESECTION) and r.day > since]
    for told in done_elsewhere(case):
        if told.event in ("surgery", "resection") and told.day and told.day > since:
            surgery.append((told.day, SURGERY if told.event == "surgery" else RESECTION, True))
    if surgery:
        day, event, there = min(surgery)
        course.surgery_date = day
        ends.append((day, 1, "surgery" if event == SURGERY else "root_resection", there, None))
    if loss and loss.gone_by >= since:
        course.extraction_date = loss.on(since)[0]
        ends.append((course.extraction_date, -1, "extraction", loss.elsewhere, loss))
    course.retreatment_date = again[0].started if again else None
    ends = [e for e in ends if since <= e[0] <= case.end]
    if not ends:
        course.exit_date, course.exit_reason = max(case.end, since), case.end_reason
        return
    day, _, cause, there, lost = min(ends, key=lambda e: e[:2])
    course.exit_date, course.exit_reason, course.failure = day, "failed", True
    course.failure_cause, course.failure_elsewhere = cause, there
    if lost:
        course.loss_reason, course.loss_interval_days = lost.reason, lost.on(since)[1]


def crown_of_course(course: Course, crowns: list[Crown], case: Tooth) -> None:
    """Section 4: the crown on the tooth when the course began, and the days to the crown that it was done before."""
    for crown in crowns:
        ended = crown.failure and crown.exit_date is not None and crown.exit_date <= course.started
        if ended:
            continue
        if crown.seat_date and crown.seat_date < course.started:
            course.crown_at_start = "crowned"
        elif crown.seat_date is None and (crown.known_on is None or crown.known_on <= course.started):
            course.crown_at_start = "crowned_unknown_age" if course.crown_at_start == "none" else "crowned"
    if course.completed and course.crown_at_start == "none":
        after = [c.seat_date for c in crowns if c.seat_date and c.seat_date >= course.started]
        if after:
            course.days_to_crown = (min(after) - course.completed).days


def as_fields(thing: Crown | Course, tooth: int) -> dict[str, object]:
    """The fields of a crown or course by name, with the group of its tooth (ISO 3950 number)."""
    position = tooth % 10
    group = "anterior" if position <= 3 else "premolar" if position <= 5 else "molar"
    return {**replace(thing).__dict__, "tooth_fdi": tooth, "tooth_group": group}
