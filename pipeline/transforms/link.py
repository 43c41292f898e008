"""The linking step: rows of a ledger in, courses of endo and crowns with their fate out.

A pure function of the stored tables and the rules: it can be run again under other rules on the same rows. What does
not hang on the rules' numbers is read once (`read_ledger`), so that a run under other numbers (`link_ledger`) is cheap.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.tables import CROWNS, ENDO_COURSES, PolarsType
from pipeline.transforms import events as ev
from pipeline.transforms.courses import FILLING, OPENING, TREATMENT, build_courses
from pipeline.transforms.crowns import CROWN, build_crowns, crown_entry, crowns_from_elsewhere
from pipeline.transforms.events import ROW
from pipeline.transforms.failures import (
    COMPLICATIONS,
    REMOVAL,
    RESECTION,
    RETAINER,
    SURGERY,
    crown_failures,
    end_followup,
    endo_failures,
    first_complications,
    tooth_followup,
)
from pipeline.transforms.followup import contacts, data_cutoff, extractions, lost_between_visits, patient_followup
from pipeline.transforms.patient_numbers import number_patients
from pipeline.transforms.timing import KEY, classify_endo_timing, nearest, renewing_courses

TABLES = ("procedures", "patients", "crown_details", "findings", "contacts")
# Kinds of row that the rules look at; all others are contacts and nothing more.
LINKED_KINDS = (
    *TREATMENT,
    *OPENING,
    *COMPLICATIONS,
    *SURGERY,
    *RESECTION,
    *ev.TOOTH_LOST,
    *ev.IN_PLACE_OF_A_TOOTH,
    CROWN,
    RETAINER,
    REMOVAL,
)


@dataclass(frozen=True)
class LinkRules:
    """The numbers of the linking rules, each with its default; see the rule that names it."""

    reversal_days: int = 60
    hint_days: int = 400
    course_gap_days: int = 180
    course_pair_days: int = 365
    crown_repost_days: int = 60
    crown_pair_days: int = 120
    lab_days: int = 21
    renewal_days: int = 120
    closure_days: int = 60
    recement_days: int = 90
    planned_crown_days: int = 30
    recall_months: int = 12
    active_days: int = 548
    data_cutoff: dt.date | None = None
    posted_at_prep: bool = False  # the posted date of a crown is its preparation, not its seat
    followed_to_cutoff: bool = False  # a patient not seen again counts as followed until death or the cut-off


@dataclass(frozen=True)
class LinkInput:
    """The stored tables that linking reads; see `pipeline.tables`.

    Most rows of a ledger only say that a patient was seen. They may be left out of `procedures` and stand in
    `contacts` instead, with the counts of them in `left_out` (names of `Linked.counts`); `telling_codes`
    says which must stay. `contacts` (`patient_id, service_date`) then holds the days up to `contacts_until`, the
    cut-off that was asked for.
    """

    procedures: pl.LazyFrame
    patients: pl.LazyFrame
    crown_details: pl.LazyFrame
    findings: pl.LazyFrame
    contacts: pl.LazyFrame | None = None
    contacts_until: dt.date | None = None
    left_out: dict[str, int] = field(default_factory=dict)


def tables_of(
    frames: Mapping[str, pl.LazyFrame], *, contacts_until: dt.date | None, left_out: dict[str, int] | None = None
) -> LinkInput:
    """The input of linking from its tables by name (`TABLES`), contacts apart."""
    return LinkInput(
        procedures=frames["procedures"],
        patients=frames["patients"],
        crown_details=frames["crown_details"],
        findings=frames["findings"],
        contacts=frames["contacts"],
        contacts_until=contacts_until,
        left_out=left_out or {},
    )


def telling_codes(codes: pl.DataFrame) -> pl.DataFrame:
    """What each code may tell of a tooth, beyond that the patient was seen; one row per telling code.

    `code`; `linked`: the rules look at it where it names a tooth; `extraction`: no row on that tooth can be true
    after it; `in_place`: it stands where a tooth was; `lost`: the tooth is gone with it.
    """
    kinds = codes.select(
        "code",
        linked=pl.col("event").is_in(LINKED_KINDS),
        extraction=pl.col("event").is_in(ev.EXTRACTIONS),
        in_place=pl.col("event").is_in(ev.IN_PLACE_OF_A_TOOTH),
        lost=pl.col("event").is_in(ev.TOOTH_LOST),
    )
    return kinds.filter(pl.any_horizontal(pl.exclude("code")))


@dataclass(frozen=True)
class Linked:
    """What linking found.

    `begin` and `cutoff` are the days between which the data tell anything.
    `set_aside` holds the rows that cannot have happened (`load_id, row_number, part, field, reason`); `counts` what the
    data-quality page tells of this step.
    """

    crowns: pl.DataFrame
    endo_courses: pl.DataFrame
    tooth_followup: pl.DataFrame
    set_aside: pl.DataFrame
    begin: dt.date | None
    cutoff: dt.date | None
    counts: dict[str, int]


@dataclass(frozen=True)
class Ledger:
    """What the stored tables say before the rules' numbers are applied; one for each data cut-off asked for.

    `begin` is the day of the first completed row that stands, `events` are those of permanent teeth whose
    kind the rules look at, `history` the existing rows of permanent teeth. `ends` is the end of each patient's
    follow-up at the last contact, `gaps` and `extracted` what became of single teeth. `cutoff` is the day up to which
    the data reach, `cutoff_asked` the one that was asked for. Patients stand as whole numbers, in the order of their
    ids, which `patient_ids` holds.
    """

    begin: dt.date | None
    events: pl.DataFrame
    history: pl.DataFrame
    crown_details: pl.DataFrame
    ends: pl.DataFrame
    deceased: pl.DataFrame
    gaps: pl.DataFrame
    extracted: pl.DataFrame
    set_aside: pl.DataFrame
    counts: dict[str, int]
    cutoff: dt.date | None
    cutoff_asked: dt.date | None
    patient_ids: pl.Series


@dataclass(frozen=True)
class _Rows:
    done: pl.DataFrame
    events: pl.DataFrame
    history: pl.DataFrame
    set_aside: pl.DataFrame
    counts: dict[str, int]


def link(tables: LinkInput, codes: pl.DataFrame, rules: LinkRules) -> Linked:
    """Apply the ten linking rules.

    Parameters
    ----------
    tables
        All rows ever loaded, those set aside by an earlier link included.
    codes
        `code, event, detail`.
    rules
        The rules' numbers.

    Returns
    -------
    `crowns` and `endo_courses` as declared in `pipeline.tables`, sorted by their keys. The result does not depend on
    the order of the rows.
    """
    return link_ledger(read_ledger(tables, codes, data_cutoff=rules.data_cutoff), rules)


def read_ledger(tables: LinkInput, codes: pl.DataFrame, *, data_cutoff: dt.date | None = None) -> Ledger:
    """Rules 1, 2, 8 and 10, which need every row and none of the other rules' numbers; see `link` for the tables.

    `data_cutoff` is the last day that counts; None for the latest day on which the data say that something was so.
    """
    if tables.contacts is not None and tables.contacts_until != data_cutoff:
        raise ValueError("The contacts were gathered up to another cut-off than is asked for.")
    frames = {name: getattr(tables, name) for name in TABLES if getattr(tables, name) is not None}
    numbered, patient_ids = number_patients({name: rows.collect() for name, rows in frames.items()})
    tables = replace(tables, **{name: rows.lazy() for name, rows in numbered.items()})  # type: ignore[arg-type]
    rows = _read_rows(tables, codes, data_cutoff)
    findings = tables.findings
    cutoff = data_cutoff or _latest(rows.done, tables)
    findings = findings.filter(pl.col("exam_date") <= pl.lit(cutoff))
    ends = patient_followup(rows.done.lazy(), findings, tables.patients, cutoff=pl.lit(cutoff, pl.Date)).collect()
    extracted = extractions(rows.events.lazy()).collect()
    seen = contacts(rows.done.lazy(), findings)
    gaps = lost_between_visits(rows.events.lazy(), rows.history.lazy(), extracted.lazy(), seen).collect()
    return Ledger(
        begin=_first(rows.done),
        events=rows.events,
        history=rows.history,
        crown_details=tables.crown_details.collect(),
        ends=ends,
        deceased=tables.patients.select("patient_id", "deceased_date").collect(),
        gaps=gaps,
        extracted=extracted,
        set_aside=rows.set_aside,
        counts=rows.counts,
        cutoff=cutoff,
        cutoff_asked=data_cutoff,
        patient_ids=patient_ids,
    )


def link_ledger(ledger: Ledger, rules: LinkRules) -> Linked:
    """The rules that hang on numbers, on a ledger read before; the result is that of `link` under the same rules.

    Raises ValueError if the ledger was read up to another cut-off than the rules ask for.
    """
    if rules.data_cutoff != ledger.cutoff_asked:
        raise ValueError("The ledger was read up to another cut-off than the rules ask for.")
    events, extracted, gaps = ledger.events, ledger.extracted, ledger.gaps
    ends = _to_cutoff(ledger) if rules.followed_to_cutoff else ledger.ends
    courses = _courses(ledger, rules)
    crowns = _crowns(ledger, rules)
    courses = renewing_courses(courses, crowns, renewal_days=rules.renewal_days)
    crowns = crown_failures(crowns, courses, events, extracted)
    crowns = end_followup(crowns, ends, gaps, start="entry_date")
    crowns = classify_endo_timing(crowns, courses, _filled_elsewhere(ledger.history))
    crowns = first_complications(crowns, events)
    courses = endo_failures(_link_to_crowns(courses, crowns), events, extracted)
    courses = end_followup(courses, ends, gaps, start="since")
    starts = [crowns.select(*KEY, start="entry_date"), courses.select(*KEY, start="since")]
    teeth = pl.concat(starts).group_by(KEY).agg(pl.col("start").min())
    return Linked(
        crowns=_shape(with_ids(crowns, ledger.patient_ids), CROWNS.schema).sort("crown_id"),
        endo_courses=_shape(with_ids(courses, ledger.patient_ids), ENDO_COURSES.schema).sort("course_id"),
        tooth_followup=with_ids(tooth_followup(teeth, ends, gaps, extracted), ledger.patient_ids),
        set_aside=ledger.set_aside,
        begin=ledger.begin,
        cutoff=ledger.cutoff,
        counts=ledger.counts | _counts(crowns, courses, gaps),
    )


def with_ids(rows: pl.DataFrame, patient_ids: pl.Series) -> pl.DataFrame:
    """Rows of a ledger, whose patients are numbers, with the patients' ids."""
    return rows.with_columns(patient_id=patient_ids.gather(rows["patient_id"]))


