"""Hostile ledgers of one or two teeth, drawn at random on days around the edges of the rules.

Every drawn row is one that a practice could post. Left out is what the rules say nothing of: see `CODES_HERE`.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from typing import Any

import polars as pl
from hypothesis import strategies as st

from pipeline.practice.tables import CROWN_DETAILS, FINDINGS, INPUT_TABLES, PATIENTS, PROCEDURES, Table
from tests.judge.plain_linker import Detail, Elsewhere, Finding, Linked, Person, Row, Rules, link_tooth
from tests.judge.read_ledgers import CODES, CUTOFF, DAY_0, NO_TOOTH, RECORDS_BEGIN

TEETH = (46, 36)
LAST_VISIT = 1200
DAYS = (0, 1, 20, 21, 22, 40, 60, 61, 90, 119, 120, 121, 150, 180, 181, 182, 300, 301, 360, 361, 365, 366, 400)
LATER = (420, 460, 480, 481, 500, 520, 521, 545, 600, 601, 660, 700, 720, 721, 900)
OFTEN = ("D2740", "D2740", "D2740", "D3330", "D3330", "D3330", "D3348", "D3221", "D7140")
CODES_HERE = (
    *OFTEN,
    *("D2750", "D2790", "D2542", "D6750", "D2931", "D2799", "D2956", "D2920", "D2980", "D2391", "D2954", "D2950"),
    *("D3220", "D3332", "D3425", "D3450", "D7270", "D6010", "D6245", "X0001", "D0120", "D1110", "D9986"),
)
CHARTED = (
    *("D2740", "D2740", "D3330", "D3330", "D3348", "D7140", "D3425"),
    *("D3450", "D6010", "D2542", "D2956", "X0001", "D6245"),
)
TOLD = ("root_canal", "retreatment", "surgery", "crown", "crown_removed", "extraction", "nothing")
CROWN_FIELDS = (
    *("seat_date", "crown_kind", "endo_timing", "access_date", "access_elsewhere", "reopened_date"),
    *("order_uncertain", "exit_date", "failure", "failure_cause", "failure_elsewhere", "loss_interval_days"),
    *("remake_no_fee", "renewed_after_opening", "first_complication_date", "done_elsewhere"),
    *("entry_date", "exit_reason", "loss_reason", "seat_recorded", "material", "pulp_status_at_prep"),
)
COURSE_FIELDS = (
    *("started", "completed", "kind", "coded_as_initial", "exit_date", "failure", "failure_cause"),
    *("failure_elsewhere", "loss_interval_days", "done_elsewhere", "visits", "exit_reason", "loss_reason"),
    *("retreatment_date", "surgery_date", "extraction_date", "crown_at_start", "days_to_crown"),
)


@dataclass(frozen=True)
class Case:
    """One patient's rows of one or two teeth."""

    rows: list[Row]
    details: list[Detail] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    elsewhere: list[Elsewhere] = field(default_factory=list)
    person: Person = field(default_factory=Person)
    posted_at_prep: bool = False
    fees_kept: bool = True

    def __repr__(self) -> str:
        last, death = _number(self.person.last_contact), _number(self.person.death)
        lines = [f"prep={self.posted_at_prep} fees={self.fees_kept} last={last} death={death}"]
        for r in sorted(self.rows, key=lambda r: (r.tooth or 0, r.day or dt.date.min)):
            lines.append(f"{_number(r.day)} {r.code} t={r.tooth} f={r.fee} st={r.status} {r.event}")
        lines += [f"finding {_number(f.day)} t={f.tooth} in_place={f.crown_in_place}" for f in self.findings]
        lines += [f"elsewhere t={e.tooth} {e.event} {e.year or _number(e.day)}" for e in self.elsewhere]
        lines += [f"details t={d.tooth} seat={_number(d.seat)} post={d.post} pulp={d.pulp}" for d in self.details]
        return "\n".join(lines)


def _number(day: dt.date | None) -> str:
    return "-" if day is None else str((day - DAY_0).days)


