"""The generator's own book of what it made come true and of what a reader of its files can know of it.

One row a crown, one row a course, and their counts. Kept from what was simulated, never by reading the ledger back.
Columns that begin with `true_` say what happened; those named as in the linked tables say what a reader who follows
the linking rules must come to, no more and no less: the two part where others did something.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from synthetic_data.courses import CROWNED, CROWNED_UNKNOWN_AGE, Columns, take
from synthetic_data.details import dates, words
from synthetic_data.elsewhere import DATED, HERE, ON_VISIT, SIGN, UNDATED, WORDS, YEAR_TABLE
from synthetic_data.elsewhere import EXTRACTION as EXTRACTED_ELSEWHERE
from synthetic_data.hazards import GROUPS, MATERIALS, Days, Flags, Ints
from synthetic_data.people import CUTOFF, GROUP, NO_DAY, People, Visits
from synthetic_data.postings import COMPLETED, LOSS_REASONS
from synthetic_data.settle import Settled, is_dated, lookup, tooth_key
from synthetic_data.tooth_histories import (
    EXTRACTED,
    EXTRACTION,
    KINDS,
    MADE_HERE,
    REMOVED,
    REPLACED,
    RETAINER,
    SURGERY,
)
from synthetic_data.truth import Truth

FDI = np.array([*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)])
TIMINGS = ["vital", "before_seat", "through_crown"]
VITAL, BEFORE, THROUGH = range(3)
UNKNOWN = -1
EXIT_REASONS = ["last_contact", "death", "cutoff", "failed"]
CROWN_FAILURES = ["replaced", "removed", "extracted"]
RENEWAL_DAYS = 120


def last_contacts(people: People, real: Columns) -> Days:
    """Each patient's last day with a completed row. Untidy rows and findings fall on days that count already."""
    counts = (real["status"] == COMPLETED) & (real["day"] != NO_DAY)
    last = np.full(people.size, NO_DAY)
    np.maximum.at(last, real["patient"][counts], real["day"][counts])
    return last


def recorded_contacts(rng: np.random.Generator, people: People, last: Days) -> Days:
    """The last contact as the practice recorded it, for some patients: it may be later than the last row.

    Some active patients called after the cut-off, some relatives after a death, some who moved said goodbye.
    """
    n = people.size
    dead, active = people.death != NO_DAY, people.end == CUTOFF
    when = np.select(
        [dead, active], [people.death + rng.integers(5, 60, n), CUTOFF + rng.integers(3, 21, n)], people.end
    )
    chance = np.select([dead, active], [0.4, 0.35], 0.35)
    when = np.where(rng.random(n) < chance, when, NO_DAY)
    return np.where((when == NO_DAY) & (rng.random(n) < 0.3), last, when)


def followup(people: People, last: Days, recorded: Days) -> tuple[Days, Ints]:
    """Rule 11: the end of each patient's follow-up, and why it ended (an index of EXIT_REASONS)."""
    contact = np.maximum(last, recorded)
    death = np.where(people.death == NO_DAY, 2 * CUTOFF, people.death)
    end = np.minimum(np.minimum(contact, death), CUTOFF)
    return end, np.select([end == death, end == CUTOFF], [1, 2], 0)


@dataclass(frozen=True)
class Losses:
    """Each loss that others caused, as a reader can date it (NO_DAY: not at all) and between how many days."""

    day: Days
    interval: Ints


def date_losses(s: Settled, visits: Visits, end: Days) -> Losses:
    """Rule 13: a tooth that is found gone was lost in the middle between its last and its first sign."""
    c = s.by_others
    lost = c["event"] == EXTRACTED_ELSEWHERE
    sign = np.select(
        [np.isin(c["charted"], (ON_VISIT, SIGN)), np.isin(c["charted"], UNDATED)],
        [c["found"], end[c["patient"]]],
        NO_DAY,
    )
    between = lost & (sign != NO_DAY)
    there = _last_known(s, visits, take(c, between), sign[between])
    day, interval = np.where(is_dated(c["charted"]), c["day"], NO_DAY), np.full(lost.size, -1)
    day[between] = there + (sign[between] - there) // 2
    interval[between] = sign[between] - there
    return Losses(np.where(day <= end[c["patient"]], day, NO_DAY), interval)