def _latest(done: pl.DataFrame, tables: LinkInput) -> dt.date | None:
    latest: dt.date | None = data_cutoff(done.lazy(), tables.findings, tables.patients).collect().item()
    return latest


def _first(done: pl.DataFrame) -> dt.date | None:
    first = done["service_date"].min()
    return first if isinstance(first, dt.date) else None


def _to_cutoff(ledger: Ledger) -> pl.DataFrame:
    # Rule 8 without the last contact. A tooth known to be lost between visits still ends at the visit before.
    last = pl.lit(ledger.cutoff, pl.Date)
    end = pl.min_horizontal("deceased_date", last)
    return ledger.ends.join(ledger.deceased, on="patient_id", how="left").select(
        "patient_id",
        "first_seen",
        followup_end=end,
        end_reason=pl.when(pl.col("deceased_date") == end).then(pl.lit("death")).otherwise(pl.lit("cutoff")),
    )


def _read_rows(tables: LinkInput, codes: pl.DataFrame, last_day: dt.date | None) -> _Rows:
    cutoff = None if last_day is None else pl.lit(last_day)
    rows = tables.procedures
    done = ev.done_rows(rows, cutoff=cutoff)
    on_teeth = ev.with_kind(done.filter(pl.col("tooth_fdi").is_not_null()), codes)
    columns = [
        *ROW,
        *KEY,
        "supernumerary",
        "service_date",
        "code",
        "event",
        "detail",
        "provider_id",
        "site_id",
        "reason",
    ]
    teeth = on_teeth.select(columns).collect(engine="streaming")
    set_aside = ev.impossible_rows(teeth.lazy()).collect().sort(ROW)
    standing = teeth.lazy().join(set_aside.lazy(), on=list(ROW), how="anti")
    events = ev.permanent_teeth(standing.filter(pl.col("event").is_in(LINKED_KINDS))).collect()
    on_implants = ev.rows_on_implants(events.lazy()).collect()
    events = events.join(on_implants, on=list(ROW), how="anti")
    seen = done.select(*ROW, "patient_id", "service_date").join(set_aside.lazy(), on=list(ROW), how="anti")
    existing = ev.permanent_teeth(rows.filter(pl.col("status") == "existing", pl.col("tooth_fdi").is_not_null()))
    if cutoff is not None:
        existing = existing.filter(pl.col("service_date").is_null() | (pl.col("service_date") <= cutoff))
    completed = rows.filter(pl.col("status") == "completed")
    counted = pl.collect_all(
        [
            seen.drop(ROW),
            ev.with_kind(existing, codes).filter(pl.col("event").is_in(LINKED_KINDS)),
            rows.group_by("status").len(),
            ev.reversed_rows(completed).select(pl.len()),
            ev.unmatched_reversals(completed).select(pl.len()),
        ],
        engine="streaming",
    )
    by_status = dict(counted[2].iter_rows())
    counts = {f"rows_{status}": by_status.get(status, 0) for status in ("completed", "planned", "existing", "void")}
    counts |= {
        "rows_reversed": counted[3].item(),
        "reversals_without_match": counted[4].item(),
        "rows_after_extraction": set_aside.height,
        "crown_rows_on_implants": on_implants.height,
        "rows_on_primary_teeth": teeth.filter(pl.col("tooth_fdi") > 48).height,
        "rows_on_supernumerary_teeth": teeth.filter("supernumerary").height,
        "crown_rows": events.filter(pl.col("event") == CROWN).height,
    }
    aside = set_aside.select(*ROW, pl.lit("service_date").alias("field"), "reason")
    counts = {name: n + tables.left_out.get(name, 0) for name, n in counts.items()}
    done_days = counted[0] if tables.contacts is None else pl.concat([counted[0], tables.contacts.collect()])
    return _Rows(done=done_days, events=events, history=counted[1], set_aside=aside, counts=counts)


