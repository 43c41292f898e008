"""Hostile ledgers of one or two teeth, drawn at random on days around the edges of the rules.

Every drawn row is one that a practice could post. Left out is what the rules say nothing of: see `CODES_HERE`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
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
    *("entry_date", "exit_reason", "loss_reason", "seat_recorded", "prep_date", "material", "pulp_status_at_prep"),
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


Pick = Callable[[Sequence[Any]], Any]  # chooses one of several, by chance or as a search wants it


def _day(pick: Pick) -> dt.date:
    return DAY_0 + dt.timedelta(days=pick(DAYS + LATER))


def _unseen(pick: Pick) -> dt.date:
    """A day on which nobody is seen here."""
    return DAY_0 + dt.timedelta(days=pick((-90, 10, 70, 130, 200, 350, 450, 650, 950, 1250)))


def _perhaps(pick: Pick) -> dt.date | None:
    return pick((lambda _: None, _unseen, _day))(pick)


def _tooth(pick: Pick) -> int:
    return pick((*TEETH[:1] * 5, TEETH[1]))


def _done(pick: Pick) -> Row:
    code = pick(CODES_HERE)
    event, detail = CODES[code]
    fee = pick((1000.0, 1000.0, 1000.0, 600.0, 0.0, 0.0, None, -1000.0))
    status = pick(("completed",) * 9 + ("planned", "void"))
    tooth = None if code in NO_TOOTH else _tooth(pick)
    return Row(_day(pick), event, tooth, code, detail, None, pick(("A", "B")), status, fee)


def _charted(pick: Pick) -> Row:
    code = pick(CHARTED)
    event, detail = CODES[code]
    return Row(_perhaps(pick), event, _tooth(pick), code, detail, status="existing")


def _told(pick: Pick) -> Elsewhere:
    tooth, event = _tooth(pick), pick(TOLD)
    if pick((True, False)):
        return Elsewhere(tooth, event, _perhaps(pick))
    return Elsewhere(tooth, event, None, pick((2011, 2012, 2013, 2014)))


def _detail(pick: Pick) -> Detail:
    pulp, post = pick((None, None, "hyperemic", "root_filled")), pick((None, None, "fiber", "none"))
    seat, before = _day(pick), pick((None, None, 0, 7, 14, 30))
    prep = None if before is None else seat - dt.timedelta(days=before)
    return Detail(TEETH[0], prep, pick((seat, seat, seat, None)) if prep else seat, post=post, pulp=pulp)


def _finding(pick: Pick) -> Finding:
    return Finding(_day(pick), _tooth(pick), pick((True, False, None)))


def _person(pick: Pick) -> Person:
    unseen = (lambda _: None, _unseen)
    return pick((Person(), Person(pick(unseen)(pick), pick(unseen)(pick))))


def _some(make: Callable[[Pick], Any], pick: Pick, sizes: Sequence[int], key: Callable[[Any], object]) -> list[Any]:
    """As many as one of the sizes, or fewer where two have the same key."""
    made = [make(pick) for _ in range(pick(sizes))]
    return list({key(one): one for one in reversed(made)}.values())[::-1]


_LAST_VISIT = Row(DAY_0 + dt.timedelta(days=LAST_VISIT), "recall_hygiene", code="D1110")
_ALSO = ("charted", "findings", "told", "details", "person")


def draw_case(pick: Pick) -> Case:
    """5 to 14 rows, seldom with findings, a record of a crown's making and what others did; seen last on day 1200."""
    rows = _some(_done, pick, range(4, 12), lambda r: (r.day, r.code, r.tooth, r.provider))
    also = {pick(_ALSO) for _ in range(pick((0, 1, 2)))}
    if "charted" in also:
        rows += [_charted(pick) for _ in range(pick((1, 2)))]
    return Case(
        [*rows, _LAST_VISIT],
        [_detail(pick)] if "details" in also else [],
        _some(_finding, pick, (1, 2), lambda f: (f.day, f.tooth)) if "findings" in also else [],
        _some(_told, pick, (1, 2), lambda e: (e.tooth, e.event)) if "told" in also else [],
        _person(pick) if "person" in also else Person(),
    )


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """Such a case, to be searched and made small."""
    return draw_case(lambda options: draw(st.sampled_from(options)))


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
