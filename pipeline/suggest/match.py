"""Which table a file is and which column is which field: all columns weighed at once, each used at most once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from pipeline.fields import REQUIRED_FIELDS, input_fields
from pipeline.suggest.headings import EXACT, NOT_OURS, PART, fit
from pipeline.suggest.profile import Column, FileProfile
from pipeline.suggest.ratings import rate
from pipeline.tables import INPUT_TABLES

SURE, LIKELY, ASK = "sure", "likely", "ask"
_IMPOSSIBLE = -1e6
_PRIOR = -1.0
_HEADING_WORTH = {EXACT: 3.5, PART: 2.0}
_SHORT_WORTH = 1.2
_OTHER_HEADING = -1.0  # a heading that speaks for something else, in a file whose headings speak
_RIVAL = 1.0  # closer than this, two columns are both candidates
_FITS, _CONTRADICTS = 0.5, 0.2
# What tells the tables apart: so many of these fields must be found.
_TELLING: dict[str, tuple[int, frozenset[str]]] = {
    "procedures": (2, frozenset({"service_date", "code"})),
    "patients": (1, frozenset(input_fields("patients")) - {"patient_id"}),
    "endo_details": (2, frozenset(input_fields("endo_details")) - {"patient_id", "tooth", "service_date"}),
    "crown_details": (2, frozenset(input_fields("crown_details")) - {"patient_id", "tooth"}),
    "findings": (1, frozenset({"pai", "symptomatic"})),
    "elsewhere": (2, frozenset({"event", "event_date"})),
}


@dataclass(frozen=True)
class FieldMatch:
    """One field: its column (None where none or no one column fits), why, how sure, and the columns that come near.

    `sure`: heading and values agree. `likely`: only the values or only the heading say so, and no other column comes
    near. `ask`: two columns fit about as well, or a field that the table needs has none.
    """

    field: str
    column: Column | None
    sureness: str
    why: str
    rivals: tuple[Column, ...] = ()


@dataclass(frozen=True)
class TableMatch:
    """What a file was found to be: `table` is None if it is none of ours. `score` only ranks tables of one file."""

    table: str | None
    fields: tuple[FieldMatch, ...]
    score: float


def match_file(file: FileProfile, *, hint: str = "") -> TableMatch:
    """The table and the columns of one file; `hint` is its name or that of its sheet, which weighs little."""
    speak = headings_speak(file)
    best = TableMatch(None, (), 0.0)
    for table in INPUT_TABLES:
        found = _match_table(table, file, speak=speak)
        bonus = 2.0 if _is_named(table, hint) else 0.0
        if found is not None and found.score + bonus > best.score:
            best = TableMatch(table, found.fields, found.score + bonus)
    return best


def match_worksheet(file: FileProfile, table: str) -> TableMatch:
    """A sheet of our own worksheet, filled in: its headings are the fields of `table`, and nothing is guessed."""
    by_heading = {c.heading: c for c in file.columns}
    why = "the heading of our own worksheet"
    fields = tuple(FieldMatch(f, by_heading[f], SURE, why) for f in input_fields(table) if f in by_heading)
    return TableMatch(table, fields, float(len(fields)))


def _match_table(table: str, file: FileProfile, *, speak: bool) -> TableMatch | None:
    fields = input_fields(table)
    ratings = {(f, c.place): rate(table, f, c, file) for f in fields for c in file.columns}
    fits = {(f, c.place): fit(c.heading, f) if c.heading else 0.0 for f in fields for c in file.columns}
    scores = _scores(fields, file, ratings, fits, speak=speak)
    chosen = _assign(scores)
    needed, telling = _TELLING[table]
    by_field = {fields[f]: file.columns[c] for f, c in chosen.items()}
    if len(telling & by_field.keys()) < min(needed, len(telling)):
        return None
    if "patient_id" not in by_field and not (table == "procedures" and len(by_field) >= 3):
        return None
    matches = []
    for number, field in enumerate(fields):
        column = by_field.get(field)
        taken = {c for f, c in chosen.items() if f != number}
        match = _judge(
            table, field, column=column, scores=scores[number], taken=taken, file=file, ratings=ratings, fits=fits
        )
        if match is not None:
            matches.append(match)
    own = sum(scores[f, c] for f, c in chosen.items())
    return TableMatch(table, tuple(matches), float(own))


def _scores(
    fields: list[str],
    file: FileProfile,
    ratings: Mapping[tuple[str, int], tuple[float | None, str]],
    fits: Mapping[tuple[str, int], float],
    *,
    speak: bool,
) -> np.ndarray:
    """Logarithmic scores, field by column; above 0 is worth proposing."""
    scores = np.full((len(fields), len(file.columns)), _IMPOSSIBLE)
    for c, column in enumerate(file.columns):
        not_ours = fit(column.heading, NOT_OURS) if column.heading else 0.0
        best = max(fits[f, column.place] for f in fields)
        for f, field in enumerate(fields):
            value, _ = ratings[field, column.place]
            if value == 0.0:
                continue
            heading = fits[field, column.place]
            worth = _HEADING_WORTH.get(heading, _SHORT_WORTH) if heading else 0.0
            if not_ours == EXACT and heading < EXACT:
                worth = 3 * _OTHER_HEADING
            elif not heading and speak and (best >= PART or not_ours):
                worth = 2 * _OTHER_HEADING
            elif not heading and speak:
                worth = _OTHER_HEADING
            elif heading < best:
                worth -= 0.5
            scores[f, c] = _PRIOR + worth + _logit(value)
    return scores


def _assign(scores: np.ndarray) -> dict[int, int]:
    """Field to column with the greatest sum of scores; a field may go without (score 0)."""
    fields, columns = scores.shape
    padded = np.hstack([scores, np.zeros((fields, fields))])
    rows, places = linear_sum_assignment(padded, maximize=True)
    return {int(f): int(c) for f, c in zip(rows, places, strict=True) if c < columns and scores[f, c] > 0}


def _judge(
    table: str,
    field: str,
    *,
    column: Column | None,
    scores: np.ndarray,
    taken: set[int],
    file: FileProfile,
    ratings: Mapping[tuple[str, int], tuple[float | None, str]],
    fits: Mapping[tuple[str, int], float],
) -> FieldMatch | None:
    needed = field in REQUIRED_FIELDS[table]
    own = scores[file.columns.index(column)] if column is not None else 0.0
    near = [
        c
        for n, c in enumerate(file.columns)
        if n not in taken and c is not column and scores[n] > (max(own - _RIVAL, 0.0) if column else -1.5)
    ]
    if column is None:
        return FieldMatch(field, None, ASK, "no column was found for it", tuple(near)) if needed else None
    value, said = ratings[field, column.place]
    heading = fits[field, column.place]
    if near:
        why = "several columns fit it about as well"
        return FieldMatch(field, None, ASK, why, (column, *near))
    if heading >= PART and value is not None and value >= _FITS:
        return FieldMatch(field, column, SURE, f"the heading says so, and the values agree{_said(said)}")
    if heading and value is not None and value >= _FITS:
        return FieldMatch(field, column, LIKELY, f"the heading may be short for it, and the values fit{_said(said)}")
    if heading:
        against = ", though the values look unusual for it" if value is not None and value <= _CONTRADICTS else ""
        return FieldMatch(
            field, column, LIKELY, f"the heading says so{against or '; the values neither help nor contradict'}"
        )
    return FieldMatch(field, column, LIKELY, f"by the values alone{_said(said)}")


def _said(what: str) -> str:
    return f": {what}" if what else ""


def _logit(value: float | None) -> float:
    if value is None:
        return 0.0
    bounded = min(max(value, 0.01), 0.99)
    return math.log(bounded / (1 - bounded))


def headings_speak(file: FileProfile) -> bool:
    """Whether the headings mean something to us: a third of them fit some field well."""
    every = {f for table in INPUT_TABLES for f in input_fields(table)} | {NOT_OURS}
    good = sum(max(fit(c.heading, f) for f in every) >= PART for c in file.columns if c.heading)
    return 3 * good >= len(file.columns)


def _is_named(table: str, hint: str) -> bool:
    words = {
        "procedures": ("ledger", "procedure", "transaction", "leistung", "actes", "tratamient"),
        "patients": ("patient", "patienten", "pacient", "pazient"),
        "endo_details": ("endo",),
        "crown_details": ("crown", "krone", "couronne", "corona"),
        "findings": ("finding", "recall", "befund", "exam"),
        "elsewhere": ("elsewhere", "auswaerts", "ailleurs"),
    }
    return any(word in hint.lower() for word in words[table])