def _courses(ledger: Ledger, rules: LinkRules) -> pl.DataFrame:
    courses = build_courses(
        ledger.events.lazy(), ledger.history.lazy(), course_gap_days=rules.course_gap_days
    ).collect()
    return numbered(courses.sort(*KEY, "started", "kind"), "course_id", "E")


def _crowns(ledger: Ledger, rules: LinkRules) -> pl.DataFrame:
    details = ev.permanent_teeth(ledger.crown_details.lazy())
    here = build_crowns(
        ledger.events.lazy(),
        details,
        crown_repost_days=rules.crown_repost_days,
        lab_days=rules.lab_days,
        posted_at_prep=rules.posted_at_prep,
    ).with_columns(seen_date=pl.lit(None, pl.Date))
    here = here.collect().lazy()
    elsewhere = crowns_from_elsewhere(
        ledger.history.lazy(), here, details, ledger.ends.lazy().select("patient_id", "first_seen")
    )
    records_begin = pl.lit(ledger.begin, pl.Date)
    crowns = crown_entry(pl.concat([here, elsewhere]), records_begin=records_begin).collect()
    crowns = crowns.with_columns(in_place_from=pl.coalesce("seat_date", pl.col("seen_date") - pl.duration(days=1)))
    return numbered(crowns.sort(*KEY, "in_place_from", "posted_first"), "crown_id", "C")


