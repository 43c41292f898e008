"""The linking step: rows of a ledger in, courses of endo and crowns with their fate out.

A pure function of the stored tables and the rules: it can be run again under other rules on the same rows. What hangs
on few of the rules' numbers is read once (`read_ledger`), so that a run under others (`link_ledger`) is cheap.
"""

import datetime as dt
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.practice.tables import CROWNS, ELSEWHERE_HINTS, ENDO_COURSES, PolarsType
from pipeline.transforms import events as ev
from pipeline.transforms import others as ot
from pipeline.transforms.courses import FILLING, OPENING, TREATMENT, build_courses, pulpotomies
from pipeline.transforms.crowns import build_crowns, crown_entry, crowns_elsewhere
from pipeline.transforms.events import KEY, ROW
from pipeline.transforms.failures import (
    RESECTION,
    SURGERY,
    crown_failures,
    crowns_found_missing,
    end_followup,
    endo_failures,
    first_complications,
    tooth_followup,
)
from pipeline.transforms.followup import contacts, data_cutoff, followed_up, patient_followup
from pipeline.transforms.gone import losses
from pipeline.transforms.hints import access_fillings, elsewhere_hints, fillings_on_crowns
from pipeline.transforms.others import courses_elsewhere, done_by_others, filled_by
from pipeline.transforms.patient_numbers import number_patients
from pipeline.transforms.rules import LinkRules
from pipeline.transforms.taken import Taken
from pipeline.transforms.timing import (
    classify_endo_timing,
    nearest,
    openings_of,
    renewed_after_opening,
    renewing_courses,
)

TABLES = ("procedures", "patients", "crown_details", "findings", "elsewhere", "contacts")
# Kinds of row that the rules look at; all others are contacts and nothing more.
LINKED_KINDS = (
    *TREATMENT,
    *OPENING,
    *SURGERY,
    *RESECTION,
    *ev.TOOTH_LOST,
    *ev.IN_PLACE_OF_A_TOOTH,
    *ev.CROWNS,
    *ev.COMPLICATIONS,
    *ev.POSTS,
    ev.REMOVAL,
    ev.INTERIM,
    ev.REPLANTATION,
)


@dataclass(frozen=True)
class LinkInput:
    """The stored tables that linking reads; see `pipeline.practice.tables`.

    Most rows of a ledger only say that a patient was seen. They may be left out of `procedures` and stand in
    `contacts` instead, with the counts of them in `left_out` (names of `Linked.counts`); `event_codes`
    says which must stay. `contacts` (`patient_id, service_date, is_exam`) then holds the days up to `contacts_until`,
    the cut-off that was asked for. `fees_kept` says whether most crown rows of the whole practice have a fee, which
    a part of its rows cannot tell; None: these are all rows.
    """

    procedures: pl.LazyFrame
    patients: pl.LazyFrame
    crown_details: pl.LazyFrame
    findings: pl.LazyFrame
    elsewhere: pl.LazyFrame
    contacts: pl.LazyFrame | None = None
    contacts_until: dt.date | None = None
    left_out: dict[str, int] = field(default_factory=dict)
    fees_kept: bool | None = None