_day = st.sampled_from(DAYS + LATER).map(lambda n: DAY_0 + dt.timedelta(days=n))
_unseen = st.sampled_from((-90, 10, 70, 130, 200, 350, 450, 650, 950, 1250)).map(lambda n: DAY_0 + dt.timedelta(days=n))
_tooth = st.sampled_from((*TEETH[:1] * 5, TEETH[1]))


@st.composite
def _done(draw: st.DrawFn) -> Row:
    code = draw(st.sampled_from(CODES_HERE))
    event, detail = CODES[code]
    fee = draw(st.sampled_from((1000.0, 1000.0, 1000.0, 600.0, 0.0, 0.0, None, -1000.0)))
    status = draw(st.sampled_from(("completed",) * 9 + ("planned", "void")))
    tooth = None if code in NO_TOOTH else draw(_tooth)
    provider = draw(st.sampled_from(("A", "B")))
    return Row(draw(_day), event, tooth, code, detail, None, provider, status, fee)


@st.composite
def _charted(draw: st.DrawFn) -> Row:
    code = draw(st.sampled_from(CHARTED))
    event, detail = CODES[code]
    return Row(draw(st.none() | _unseen | _day), event, draw(_tooth), code, detail, status="existing")


_finding = st.builds(Finding, _day, _tooth, st.sampled_from((True, False, None)))
_told = st.builds(Elsewhere, _tooth, st.sampled_from(TOLD), st.none() | _unseen | _day) | st.builds(
    Elsewhere, _tooth, st.sampled_from(TOLD), st.none(), st.sampled_from((2011, 2012, 2013, 2014))
)
_person = st.builds(Person, st.none() | _unseen, st.none() | _unseen) | st.just(Person())
_post = st.sampled_from((None, None, "fiber", "none"))
_pulp = st.sampled_from((None, None, "hyperemic", "root_filled"))
_detail = st.builds(Detail, st.just(TEETH[0]), seat=_day, post=_post, pulp=_pulp)
_last_visit = Row(DAY_0 + dt.timedelta(days=LAST_VISIT), "recall_hygiene", code="D1110")


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """5 to 14 rows, seldom with findings, a record of a crown's making and what others did; seen last on day 1200."""
    rows = draw(st.lists(_done(), min_size=4, max_size=11, unique_by=lambda r: (r.day, r.code, r.tooth, r.provider)))
    also = draw(st.sets(st.sampled_from(("charted", "findings", "told", "details", "person")), max_size=2))
    if "charted" in also:
        rows += draw(st.lists(_charted(), min_size=1, max_size=2))
    findings = st.lists(_finding, min_size=1, max_size=2, unique_by=lambda f: (f.day, f.tooth))
    told = st.lists(_told, min_size=1, max_size=2, unique_by=lambda e: (e.tooth, e.event))
    return Case(
        [*rows, _last_visit],
        [draw(_detail)] if "details" in also else [],
        draw(findings) if "findings" in also else [],
        draw(told) if "told" in also else [],
        draw(_person) if "person" in also else Person(),
    )


@st.composite
def practices(draw: st.DrawFn) -> list[Case]:
    """Some patients of one practice, which posts crowns at the seat or at the preparation, and keeps fees or none."""
    at_prep, fees_kept = draw(st.sampled_from((False, False, True))), draw(st.sampled_from((True, True, False)))
    return [
        replace(one, posted_at_prep=at_prep, fees_kept=fees_kept)
        for one in draw(st.lists(cases(), min_size=1, max_size=12))
    ]


def plainly(case: Case, tooth: int) -> Linked:
    """The drawn tooth through the plain linker."""
    practice = {"posted_at_prep": case.posted_at_prep, "fees_are_kept": case.fees_kept}
    rules = Rules(data_cutoff=CUTOFF, records_begin=RECORDS_BEGIN, **practice)
    told = {"findings": case.findings, "elsewhere": case.elsewhere, "person": case.person}
    return link_tooth(tooth, case.rows, rules, details=[d for d in case.details if d.tooth == tooth], **told)