def _filled_elsewhere(history: pl.DataFrame) -> pl.DataFrame:
    filled = history.filter(pl.col("event").is_in(FILLING)).group_by(KEY)
    undated = pl.col("service_date").is_null().any()
    seen = pl.when(undated).then(None).otherwise(pl.col("service_date").min())
    return filled.agg(filled_seen=seen, is_filled_elsewhere=pl.lit(True).first())


def _link_to_crowns(courses: pl.DataFrame, crowns: pl.DataFrame) -> pl.DataFrame:
    # Adds crown_at_start, crown_id and days_to_crown: the crown a course went through, else the next one seated.
    standing = crowns.select(
        *KEY, "in_place_from", "exit_date", "failure", here="crown_id", unknown_age=pl.col("seat_date").is_null()
    )
    seats = crowns.select(*KEY, ahead="crown_id", ahead_seat="seat_date").drop_nulls("ahead_seat")
    standing = standing.sort("here").unique([*KEY, "in_place_from"], keep="last", maintain_order=True)
    seats = seats.sort("ahead").unique([*KEY, "ahead_seat"], keep="first", maintain_order=True)
    out = nearest(courses, standing, left_on="started", right_on="in_place_from", strategy="backward", same_day=False)
    out = nearest(out, seats, left_on="started", right_on="ahead_seat", strategy="forward", same_day=True)
    gone = pl.col("failure") & (
        (pl.col("exit_date") < pl.col("started"))
        | ((pl.col("exit_date") == pl.col("started")) & pl.col("new_crown_id").is_null())
    )
    crowned = (pl.col("here").is_not_null() & ~gone).fill_null(False)
    through = crowned & pl.col("new_crown_id").is_null()
    return out.with_columns(
        crown_at_start=pl.when(~crowned)
        .then(pl.lit("none"))
        .when("unknown_age")
        .then(pl.lit("crowned_unknown_age"))
        .otherwise(pl.lit("crowned")),
        crown_id=pl.when(through).then("here").otherwise("ahead"),
        days_to_crown=pl.when(~through)
        .then((pl.col("ahead_seat") - pl.col("completed")).dt.total_days())
        .cast(pl.Int32),
    ).select(*courses.columns, "crown_at_start", "crown_id", "days_to_crown")


