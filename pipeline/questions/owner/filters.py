"""Rates and curves of every clinician, clinic, tooth group and stretch of years, and of all their combinations.

Made beforehand, so that a page can show one of them without asking anybody. Small groups have no figure at all: neither
may a teeth's fate be read off them, nor is there anything to learn. Descriptive: who is chosen differs in the teeth
that fell to them, and nobody is ranked.
"""

import datetime as dt
import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.practice.outcomes import RATES
from pipeline.questions.analysis import Analysis
from pipeline.questions.groups import CurveRules
from pipeline.questions.owner.part_curves import PartCurve, part_curves
from pipeline.results.owner import Choice, Filters, Part
from pipeline.stats.spells import numbered

ALL = "all"
FIELDS = ("provider_id", "site_id", "tooth_group", "years")
TOOTH_GROUPS = ("anterior", "premolar", "molar")
YEARS = tuple(float(y) for y in range(1, 11))
BAND_YEARS = 5
MOST_BANDS = 4
# More combinations than these would make a slow page; the chooser with most options is then left out.
MOST_PARTS = 600


def filters_of(teeth: Mapping[str, pl.DataFrame], *, cutoff: dt.date, asked: Analysis, fewest: int) -> Filters:
    """All combinations of choices with at least `fewest` teeth, for each rate of `RATES`.

    `teeth` as `teeth_of` makes them.
    """
    banded = {name: _with_bands(frame, cutoff) for name, frame in teeth.items() if frame.height}
    choices = [_choice(field, banded.values()) for field in FIELDS]
    choices = [c for c in choices if len(c.options) > 2 or (len(c.options) == 2 and c.field == "years")]
    left_out: list[str] = []
    while int(np.prod([len(c.options) for c in choices] or [1])) > MOST_PARTS:
        largest = max(choices, key=lambda c: len(c.options))
        choices.remove(largest)
        left_out.append(largest.field)
    rules = replace(asked.curve_rules(), years=YEARS)
    told = [o.rate for o in RATES if o.rate in banded]
    parts = [part for name in told for part in _parts(name, banded[name], choices, rules, fewest)]
    return Filters(tuple(choices), YEARS, fewest, asked.min_at_risk, tuple(parts), tuple(left_out))


def bands(cutoff: dt.date, first: int) -> list[tuple[str, int, int]]:
    """Stretches of `BAND_YEARS` years of start, the latest first, the oldest open to the past: name, first, last."""
    out: list[tuple[str, int, int]] = []
    last = cutoff.year
    while last >= first:
        begin = last - BAND_YEARS + 1
        if len(out) == MOST_BANDS - 1 or begin <= first:
            return [*out, (f"{first} to {last}" if first < last else f"{last}", first, last)]
        out.append((f"{begin} to {last}", begin, last))
        last = begin - 1
    return out


def _with_bands(teeth: pl.DataFrame, cutoff: dt.date) -> pl.DataFrame:
    first = teeth["start"].dt.year().min()
    assert isinstance(first, int)
    year, name = pl.col("start").dt.year(), pl.lit(None, pl.String)
    for label, begin, last in bands(cutoff, first):
        name = pl.when(year.is_between(begin, last)).then(pl.lit(label)).otherwise(name)
    return teeth.with_columns(years=name)


def _choice(field: str, frames: Iterable[pl.DataFrame]) -> Choice:
    found = {str(v) for frame in frames for v in frame[field].drop_nulls().unique()}
    order = [g for g in TOOTH_GROUPS if g in found] if field == "tooth_group" else sorted(found)
    if field == "years":
        order.reverse()
    return Choice(field, (ALL, *order))


def _parts(outcome: str, teeth: pl.DataFrame, choices: Sequence[Choice], rules: CurveRules, fewest: int) -> list[Part]:
    # Patients as numbers, in an order of what happened to their teeth and never of names.
    patients = numbered(teeth["patient_id"])[0]
    every = np.ones(teeth.height, dtype=np.bool_)
    options = [[every, *((teeth[c.field] == o).fill_null(False).to_numpy() for o in c.options[1:])] for c in choices]
    groups = {
        chosen: np.logical_and.reduce([every, *(of[place] for of, place in zip(options, chosen, strict=True))])
        for chosen in itertools.product(*(range(len(c.options)) for c in choices))
    }
    kept = {chosen: rows for chosen, rows in groups.items() if rows.sum() >= fewest}
    exit_days, event = teeth["exit_days"].to_numpy().astype(np.int64), teeth["event"].to_numpy()
    curves = part_curves(exit_days, event, patients, list(kept.values()), rules=rules)
    return [_part(outcome, chosen, curve, rules) for chosen, curve in zip(kept, curves, strict=True)]


def _part(outcome: str, chosen: tuple[int, ...], curve: PartCurve, rules: CurveRules) -> Part:
    none = ((1 - rules.confidence) / 2) ** (1 / np.maximum(curve.followed, 1))
    low = np.where(np.isnan(curve.low), np.where(curve.survival == 1, none, curve.survival), curve.low)
    high = np.where(np.isnan(curve.high), curve.survival, curve.high)
    # Four decimals: a tenth of a tooth in a thousand, which keeps the page small.
    shown = (tuple(round(v, 4) for v in values.tolist()) for values in (curve.survival, low, high))
    return Part(
        outcome, chosen, curve.teeth, curve.patients, curve.failures, tuple(curve.followed.tolist()), *shown
    )  # fmt: skip