def by_the_pipeline(practice: list[Case]) -> list[tuple[list[dict[str, Any]], list[dict[str, Any]]]]:
    """Crowns and courses of each case by the pipeline's linker, beside patients that settle if fees are kept."""
    from pipeline.transforms.link import LinkInput, LinkRules, link

    event, detail = CODES["D2740"]
    teeth = [10 * quadrant + place for quadrant in (1, 2, 3, 4) for place in range(1, 8)]
    fee = 900.0 if practice[0].fees_kept else None
    others = [Row(RECORDS_BEGIN, event, tooth, "D2740", detail, fee=fee) for tooth in teeth]
    rows = [_procedure(f"other{n}", r) for n in range(1 + len(practice) // 2) for r in others]
    details, findings, told, people = [], [], [], []
    for n, case in enumerate(practice):
        who = {"patient_id": f"p{n}"}
        rows += [_procedure(f"p{n}", r) for r in case.rows]
        details += [who | _detail_row(d) for d in case.details]
        findings += [who | _finding_row(f) for f in case.findings]
        told += [who | _told_row(e) for e in case.elsewhere]
        people += [who | {"last_contact_date": case.person.last_contact, "deceased_date": case.person.death}]
    frames = {
        "procedures": _frame(PROCEDURES, rows),
        "patients": _frame(PATIENTS, people),
        "crown_details": _frame(CROWN_DETAILS, details),
        "findings": _frame(FINDINGS, findings),
    }
    if "elsewhere" in INPUT_TABLES:
        frames["elsewhere"] = _frame(INPUT_TABLES["elsewhere"], told)
    codes = pl.DataFrame([(code, *what) for code, what in CODES.items()], ["code", "event", "detail"], orient="row")
    rules = LinkRules(data_cutoff=CUTOFF, posted_at_prep=practice[0].posted_at_prep)
    linked = link(LinkInput(**frames, left_out={}), codes, rules)
    crowns, courses = linked.crowns.to_dicts(), linked.endo_courses.to_dicts()
    return [
        tuple([r for r in t if r["patient_id"] == f"p{n}"] for t in (crowns, courses)) for n in range(len(practice))
    ]


def _procedure(patient: str, r: Row) -> dict[str, Any]:
    return {
        "patient_id": patient,
        "service_date": r.day,
        "code": r.code,
        "tooth_fdi": r.tooth,
        "provider_id": r.provider,
        "status": r.status,
        "fee": r.fee,
    }


def _detail_row(d: Detail) -> dict[str, Any]:
    told = {"tooth_fdi": d.tooth, "prep_date": d.prep, "seat_date": d.seat, "post": d.post}
    return told | {"pulp_status_at_prep": d.pulp}


def _finding_row(f: Finding) -> dict[str, Any]:
    return {"tooth_fdi": f.tooth, "exam_date": f.day, "crown_in_place": f.crown_in_place}


def _told_row(e: Elsewhere) -> dict[str, Any]:
    return {"tooth_fdi": e.tooth, "event": e.event, "event_date": e.day, "event_year": e.year}


def _frame(table: Table, rows: list[dict[str, Any]]) -> pl.LazyFrame:
    """Rows of a stored table: what is not told is null."""
    always = {"supernumerary": False, "load_id": 1, "part": 1}
    full = [
        {name: row.get(name, n if name == "row_number" else always.get(name)) for name in table.schema}
        for n, row in enumerate(rows, 1)
    ]
    return pl.DataFrame(full, schema=table.schema).lazy()


def as_compared(things: list[Any], fields: tuple[str, ...]) -> list[tuple[object, ...]]:
    """Rows cut to the fields that are compared, in an order that hangs on nothing else."""
    rows = [dict(thing if isinstance(thing, dict) else thing.__dict__) for thing in things]
    for row in rows:  # the rules say nothing of the order at a seat that nobody knows
        if row.get("done_elsewhere") and "seat_date" in row and row["seat_date"] is None:
            row.update(
                dict.fromkeys(("endo_timing", "access_date", "access_elsewhere", "order_uncertain", "reopened_date"))
            )
    cut = [tuple(row.get(name, "no such column") for name in fields) for row in rows]
    return sorted(cut, key=repr)