def numbered(frame: pl.DataFrame, name: str, prefix: str) -> pl.DataFrame:
    """The rows, which come in tooth order, with a running number: it names no one and hangs on no order of rows."""
    digits = max(6, len(str(frame.height)))
    number = pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(digits)
    return frame.with_columns((pl.lit(prefix) + number).alias(name))


def _shape(frame: pl.DataFrame, schema: dict[str, PolarsType]) -> pl.DataFrame:
    grouped = frame.with_columns(tooth_group=ev.tooth_group(pl.col("tooth_fdi")))
    flags = {n: pl.lit(t == pl.Boolean and False, t) if t == pl.Boolean else pl.lit(None, t) for n, t in schema.items()}
    grouped = grouped.with_columns(**{n: v for n, v in flags.items() if n not in grouped.columns})
    if "crown_kind" in schema:
        grouped = grouped.with_columns(crown_kind=pl.lit("single"))
    return grouped.select(pl.col(name).cast(dtype) for name, dtype in schema.items())


def _counts(crowns: pl.DataFrame, courses: pl.DataFrame, gaps: pl.DataFrame) -> dict[str, int]:
    known = crowns.filter(pl.col("seat_date").is_not_null())
    made_here = known.filter(pl.col("posted_first").is_not_null())
    first_repeat = courses.sort("started").unique(KEY, keep="first", maintain_order=True)
    vital = pl.col("endo_timing") == "vital"
    return {
        "crowns": known.height,
        "crowns_from_elsewhere_unknown_age": crowns.height - known.height,
        "crowns_from_elsewhere_known_age": known.height - made_here.height,
        "seats_recorded": known.filter("seat_recorded").height,
        "seats_shifted_from_preparation": known.filter(pl.col("shift_days") > 0).height,
        "crowns_order_uncertain": known.filter("order_uncertain").height,
        "crowns_not_followed": known.filter(pl.col("exit_date") <= pl.col("entry_date")).height,
        "vital_by_ledger_root_filled_by_record": known.filter(
            vital & (pl.col("pulp_status_at_prep") == "root_filled")
        ).height,
        "endo_courses": courses.height,
        "courses_never_completed": courses["completed"].null_count(),
        "retreatments_coded_as_initial": courses.filter("coded_as_initial").height,
        "retreatments_without_first_treatment": first_repeat.filter(
            (pl.col("kind") == "retreatment") & ~pl.col("coded_as_initial")
        ).height,
        "teeth_lost_between_visits": gaps.height,
    }