def event_codes(codes: pl.DataFrame) -> pl.DataFrame:
    """What each code may tell of a tooth, beyond that the patient was seen; one row per telling code.

    `code`; `linked`: the rules look at it where it names a tooth; `extraction`: no row on that tooth can be true after
    it; `in_place`: it stands where a tooth was; `lost`: the tooth is gone with it; `crown`: a crown, of which planned
    rows matter too, and fillings on whose tooth; `filling`: a filling, which matters on a tooth with a crown; `exam`:
    an examination; `no_contact`: the patient was not seen.
    """
    kinds = codes.select(
        "code",
        linked=pl.col("event").is_in(LINKED_KINDS),
        extraction=pl.col("event").is_in(ev.EXTRACTIONS),
        in_place=pl.col("event").is_in(ev.IN_PLACE_OF_A_TOOTH),
        lost=pl.col("event").is_in(ev.TOOTH_LOST),
        crown=pl.col("event").is_in(ev.CROWNS),
        filling=pl.col("event") == ev.FILLING,
        exam=pl.col("event") == ev.EXAM,
        no_contact=pl.col("event").is_in(ev.NO_CONTACT),
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
    patient_followup: pl.DataFrame
    elsewhere_hints: pl.DataFrame
    set_aside: pl.DataFrame
    begin: dt.date | None
    cutoff: dt.date | None
    counts: dict[str, int]


@dataclass(frozen=True)
class Ledger:
    """What the stored tables say before most of the rules' numbers are applied; one for each way of reading.

    `begin` is the day of the first completed row that stands, `events` are those of permanent teeth whose kind the
    rules look at, `others` what others did, `planned` the days on which a crown was planned (`patient_id, tooth_fdi,
    day`). `ends` is the end of each patient's follow-up at the last contact, `lost` what became of single teeth,
    `late_refunds` are hints. `cutoff` is the day up to which all data reach, `latest` that of these rows, `read_by` the
    settings that it was read by (`LinkRules.reading`). Patients stand as whole numbers, in the order of their ids,
    which `patient_ids` holds.
    """

    begin: dt.date | None
    events: pl.DataFrame
    others: pl.DataFrame
    planned: pl.DataFrame
    crown_details: pl.DataFrame
    findings: pl.DataFrame
    ends: pl.DataFrame
    lost: pl.DataFrame
    late_refunds: pl.DataFrame
    fees_kept: bool
    set_aside: pl.DataFrame
    counts: dict[str, int]
    cutoff: dt.date | None
    latest: dt.date | None
    read_by: tuple[object, ...]
    patient_ids: pl.Series


@dataclass(frozen=True)
class _Rows:
    done: pl.DataFrame
    events: pl.DataFrame
    on_teeth: pl.DataFrame
    implants: pl.DataFrame
    existing: pl.DataFrame
    planned: pl.DataFrame
    late_refunds: pl.DataFrame
    set_aside: pl.DataFrame
    counts: dict[str, int]


def link(tables: LinkInput, codes: pl.DataFrame, rules: LinkRules) -> Linked:
    """Apply the linking rules.

    - `tables`: All rows ever loaded, those set aside by an earlier link included.
    - `codes`: `code, event, detail`.
    - `rules`: The rules' numbers.

    Returns `crowns`, `endo_courses`, `tooth_followup` and `elsewhere_hints` as declared in `tables`, sorted by their
    keys. The result does not depend on the order of the rows.
    """
    return link_ledger(read_ledger(tables, codes, rules), rules)


def read_ledger(tables: LinkInput, codes: pl.DataFrame, rules: LinkRules, *, last_day: dt.date | None = None) -> Ledger:
    """Rules 1 to 3, 11 and 13, which need every row and few of the rules' numbers; see `link` for the tables.

    `last_day` is the day up to which all data reach, where `tables` hold a part of them and no cut-off was asked for.
    """
    if tables.contacts is not None and tables.contacts_until != rules.data_cutoff:
        raise ValueError("The contacts were gathered up to another cut-off than is asked for.")
    frames = {name: getattr(tables, name) for name in TABLES if getattr(tables, name) is not None}
    numbered, patient_ids = number_patients({name: rows.collect() for name, rows in frames.items()})
    tables = replace(tables, **{name: rows.lazy() for name, rows in numbered.items()})  # type: ignore[arg-type]
    rows = _read_rows(tables, codes, rules)
    findings = tables.findings
    latest = rules.data_cutoff or _latest(rows.done, tables)
    cutoff = last_day or latest
    until = pl.lit(cutoff, pl.Date)
    findings = findings.filter(pl.col("exam_date") <= until)
    ends = patient_followup(rows.done.lazy(), findings, tables.patients, cutoff=until).collect()
    seen = contacts(rows.done.lazy(), findings)
    of_teeth = ev.permanent_teeth(findings).select(*KEY, "exam_date", "crown_in_place").collect()
    others = done_by_others(
        rows.existing.lazy(), ev.permanent_teeth(tables.elsewhere), _own_work(rows.events), seen, cutoff=until
    ).collect()
    exams = seen.filter("is_exam").select("patient_id", "seen").unique()
    others = ot.without_implants(others, rows.implants)
    lost, contradicted = losses(rows.on_teeth.lazy(), others.lazy(), of_teeth.lazy(), exams, ends.lazy())
    fees_kept = fees_are_kept(tables.procedures, codes) if tables.fees_kept is None else tables.fees_kept
    return Ledger(
        begin=_first(rows.done),
        events=rows.events,
        others=others,
        planned=rows.planned,
        crown_details=tables.crown_details.collect(),
        findings=of_teeth,
        ends=ends,
        lost=lost,
        late_refunds=rows.late_refunds,
        fees_kept=fees_kept,
        set_aside=rows.set_aside,
        counts=rows.counts
        | {"signs_of_loss_contradicted": contradicted, "late_refunds": rows.late_refunds.height}
        | _counts_of_others(others),
        cutoff=cutoff,
        latest=latest,
        read_by=rules.reading,
        patient_ids=patient_ids,
    )


def fees_are_kept(procedures: pl.LazyFrame, codes: pl.DataFrame) -> bool:
    """Whether most completed crown rows have a fee; only then does a fee of 0 say anything.

    A fee of 0 is one and an empty fee is none; where none is above 0, fees are not kept.
    """
    crowned = codes.lazy().filter(pl.col("event").is_in(ev.CROWNS)).select("code")
    rows = procedures.filter(pl.col("status") == "completed", pl.col("tooth_fdi").is_not_null())
    fees = rows.join(crowned, on="code", how="semi").select(
        paid=(pl.col("fee") > 0).sum(), told=(pl.col("fee") >= 0).sum(), rows=(pl.col("fee").fill_null(0) >= 0).sum()
    )
    paid, told, every = fees.collect().row(0)
    return bool(paid and 2 * told > every)


def link_ledger(ledger: Ledger, rules: LinkRules, *, take: Taken | None = None) -> Linked:
    """The rules that hang on numbers, on a ledger read before; the result is that of `link` under the same rules.

    `take` keeps the steps for `link_crowns` under other rules.

    Raises ValueError if the ledger was read by other settings than the rules ask for.
    """
    found = _crowns_followed(ledger, rules, take=take or Taken())
    events, others, ends, lost, crowns = ledger.events, found.others, found.ends, ledger.lost, found.crowns
    lost_how = {"losses": rules.losses}
    courses = endo_failures(_link_to_crowns(found.courses, crowns), events, others, lost, **lost_how)
    courses = end_followup(courses, ends, start="since", after_last_contact=rules.count_after_last_contact)
    starts = [crowns.select(*KEY, start="entry_date"), courses.select(*KEY, start="since")]
    teeth = pl.concat(starts).group_by(KEY).agg(pl.col("start").min())
    followed = tooth_followup(teeth, ends, lost, after_last_contact=rules.count_after_last_contact, **lost_how)
    hints = elsewhere_hints(found.fillings, crowns, ledger.late_refunds, ledger.others.filter("answered"))
    return Linked(
        crowns=_shape(with_ids(crowns, ledger.patient_ids), CROWNS.schema).sort("crown_id"),
        endo_courses=_shape(with_ids(courses, ledger.patient_ids), ENDO_COURSES.schema).sort("course_id"),
        tooth_followup=with_ids(followed, ledger.patient_ids),
        patient_followup=with_ids(
            ledger.ends.join(teeth, on="patient_id", how="semi").select("patient_id", followed_to="followup_end"),
            ledger.patient_ids,
        ),
        elsewhere_hints=with_ids(hints, ledger.patient_ids).select(
            pl.col(name).cast(dtype) for name, dtype in ELSEWHERE_HINTS.schema.items()
        ),
        set_aside=ledger.set_aside,
        begin=ledger.begin,
        cutoff=ledger.cutoff,
        counts=ledger.counts | _counts(crowns, courses, hints, lost),
    )


def link_crowns(ledger: Ledger, rules: LinkRules, *, take: Taken) -> pl.DataFrame:
    """The `crowns` of `link_ledger` alone, patients as numbers; steps known from other rules are not taken again.

    Raises ValueError as `link_ledger`.
    """
    crowns = _crowns_followed(ledger, rules, take=take).crowns
    return _shape(crowns, CROWNS.schema | {"patient_id": pl.UInt32()}).sort("crown_id")


@dataclass(frozen=True)
class _Followed:
    """Crowns with their fate, and what the rest of linking needs of the way there."""

    crowns: pl.DataFrame
    courses: pl.DataFrame
    others: pl.DataFrame
    ends: pl.DataFrame
    fillings: pl.DataFrame


def _crowns_followed(ledger: Ledger, rules: LinkRules, *, take: Taken) -> _Followed:
    """Rules 4 to 8, 11 and 12: a chain of steps, each told the tables and the settings that it hangs on."""
    if rules.reading != ledger.read_by:
        raise ValueError("The ledger was read by other settings than the rules ask for.")
    events, lost, after = ledger.events, ledger.lost, rules.count_after_last_contact
    ends = take(_ends, ledger, followed=rules.followed, active_days=rules.active_days)
    others = take(_counted_others, ledger, after_last_contact=after)
    courses, alive = take(
        _courses, ledger, others, course_gap_days=rules.course_gap_days, course_pair_days=rules.course_pair_days
    )
    crowns = take(
        _crowns,
        ledger,
        others,
        courses,
        alive,
        crown_repost_days=rules.crown_repost_days,
        crown_pair_days=rules.crown_pair_days,
        lab_days=rules.lab_days,
        crown_rows=rules.crown_rows,
        posted_at_prep=rules.posted_at_prep,
    )
    renewal_days = rules.renewal_days if rules.renewed_given_up else None
    courses = take(renewing_courses, courses, crowns, renewal_days=renewal_days)
    missing = take(crowns_found_missing, crowns, ledger.findings, events, recement_days=rules.recement_days)
    crowns = take(
        crown_failures,
        crowns,
        courses,
        events,
        others,
        lost=lost,
        found_missing=missing,
        repost_days=rules.crown_repost_days,
        losses=rules.losses,
    )
    crowns = take(end_followup, crowns, ends, start="entry_date", after_last_contact=after)
    fillings = take(_hints, crowns, courses, alive, events, hint_days=rules.hint_days)
    hinted = take(_hinted, fillings, ledger, hints_open=rules.hints_open)
    crowns = take(
        classify_endo_timing,
        crowns,
        courses,
        take(openings_of, courses, alive, hinted),
        take(_filled, others, courses, events),
        take(_posts, events),
        entries=take(_entries, events, name="entered"),
        post_days=rules.course_gap_days,
        undated=rules.undated_endo,
    )
    crowns = take(renewed_after_opening, crowns, courses, renewal_days=rules.renewal_days)
    crowns = take(
        _end_early,
        crowns,
        ledger.planned,
        planned_days=rules.planned_crown_days if rules.planned_ends else None,
        reopening_ends=rules.reopening_ends,
    )
    crowns = take(
        first_complications,
        crowns,
        courses,
        events,
        take(_entries, events, name="opened"),
        found_missing=missing,
        closure_days=rules.closure_days,
    )
    return _Followed(crowns, courses, others, ends, fillings)


def _hinted(fillings: pl.DataFrame, ledger: Ledger, *, hints_open: bool) -> pl.DataFrame:
    """Openings that fillings hint at, where hints open and nobody answered."""
    if not hints_open:
        fillings = fillings.clear()
    answered = ledger.others.filter("answered").select(KEY)
    return fillings.join(answered, on=KEY, how="anti").select(*KEY, opened="day")


def _filled(others: pl.DataFrame, courses: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    return filled_by(others, courses, _operated(events, others))


def _posts(events: pl.DataFrame) -> pl.DataFrame:
    return events.filter(pl.col("event").is_in(ev.POSTS)).select(*KEY, post_day="service_date").unique()


def _entries(events: pl.DataFrame, *, name: str) -> pl.DataFrame:
    return events.filter(pl.col("event").is_in(OPENING)).select(*KEY, pl.col("service_date").alias(name)).unique()


def with_ids(rows: pl.DataFrame, patient_ids: pl.Series) -> pl.DataFrame:
    """Rows of a ledger, whose patients are numbers, with the patients' ids."""
    return rows.with_columns(patient_id=patient_ids.gather(rows["patient_id"]))


def _latest(done: pl.DataFrame, tables: LinkInput) -> dt.date | None:
    latest: dt.date | None = data_cutoff(done.lazy(), tables.findings, tables.patients).collect().item()
    return latest


def _first(done: pl.DataFrame) -> dt.date | None:
    first = done["service_date"].min()
    return first if isinstance(first, dt.date) else None


def _ends(ledger: Ledger, *, followed: str, active_days: int) -> pl.DataFrame:
    if followed == "last_contact":
        return ledger.ends
    active = active_days if followed == "active" else None
    return followed_up(ledger.ends, cutoff=pl.lit(ledger.cutoff, pl.Date), active_days=active)


def _own_work(events: pl.DataFrame) -> pl.LazyFrame:
    kinds = dict.fromkeys(ev.CROWNS, ot.CROWN) | dict.fromkeys(TREATMENT, ot.ROOT_CANAL)
    rows = events.lazy().filter(pl.col("event").is_in(list(kinds)))
    return rows.select(*KEY, what=pl.col("event").replace_strict(kinds, return_dtype=pl.String), own_day="service_date")


def _operated(events: pl.DataFrame, others: pl.DataFrame) -> pl.DataFrame:
    here = events.filter(pl.col("event").is_in(SURGERY)).select(*KEY, day="service_date")
    there = others.filter(pl.col("what") == ot.OPERATED, pl.col("day").is_not_null()).select(*KEY, "day")
    return pl.concat([here, there])


def _operated_by(others: pl.DataFrame) -> pl.DataFrame:
    charted = others.filter(pl.col("what") == ot.OPERATED, pl.col("day").is_null(), pl.col("by").is_not_null())
    return charted.select(*KEY, day="by")


def _read_rows(tables: LinkInput, codes: pl.DataFrame, rules: LinkRules) -> _Rows:
    cutoff = None if rules.data_cutoff is None else pl.lit(rules.data_cutoff)
    rows = tables.procedures
    completed = ev.completed_rows(rows, cutoff=cutoff)
    refunds = ev.match_refunds(completed, reversal_days=rules.reversal_days)
    done = ev.with_kind(ev.done_rows(completed, refunds), codes)
    columns = [
        *ROW,
        *KEY,
        "supernumerary",
        "service_date",
        "code",
        "event",
        "detail",
        "surface",
        "fee",
        "provider_id",
        "site_id",
        "reason",
    ]
    on_teeth = done.filter(pl.col("tooth_fdi").is_not_null()).select(columns)
    teeth = ev.without_replanted(on_teeth).collect(engine="streaming")
    existing = ev.permanent_teeth(rows.filter(pl.col("status") == "existing"))
    existing = ev.with_kind(existing, codes).filter(pl.col("event").is_in(LINKED_KINDS)).collect().lazy()
    implanted = ev.implant_days(ev.permanent_teeth(teeth.lazy()), existing).collect().lazy()
    set_aside = ev.impossible_rows(teeth.lazy(), implanted).collect().sort(ROW)
    standing = ev.permanent_teeth(teeth.lazy()).join(set_aside.lazy(), on=list(ROW), how="anti").collect()
    needed = _no_implant(existing, tables, cutoff)
    implants = ev.standing_implants(standing.lazy(), implanted, needed).collect()
    on_implants = ev.rows_on_implants(standing.lazy(), implants.lazy()).collect()
    standing = standing.join(on_implants, on=list(ROW), how="anti")
    events = standing.filter(pl.col("event").is_in([*LINKED_KINDS, ev.FILLING]))
    seen = done.filter(~pl.col("event").is_in(ev.NO_CONTACT).fill_null(False)).select(
        "patient_id", "service_date", is_exam=(pl.col("event") == ev.EXAM).fill_null(False)
    )
    planned = ev.permanent_teeth(rows.filter(pl.col("status") == "planned"))
    planned = ev.with_kind(planned, codes).filter(
        pl.col("event").is_in(ev.CROWNS), pl.col("service_date").is_not_null()
    )
    counted = pl.collect_all(
        [
            seen,
            rows.group_by("status").len(),
            planned.select(*KEY, day="service_date").unique(),
        ],
        engine="streaming",
    )
    by_status = dict(counted[1].iter_rows())
    outcomes = dict(refunds.group_by("outcome").len().iter_rows())
    counts = {f"rows_{status}": by_status.get(status, 0) for status in ("completed", "planned", "existing", "void")}
    counts |= {
        "rows_reversed": outcomes.get("reversed", 0),
        "reversals_without_match": outcomes.get("unmatched", 0),
        "rows_after_extraction": set_aside.height,
        "crown_rows_on_implants": on_implants.height,
        "rows_on_primary_teeth": teeth.filter(pl.col("tooth_fdi") > 48).height,
        "rows_on_supernumerary_teeth": teeth.filter("supernumerary").height,
        "crown_rows": events.filter(pl.col("event").is_in(ev.CROWNS)).height,
        "teeth_replanted": on_teeth.select(pl.len()).collect().item() - teeth.height,
        "root_canals_coded_for_another_tooth": _coded_for_another_tooth(events),
    }
    aside = set_aside.select(*ROW, pl.lit("service_date").alias("field"), "reason")
    counts = {name: n + tables.left_out.get(name, 0) for name, n in counts.items()}
    done_days = counted[0] if tables.contacts is None else pl.concat([counted[0], tables.contacts.collect()])
    return _Rows(
        done=done_days,
        events=events,
        on_teeth=standing,
        implants=implants,
        existing=existing.collect(),
        planned=counted[2],
        late_refunds=_late_refunds(completed, refunds, codes),
        set_aside=aside,
        counts=counts,
    )


def _no_implant(existing: pl.LazyFrame, tables: LinkInput, cutoff: pl.Expr | None) -> pl.LazyFrame:
    """Days of what no implant can have, as others and findings tell: `patient_id, tooth_fdi, day`.

    A finding that only tells whether a crown is in place may be one of the crown of an implant.
    """
    of_root = [event for event, told in ot.TOLD.items() if told in ot.ON_A_ROOT]
    charted = existing.filter(pl.col("event").is_in(of_root)).select(*KEY, day="service_date")
    told = (
        ev.permanent_teeth(tables.elsewhere).filter(pl.col("event").is_in(ot.ON_A_ROOT)).select(*KEY, day=ot.told_day())
    )
    read = ev.permanent_teeth(tables.findings).filter(pl.col("crown_in_place").is_null()).select(*KEY, day="exam_date")
    days = pl.concat([charted, told, read]).drop_nulls("day")
    return days if cutoff is None else days.filter(pl.col("day") <= cutoff)


def _late_refunds(completed: pl.LazyFrame, refunds: pl.DataFrame, codes: pl.DataFrame) -> pl.DataFrame:
    """Refunds of crowns and root canals of permanent teeth that came too late to take a row back."""
    late = refunds.filter(pl.col("outcome") == "late_refund").lazy()
    rows = ev.with_kind(completed.join(late, on=list(ROW), how="semi"), codes)
    rows = ev.permanent_teeth(rows).filter(pl.col("event").is_in([*ev.CROWNS, *TREATMENT]))
    return rows.select(*KEY, day="service_date").unique().sort(*KEY, "day").collect()


def _coded_for_another_tooth(events: pl.DataFrame) -> int:
    """Rows of root canal treatment whose code is that of another class of tooth."""
    rows = events.filter(pl.col("event").is_in(FILLING), pl.col("detail").is_in(["anterior", "premolar", "molar"]))
    return rows.filter(pl.col("detail") != ev.tooth_group(pl.col("tooth_fdi"))).height


def _counted_others(ledger: Ledger, *, after_last_contact: bool) -> pl.DataFrame:
    """What others did up to each patient's last contact here, and while the tooth was there."""
    here = ledger.lost.filter(~pl.col("lost_elsewhere")).select(*KEY, "lost_on")
    last = "counted_to" if after_last_contact else "followup_end"
    return (
        ledger.others.join(ledger.ends.select("patient_id", last=last), on="patient_id", how="left")
        .join(here, on=KEY, how="left")
        .filter(
            (pl.col("day") <= pl.col("last")).fill_null(pl.col("day").is_null()),
            (pl.col("day") <= pl.col("lost_on")).fill_null(True),
        )
        .drop("last", "lost_on")
    )


def _courses(
    ledger: Ledger, others: pl.DataFrame, *, course_gap_days: int, course_pair_days: int
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Courses here and, on a known day, elsewhere; and the pulpotomies that are the start of none."""
    events = ledger.events.lazy()
    elsewhere = courses_elsewhere(others)
    told = others.filter(pl.col("what").is_in([ot.ROOT_CANAL, ot.RETREATMENT])).select(*KEY, day="by")
    # Surgery at the root end shows that the canal was filled before; a filling on that very day may be the first.
    operated = pl.concat([_operated(ledger.events, others), _operated_by(others)])
    operated = operated.with_columns(pl.col("day") + pl.duration(days=1))
    known_by = pl.concat([told, operated]).group_by(KEY).agg(filled_elsewhere=pl.col("day").min()).drop_nulls()
    here = build_courses(
        events,
        known_by.lazy(),
        others.filter(pl.col("what") == ot.CROWN).select(*KEY, crown_day="day").drop_nulls().lazy(),
        course_gap_days=course_gap_days,
        course_pair_days=course_pair_days,
        fees_kept=ledger.fees_kept,
    ).collect()
    here = here.with_columns(done_elsewhere=pl.lit(False), is_year=pl.lit(False))
    ours = here.group_by(KEY).agg(first_done=pl.col("completed").min())
    first = elsewhere.group_by(KEY).agg(first_elsewhere=pl.col("started").min())
    undated = others.filter(pl.col("what").is_in([ot.ROOT_CANAL, ot.RETREATMENT]), pl.col("day").is_null())
    shown = pl.concat([undated.select(*KEY, day="by"), operated]).group_by(KEY).agg(first_shown=pl.col("day").min())
    there = elsewhere.join(ours, on=KEY, how="left").join(first, on=KEY).join(shown, on=KEY, how="left")
    earlier = (
        (pl.col("first_done") < pl.col("started")).fill_null(False)
        | (pl.col("first_elsewhere") < pl.col("started"))
        | (pl.col("first_shown") <= pl.col("started")).fill_null(False)
    )
    there = there.select(
        *KEY,
        "started",
        "repeat",
        "is_year",
        completed="started",
        last_row="started",
        visits=pl.lit(1, pl.UInt32),
        kind=pl.when(pl.col("repeat") | earlier).then(pl.lit("retreatment")).otherwise(pl.lit("initial")),
        coded_as_initial=~pl.col("repeat") & earlier,
        done_elsewhere=pl.lit(True),
    )
    every = pl.concat([here, there], how="diagonal").sort(*KEY, "started", "kind", "done_elsewhere")
    alive = pulpotomies(events).collect()
    begun = every.select(*KEY, "started", "last_row")
    within = (pl.col("opened") >= pl.col("started")) & (pl.col("opened") <= pl.col("last_row"))
    in_course = alive.join(begun, on=KEY).filter(within).select(*KEY, "opened").unique()
    # A tooth that was root-filled has no pulp to be opened.
    filled = every.filter(pl.col("completed").is_not_null()).group_by(KEY).agg(filled=pl.col("completed").min())
    alive = alive.join(in_course, on=[*KEY, "opened"], how="anti").join(filled, on=KEY, how="left")
    alive = alive.join(known_by, on=KEY, how="left").filter(
        (pl.col("opened") <= pl.col("filled")).fill_null(True),
        (pl.col("opened") < pl.col("filled_elsewhere")).fill_null(True),
    )
    alive = alive.drop("filled", "filled_elsewhere")
    return numbered(every, "course_id", "E"), alive


def _crowns(
    ledger: Ledger,
    others: pl.DataFrame,
    courses: pl.DataFrame,
    alive: pl.DataFrame,
    *,
    crown_repost_days: int,
    crown_pair_days: int,
    lab_days: int,
    crown_rows: int,
    posted_at_prep: bool,
) -> pl.DataFrame:
    details = ev.permanent_teeth(ledger.crown_details.lazy())
    opened = pl.concat([courses.select(*KEY, opened="started"), alive.select(*KEY, "opened")])
    here = build_crowns(
        ledger.events.lazy(),
        details,
        opened.lazy(),
        crown_repost_days=crown_repost_days,
        crown_pair_days=crown_pair_days,
        lab_days=lab_days,
        crown_rows=crown_rows,
        posted_at_prep=posted_at_prep,
        fees_kept=ledger.fees_kept,
    ).with_columns(seen_date=pl.lit(None, pl.Date), done_elsewhere=pl.lit(False))
    here = here.collect().lazy()
    elsewhere = crowns_elsewhere(
        others.lazy(), here, details, ledger.ends.lazy().select("patient_id", "first_seen")
    ).with_columns(done_elsewhere=pl.lit(True))
    records_begin = pl.lit(ledger.begin, pl.Date)
    every = pl.concat([here, elsewhere.collect().lazy()], how="diagonal")
    crowns = crown_entry(every, records_begin=records_begin).collect()
    crowns = crowns.with_columns(in_place_from=pl.coalesce("seat_date", pl.col("seen_date") - pl.duration(days=1)))
    return numbered(crowns.sort(*KEY, "in_place_from", "posted_first", "crown_kind"), "crown_id", "C")


def _hints(
    crowns: pl.DataFrame, courses: pl.DataFrame, alive: pl.DataFrame, events: pl.DataFrame, *, hint_days: int
) -> pl.DataFrame:
    ours = crowns.filter(~pl.col("done_elsewhere")).select(
        *KEY, "crown_id", "in_place_from", followed_to="exit_date", is_failed="failure"
    )
    return fillings_on_crowns(ours, access_fillings(events), courses, alive, hint_days=hint_days)


def _end_early(
    crowns: pl.DataFrame, planned: pl.DataFrame, *, planned_days: int | None, reopening_ends: bool
) -> pl.DataFrame:
    """Ways that end follow-up before the failure: at an opening for a planned crown, or at a reopening."""
    if planned_days is not None:
        shortly = (
            crowns.filter(pl.col("access_date").is_not_null())
            .join(planned, on=KEY)
            .filter((pl.col("access_date") - pl.col("day")).dt.total_days().is_between(0, planned_days))
            .select("crown_id", ends="access_date")
            .unique()
        )
        crowns = _ended(crowns, shortly)
        given_up = (
            pl.col("access_date").is_not_null() & (pl.col("access_date") >= pl.col("exit_date")) & ~pl.col("failure")
        )
        given_up &= pl.col("crown_id").is_in(shortly["crown_id"].implode())
        crowns = crowns.with_columns(
            endo_timing=pl.when(given_up).then(pl.lit("vital")).otherwise("endo_timing"),
            access_date=pl.when(~given_up).then("access_date"),
            renewed_after_opening=pl.col("renewed_after_opening") & ~given_up,
        )
    if reopening_ends:
        crowns = _ended(crowns, crowns.select("crown_id", ends="reopened_date").drop_nulls())
    return crowns


def _ended(crowns: pl.DataFrame, ends: pl.DataFrame) -> pl.DataFrame:
    out = crowns.join(ends, on="crown_id", how="left", maintain_order="left")
    early = (pl.col("ends") < pl.col("exit_date")).fill_null(False)
    return out.with_columns(
        exit_date=pl.when(early).then("ends").otherwise("exit_date"),
        failure=pl.col("failure") & ~early,
        failure_cause=pl.when(~early).then("failure_cause"),
        failure_elsewhere=pl.col("failure_elsewhere") & ~early,
        loss_reason=pl.when(~early).then("loss_reason"),
        loss_interval_days=pl.when(~early).then("loss_interval_days"),
        exit_reason=pl.when(early).then(pl.lit("last_contact")).otherwise("exit_reason"),
    ).drop("ends")


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
        | ((pl.col("exit_date") == pl.col("started")) & ~pl.col("for_new_crown"))
    )
    crowned = (~gone).fill_null(False)  # null where no crown stood
    through = crowned & ~pl.col("for_new_crown")
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
    return grouped.select(pl.col(name).cast(dtype) for name, dtype in schema.items())


def _counts_of_others(others: pl.DataFrame) -> dict[str, int]:
    filled = others.filter(pl.col("what") == ot.ROOT_CANAL)
    return {
        "root_canals_elsewhere_dated": filled.filter(pl.col("day").is_not_null()).height,
        "root_canals_elsewhere_undated": filled.filter(pl.col("day").is_null()).height,
    }


def _counts(crowns: pl.DataFrame, courses: pl.DataFrame, hints: pl.DataFrame, lost: pl.DataFrame) -> dict[str, int]:
    ours = crowns.filter(~pl.col("done_elsewhere"))
    theirs = crowns.filter("done_elsewhere")
    single = ours.filter(pl.col("crown_kind") == "single")
    known = theirs.filter(pl.col("seat_date").is_not_null())
    own_courses = courses.filter(~pl.col("done_elsewhere"))
    first_repeat = own_courses.sort("started").unique(KEY, keep="first", maintain_order=True)
    by_kind = dict(hints.group_by("kind").len().iter_rows())
    return {
        "crowns": single.height,
        "crowns_other_kinds": ours.height - single.height,
        "crowns_from_elsewhere_unknown_age": theirs.height - known.height,
        "crowns_from_elsewhere_known_age": known.height,
        "seats_recorded": ours.filter("seat_recorded").height,
        "seats_shifted_from_preparation": ours.filter(pl.col("shift_days") > 0).height,
        "crowns_order_uncertain": single.filter("order_uncertain").height,
        "crowns_timing_unknown": single.filter(pl.col("endo_timing").is_null()).height,
        "crowns_opened": single.filter(pl.col("endo_timing") == "through_crown").height,
        "crowns_opened_elsewhere": single.filter("access_elsewhere").height,
        "crowns_reopened": single.filter(pl.col("reopened_date").is_not_null()).height,
        "crowns_renewed_after_opening": single.filter("renewed_after_opening").height,
        "crowns_remade_without_fee": ours.filter("remake_no_fee").height,
        "crowns_not_followed": ours.filter(pl.col("exit_date") <= pl.col("entry_date")).height,
        "endo_courses": own_courses.height,
        "courses_elsewhere": courses.height - own_courses.height,
        "courses_never_completed": own_courses["completed"].null_count(),
        "retreatments_coded_as_initial": own_courses.filter("coded_as_initial").height,
        "retreatments_without_first_treatment": first_repeat.filter(
            (pl.col("kind") == "retreatment") & ~pl.col("coded_as_initial")
        ).height,
        "failures_elsewhere": crowns.filter("failure_elsewhere").height + courses.filter("failure_elsewhere").height,
        "teeth_lost_between_visits": lost.filter(pl.col("gone_by").is_not_null()).height,
        "hints_filling_on_crown": by_kind.get("filling_on_crown", 0),
        "hints_undated_root_canal": by_kind.get("undated_root_canal", 0),
    }