def _last_known(s: Settled, visits: Visits, c: Columns, before: Days) -> Days:
    # The last examination of the patient, row of the tooth or root canal elsewhere before that day.
    named = {name: s.real[name] for name in ("patient", "tooth", "day")}
    rows = take(named, (s.real["status"] == COMPLETED) & (s.real["tooth"] > 0))
    dated = take(s.courses, is_dated(s.courses["charted"]))
    keys = [tooth_key(rows) * 100_000 + rows["day"], tooth_key(dated) * 100_000 + dated["started"]]
    of_tooth = np.concatenate(keys)
    examined = visits.patient * 100_000 + visits.day
    return np.maximum(_latest(of_tooth, tooth_key(c), before), _latest(examined, c["patient"], before))


def _latest(keys: Ints, asked: Ints, before: Days) -> Days:
    keys = np.sort(keys)
    nth = np.searchsorted(keys, asked * 100_000 + before) - 1
    found = keys[np.maximum(nth, 0)]
    return np.where((nth >= 0) & (found // 100_000 == asked), found % 100_000, NO_DAY)


def crown_book(truth: Truth, s: Settled, losses: Losses, *, end: Days, reason: Ints, ids: pl.Series) -> pl.DataFrame:
    """One row a crown, those of unknown age included (their `seat_date` is null).

    `true_opening` with `opening_charted`, and `root_canal_on` with `root_canal_charted`, say when the tooth's first
    root canal began and how the practice knows of it: `here`, `dated`, `year`, `on_visit`, `undated`, `not`.
    `true_given_up_on` is the day on which a crown of a vital tooth was given up for a renewal with a root canal, and
    `renewal_planned` tells whether a planned row shows it. `true_risk` is the crown's own multiple of the hazard of
    the vital reference crown.
    """
    c = s.crowns
    known, failed, made = c["known"], c["failed"], c["origin"] == MADE_HERE
    patient_end = end[c["patient"]]
    theirs = c["theirs"] >= 0
    charted = _of_theirs(c, s.by_others["charted"], HERE)
    found_day, interval = _failure_day(s, losses)
    fails = failed & (found_day != NO_DAY) & (found_day <= patient_end)
    exit_day = np.where(fails, found_day, patient_end)
    cause = np.select([c["cause"] == REMOVED, c["cause"] == EXTRACTED], [1, 2], 0)
    elsewhere = fails & theirs & np.isin(charted, DATED)
    told = _told_reason(s, c)
    rc = _root_canals(s, c)
    true_timing = np.select([c["root_filled"], c["access"] != NO_DAY], [BEFORE, THROUGH], VITAL)
    timing, access, uncertain = _timing(s, c, rc, exit_day=exit_day, fails=fails, end=patient_end)
    renewed = (timing == THROUGH) & fails & np.isin(c["cause"], _NEW_CROWN) & ~theirs
    renewed &= (c["next_seat"] != NO_DAY) & (c["next_seat"] <= c["opening_last"] + RENEWAL_DAYS)
    opened_here = rc["charted"] == HERE
    return pl.DataFrame(
        {
            "patient_id": ids.gather(c["patient"]),
            "tooth_fdi": FDI[c["tooth"] - 1],
            "tooth_group": words(list(GROUPS), GROUP[c["tooth"] - 1]),
            "provider_id": words([x.id for x in truth.clinicians], np.where(made, c["clinician"], -1)),
            "crown_kind": words(list(KINDS), c["kind"]),
            "made_here": made,
            "seat_date": dates(np.where(known, c["seat"], NO_DAY)),
            "entry_date": dates(np.where(known, c["entry"], NO_DAY)),
            "prep_date": dates(np.where(made, c["prep"], NO_DAY)),
            "seat_recorded": c["recorded"],
            "straddles_seat": c["straddles"],
            "material": words(list(MATERIALS), c["material"]),
            "pulp_status_at_prep": words(["normal", "hyperemic", "necrotic", "root_filled"], c["pulp"]),
            "true_seat": dates(c["seat"]),
            "true_endo_timing": words(TIMINGS, true_timing),
            "true_opening": dates(c["access"]),
            "opening_charted": words(WORDS, np.where(c["access"] != NO_DAY, rc["charted"], -1)),
            "root_canal_on": dates(rc["started"]),
            "root_canal_charted": words(WORDS, np.where(rc["started"] != NO_DAY, rc["charted"], -1)),
            "true_failure": failed,
            "true_failure_date": dates(c["fail"]),
            "true_failure_cause": words(CROWN_FAILURES, np.where(failed, cause, -1)),
            "true_loss_cause": words(LOSS_REASONS, np.where(failed & (cause == 2), _true_reason(s, c), -1)),
            "failure_charted": words(WORDS, np.where(failed, charted, -1)),
            "true_given_up_on": dates(np.where(c["gave_up"] == c["access"], c["gave_up"], NO_DAY)),
            "renewal_planned": c["planned"],
            "true_risk": c["risk"],
            "hint_date": dates(c["hint"]),
            "hint_true": c["hint_true"],
            "late_refund": dates(c["late_refund"]),
            "endo_timing": words(TIMINGS, timing),
            "access_date": dates(access),
            "access_elsewhere": (access != NO_DAY) & ~opened_here,
            "order_uncertain": uncertain,
            "reopened_date": dates(_reopened(s, c, timing, exit_day=exit_day, fails=fails, end=patient_end)),
            "exit_date": dates(exit_day),
            "failure": fails,
            "failure_cause": words(CROWN_FAILURES, np.where(fails, cause, -1)),
            "failure_elsewhere": elsewhere,
            "loss_reason": words(LOSS_REASONS, np.where(fails & (cause == 2), told, -1)),
            "loss_interval_days": pl.Series(interval).set(pl.Series((interval < 0) | ~fails), None),
            "remake_no_fee": c["free"],
            "renewed_after_opening": renewed,
            "first_complication_date": dates(c["complication"]),
            "exit_reason": words(EXIT_REASONS, np.where(fails, 3, reason[c["patient"]])),
        }
    )


_NEW_CROWN = (REPLACED, 1, RETAINER)


def _of_theirs(c: Columns, values: Ints, default: int) -> Ints:
    # The value of what others did to each crown; the default where they did nothing.
    padded = np.append(values, default)
    return np.asarray(padded[np.where(c["theirs"] >= 0, c["theirs"], values.size)])


def _failure_day(s: Settled, losses: Losses) -> tuple[Days, Ints]:
    c, other = s.crowns, s.by_others
    day = _of_theirs(c, np.where(is_dated(other["charted"]), other["day"], NO_DAY), NO_DAY)
    day = np.where(c["cause"] == EXTRACTED, _of_theirs(c, losses.day, NO_DAY), day)
    interval = np.where(c["cause"] == EXTRACTED, _of_theirs(c, losses.interval, -1), -1)
    return np.where(c["theirs"] >= 0, day, c["fail"]), interval


def _told_reason(s: Settled, c: Columns) -> Ints:
    gone = take(s.events, s.events["kind"] == EXTRACTION)
    return lookup(tooth_key(gone), gone["told"], tooth_key(c), 0)


def _true_reason(s: Settled, c: Columns) -> Ints:
    gone = take(s.events, s.events["kind"] == EXTRACTION)
    theirs = take(s.by_others, s.by_others["event"] == EXTRACTED_ELSEWHERE)
    key = np.concatenate([tooth_key(gone), tooth_key(theirs)])
    return lookup(key, np.concatenate([gone["detail"], theirs["detail"]]), tooth_key(c), 0)


def _root_canals(s: Settled, c: Columns) -> Columns:
    # The first root canal of each crown's tooth: there is at most one in a tooth's life.
    first = take(s.courses, ~s.courses["repeat"])
    key, asked = tooth_key(first), tooth_key(c)
    out = {name: lookup(key, first[name], asked, NO_DAY) for name in ("started", "completed", "found")}
    return out | {"charted": lookup(key, first["charted"], asked, HERE)}


def _timing(
    s: Settled, c: Columns, rc: Columns, *, exit_day: Days, fails: Flags, end: Days
) -> tuple[Ints, Days, Flags]:
    # Rule 7, from what each root canal's charting tells.
    seat = c["seat"]
    dated = is_dated(rc["charted"])
    year = (rc["charted"] == YEAR_TABLE) & (rc["started"] != NO_DAY)
    started, completed = np.where(year, rc["found"], rc["started"]), np.where(year, rc["found"], rc["completed"])
    exists = (started != NO_DAY) & (dated | year) & (started <= end)
    done_before = exists & (completed != NO_DAY) & (completed <= seat)
    begun_before = exists & (started <= seat)
    seen_before = (rc["charted"] == ON_VISIT) & (rc["found"] <= seat)
    shown = c["post_row"] | (c["detail"] & (c["post_told"] > 0)) | (c["detail"] & c["pulp_told"] & (c["pulp"] == 3))
    through = exists & (started > seat) & ((started < exit_day) | (~fails & (started <= exit_day)))
    # What shows a filled tooth under one crown tells of every later crown on it.
    teeth, place = np.unique(tooth_key(c), return_inverse=True)
    first_shown = np.full(teeth.size, np.iinfo(np.int64).max)
    np.minimum.at(first_shown, place[shown], seat[shown])
    shown = first_shown[place] <= seat
    undated = np.isin(rc["charted"], UNDATED) | ((rc["charted"] == ON_VISIT) & (rc["found"] > seat))
    before = done_before | seen_before | shown
    timing = np.select([before | begun_before, through, undated], [BEFORE, THROUGH, UNKNOWN], VITAL)
    uncertain = (begun_before & ~before) | (timing == UNKNOWN)
    return timing, np.where(timing == THROUGH, started, NO_DAY), uncertain


def _reopened(s: Settled, c: Columns, timing: Ints, *, exit_day: Days, fails: Flags, end: Days) -> Days:
    # The first repeat treatment through each crown whose root canal was done before.
    again = take(s.courses, s.courses["repeat"] & is_dated(s.courses["charted"]))
    keys = np.sort(tooth_key(again) * 100_000 + again["started"])
    if not keys.size:
        return np.full(timing.size, NO_DAY)
    nth = np.minimum(np.searchsorted(keys, tooth_key(c) * 100_000 + c["seat"], side="right"), keys.size - 1)
    day = np.where(keys[nth] // 100_000 == tooth_key(c), keys[nth] % 100_000, NO_DAY)
    good = (timing == BEFORE) & (day > c["seat"]) & (day <= end)
    good &= (day < exit_day) | (~fails & (day <= exit_day))
    return np.where(good, day, NO_DAY)


def course_book(s: Settled, losses: Losses, *, end: Days, ids: pl.Series) -> pl.DataFrame:
    """One row a course that the files give a day, with what became of it; `done_elsewhere` marks those of others.

    `charted` says how it is known. A course that was never completed fails by extraction alone. Courses that are not
    charted by their day stand in `truth/crowns.csv` alone, where the tooth has a crown.
    """
    known = is_dated(s.courses["charted"]) & (s.courses["started"] <= end[s.courses["patient"]])
    courses = take(s.courses, known)
    gone, cut = (take(s.events, s.events["kind"] == kind) for kind in (EXTRACTION, SURGERY))
    dated = (s.by_others["event"] == EXTRACTED_ELSEWHERE) & (s.by_others["charted"] != HERE) & (losses.day != NO_DAY)
    theirs = take(s.by_others, dated)
    extracted = pl.DataFrame(
        {
            "tooth": np.concatenate([tooth_key(gone), tooth_key(theirs)]),
            "extraction_date": dates(np.concatenate([gone["day"], losses.day[dated]])),
        }
    )
    surgery = pl.DataFrame({"tooth": tooth_key(cut), "surgery_date": dates(cut["day"])}).sort("surgery_date")
    book = pl.DataFrame(
        {
            "tooth": tooth_key(courses),
            "patient_id": ids.gather(courses["patient"]),
            "tooth_fdi": FDI[courses["tooth"] - 1],
            "started": dates(courses["started"]),
            "completed": dates(courses["completed"]),
            "visits": courses["visits"],
            "kind": words(["initial", "retreatment"], courses["repeat"].astype(np.int64)),
            "coded_as_initial": courses["coded_as_initial"],
            "crown_at_start": words(_AT_START, courses["at_start"]),
            "done_elsewhere": courses["charted"] != HERE,
            "charted": words(WORDS, courses["charted"]),
            "end": dates(end[courses["patient"]]),
        }
    ).sort("tooth", "started")
    book = book.with_columns(retreatment_date=pl.col("started").shift(-1).over("tooth"))
    book = book.sort("started").join_asof(
        surgery,
        left_on="started",
        right_on="surgery_date",
        by="tooth",
        strategy="forward",
        check_sortedness=False,
        coalesce=False,
    )
    book = book.join(extracted, on="tooth", how="left")
    failures = ("retreatment_date", "surgery_date", "extraction_date")
    first = pl.min_horizontal(*failures)
    failed = first.is_not_null()
    return book.with_columns(
        failure=failed,
        failure_cause=pl.when(failed).then(
            pl.coalesce(*(pl.when(pl.col(f) == first).then(pl.lit(f.removesuffix("_date"))) for f in failures))
        ),
        exit_date=pl.when(failed).then(first).otherwise("end"),
    ).drop("tooth", "end")


_AT_START = ["none", "crowned", "crowned_unknown_age"]
assert (CROWNED, CROWNED_UNKNOWN_AGE) == (1, 2)


def counted(book: pl.DataFrame) -> pl.DataFrame:
    """The crowns of which crown figures are made: single crowns of this practice."""
    return book.filter("made_here", pl.col("crown_kind") == "single")


def count_crowns(book: pl.DataFrame) -> dict[str, Any]:
    """Counts of the practice's single crowns and their failures as a reader must find them, and of the others."""
    ours = counted(book)
    days = (pl.col("exit_date") - pl.col("entry_date")).dt.total_days()
    timings = [*TIMINGS, None]
    return {
        "single": ours.height,
        "other_kinds": {k: book.filter(made_here=True, crown_kind=k).height for k in KINDS[1:]},
        "from_elsewhere": {
            "seat_known": book.filter(pl.col("seat_date").is_not_null(), ~pl.col("made_here")).height,
            "unknown_age": book["seat_date"].null_count(),
        },
        "seat_recorded": ours.filter("seat_recorded").height,
        "begun_before_and_finished_after_the_seat": ours.filter("straddles_seat").height,
        "order_uncertain": ours.filter("order_uncertain").height,
        "reopened": ours["reopened_date"].count(),
        "remade_without_fee": ours.filter("remake_no_fee").height,
        "renewed_after_opening": ours.filter("renewed_after_opening").height,
        "renewals_planned": ours.filter("renewal_planned").height,
        "with_complication": ours["first_complication_date"].count(),
        "late_refunds": ours["late_refund"].count(),
        "by_endo_timing": {str(t or "unknown"): _timed(ours, t).height for t in timings},
        "tooth_days": {t: ours.filter(endo_timing=t).select(days.sum()).item() for t in TIMINGS},
        "failures": {t: _tally(_timed(ours, t).filter("failure"), "failure_cause", CROWN_FAILURES) for t in TIMINGS},
        "loss_reasons": _tally(ours.filter(failure_cause="extracted"), "loss_reason", sorted(set(LOSS_REASONS))),
        "exit_reason": _tally(ours, "exit_reason", EXIT_REASONS),
    }


def _timed(book: pl.DataFrame, timing: str | None) -> pl.DataFrame:
    return book.filter(pl.col("endo_timing").eq_missing(pl.lit(timing, pl.String)))


def count_unseen(book: pl.DataFrame) -> dict[str, Any]:
    """What the ledger cannot see of the practice's single crowns: true openings and losses by how they are charted."""
    ours = counted(book)
    ways = list(dict.fromkeys(WORDS))
    opened = ours.filter(pl.col("true_opening").is_not_null())
    filled = ours.filter(true_endo_timing="before_seat")
    lost = ours.filter(true_failure_cause="extracted")
    hints = ours.filter(pl.col("hint_date").is_not_null())
    found = opened.filter(pl.col("endo_timing") == "through_crown")
    return {
        "openings": opened.height,
        "openings_charted": _tally(opened, "opening_charted", ways),
        "openings_found": found.height,
        "openings_labelled_vital": opened.filter(pl.col("endo_timing") == "vital").height,
        "root_canals_before_the_seat": filled.height,
        "root_canals_before_the_seat_charted": _tally(filled, "root_canal_charted", ways),
        "root_canals_before_the_seat_labelled_vital": filled.filter(pl.col("endo_timing") == "vital").height,
        "losses": lost.height,
        "losses_charted": _tally(lost, "failure_charted", ways),
        "failures_elsewhere": ours.filter("failure_elsewhere").height,
        "hints_of_openings": hints.height,
        "hints_that_are_openings": hints.filter("hint_true").height,
    }


def count_courses(book: pl.DataFrame) -> dict[str, Any]:
    """Counts of courses of endo that the files give a day, and what became of them."""
    return {
        "courses": book.height,
        "done_elsewhere": book.filter("done_elsewhere").height,
        "by_kind": _tally(book, "kind", ["initial", "retreatment"]),
        "coded_as_initial": book.filter("coded_as_initial").height,
        "never_completed": book["completed"].null_count(),
        "by_crown_at_start": _tally(book, "crown_at_start", _AT_START),
        "failures": _tally(book.filter("failure"), "failure_cause", ["retreatment", "surgery", "extraction"]),
    }


def add_counts(a: dict[str, Any], b: dict[str, Any]) -> dict[str, Any]:
    """Add two nests of counts of one shape."""
    if not a:
        return b
    return {k: add_counts(a[k], b[k]) if isinstance(b[k], dict) else a[k] + b[k] for k in b}


def _tally(frame: pl.DataFrame, column: str, values: Iterable[str]) -> dict[str, int]:
    found = dict(frame.group_by(column).len().iter_rows())
    return {v: int(found.get(v, 0)) for v in values}
