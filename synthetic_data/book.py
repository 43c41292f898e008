"""The generator's own book of what it made come true: one row a crown, one row a course, and their counts.

Kept from what was simulated, never by reading the ledger back. A reader of the ledger who follows the linking rules
must come to the same figures exactly.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import polars as pl

from synthetic_data.courses import CROWNED, CROWNED_UNKNOWN_AGE, Columns, take
from synthetic_data.details import dates, words
from synthetic_data.hazards import GROUPS, MATERIALS, Days, Ints
from synthetic_data.people import CUTOFF, GROUP, NO_DAY, People
from synthetic_data.postings import COMPLETED
from synthetic_data.tooth_histories import EXTRACTED, EXTRACTION, MADE_HERE, REMOVED, SURGERY
from synthetic_data.truth import Truth

FDI = np.array([*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)])
TIMINGS = ["vital", "before_seat", "through_crown"]
EXIT_REASONS = ["last_contact", "death", "cutoff", "failed"]


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
    """Rule 8: the end of each patient's follow-up, and why it ended (an index of EXIT_REASONS)."""
    contact = np.maximum(last, recorded)
    death = np.where(people.death == NO_DAY, 2 * CUTOFF, people.death)
    end = np.minimum(np.minimum(contact, death), CUTOFF)
    return end, np.select([end == death, end == CUTOFF], [1, 2], 0)


def tooth_ends(crowns: Columns, real: Columns, end: Days) -> Days:
    """The last day on which each crown that did not fail was followed.

    That of its patient; where an implant shows that the tooth was lost meanwhile, the last contact before it.
    """
    out = end[crowns["patient"]]
    lost = np.flatnonzero(crowns["implant_seen"] != NO_DAY)
    if not lost.size:
        return out
    of_interest = np.isin(real["patient"], crowns["patient"][lost]) & (real["status"] == COMPLETED)
    seen = np.sort(real["patient"][of_interest] * 100_000 + real["day"][of_interest])
    asked = crowns["patient"][lost] * 100_000 + crowns["implant_seen"][lost]
    out[lost] = seen[np.searchsorted(seen, asked) - 1] % 100_000
    return out


def crown_book(truth: Truth, crowns: Columns, tooth_end: Days, reason: Ints, ids: pl.Series) -> pl.DataFrame:
    """One row a crown, those of unknown age included (their `seat_date` is null)."""
    known, failed = crowns["known"], crowns["failed"]
    timing = np.where(crowns["root_filled"], 1, np.where(crowns["access"] != NO_DAY, 2, 0))
    cause = np.select([crowns["cause"] == REMOVED, crowns["cause"] == EXTRACTED], [1, 2], 0)
    why = np.where(crowns["implant_seen"] != NO_DAY, 0, reason[crowns["patient"]])
    made = crowns["origin"] == MADE_HERE
    return pl.DataFrame(
        {
            "patient_id": ids.gather(crowns["patient"]),
            "tooth_fdi": FDI[crowns["tooth"] - 1],
            "tooth_group": words(list(GROUPS), GROUP[crowns["tooth"] - 1]),
            "provider_id": words([c.id for c in truth.clinicians], np.where(made, crowns["clinician"], -1)),
            "seat_date": dates(np.where(known, crowns["seat"], NO_DAY)),
            "entry_date": dates(np.where(known, crowns["entry"], NO_DAY)),
            "made_here": made,
            "seat_recorded": crowns["recorded"],
            "straddles_seat": crowns["straddles"],
            "material": words(list(MATERIALS), crowns["material"]),
            "pulp_status_at_prep": words(["normal", "hyperemic", "necrotic", "root_filled"], crowns["pulp"]),
            "endo_timing": words(TIMINGS, timing),
            "access_date": dates(crowns["access"]),
            "exit_date": dates(np.where(failed, crowns["fail"], tooth_end)),
            "failure": failed,
            "failure_cause": words(["replaced", "removed", "extracted"], np.where(failed, cause, -1)),
            "first_complication_date": dates(crowns["complication"]),
            "exit_reason": words(EXIT_REASONS, np.where(failed, 3, why)),
        }
    )


def course_book(
    crowns: Columns, courses: Columns, events: Columns, *, tooth_end: Days, end: Days, ids: pl.Series
) -> pl.DataFrame:
    """One row a course of endo with what became of it; one that was never completed fails by extraction alone."""
    tooth = _tooth(courses)
    gone = take(events, events["kind"] == EXTRACTION)
    cut = take(events, events["kind"] == SURGERY)
    lost = crowns["implant_seen"] != NO_DAY
    extracted = pl.DataFrame({"tooth": _tooth(gone), "extraction_date": dates(gone["day"])})
    surgery = pl.DataFrame({"tooth": _tooth(cut), "surgery_date": dates(cut["day"])}).sort("surgery_date")
    ended = pl.DataFrame({"tooth": _tooth(crowns)[lost], "lost": dates(tooth_end[lost])})
    started = dates(courses["started"])
    book = pl.DataFrame(
        {
            "tooth": tooth,
            "patient_id": ids.gather(courses["patient"]),
            "tooth_fdi": FDI[courses["tooth"] - 1],
            "started": started,
            "completed": dates(courses["completed"]),
            "visits": courses["visits"],
            "kind": words(["initial", "retreatment"], courses["repeat"].astype(np.int64)),
            "coded_as_initial": courses["coded_as_initial"],
            "crown_at_start": words(_AT_START, courses["at_start"]),
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
    book = book.join(extracted, on="tooth", how="left").join(ended, on="tooth", how="left")
    failures = ("retreatment_date", "surgery_date", "extraction_date")
    first = pl.min_horizontal(*failures)
    failed = first.is_not_null()
    return book.with_columns(
        failure=failed,
        failure_cause=pl.when(failed).then(
            pl.coalesce(*(pl.when(pl.col(f) == first).then(pl.lit(f.removesuffix("_date"))) for f in failures))
        ),
        exit_date=pl.when(failed).then(first).otherwise(pl.coalesce("lost", "end")),
    ).drop("tooth", "end", "lost")


_AT_START = ["none", "crowned", "crowned_unknown_age"]
assert (CROWNED, CROWNED_UNKNOWN_AGE) == (1, 2)


def _tooth(c: Columns) -> Ints:
    return c["patient"] * 100 + c["tooth"]


def count_crowns(book: pl.DataFrame) -> dict[str, Any]:
    """Counts of crowns and their failures; those of unknown age only in `unknown_age`."""
    known = book.filter(pl.col("seat_date").is_not_null())
    days = (pl.col("exit_date") - pl.col("entry_date")).dt.total_days()
    return {
        "known_seat": known.height,
        "unknown_age": book.height - known.height,
        "delayed_entry": known.filter(~pl.col("made_here")).height,
        "seat_recorded": known.filter("seat_recorded").height,
        "begun_before_and_finished_after_the_seat": known.filter("straddles_seat").height,
        "with_complication": known["first_complication_date"].count(),
        "by_endo_timing": _tally(known, "endo_timing", TIMINGS),
        "tooth_days": {t: known.filter(endo_timing=t).select(days.sum()).item() for t in TIMINGS},
        "failures": {
            t: _tally(known.filter(endo_timing=t, failure=True), "failure_cause", ["replaced", "removed", "extracted"])
            for t in TIMINGS
        },
        "exit_reason": _tally(known, "exit_reason", EXIT_REASONS),
    }


def count_courses(book: pl.DataFrame) -> dict[str, Any]:
    """Counts of courses of endo and what became of them."""
    return {
        "courses": book.height,
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
