"""Early signs: failures soon after the start, by the year in which the teeth were begun, up to the latest."""

import datetime as dt
from collections.abc import Sequence

import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.owner.over_time import stretch
from pipeline.questions.owner.teeth import begun_in
from pipeline.results.owner import EarlyRow

YEARS = (1.0, 3.0)
# Years with fewer teeth are taken together with those before them; no more lines than these, the latest ones.
SMALL_YEAR = 50
MOST_LINES = 12


def early_rows(teeth: pl.DataFrame, *, cutoff: dt.date, asked: Analysis) -> tuple[EarlyRow, ...]:
    """One row a year of start, the earliest first, each with its failures by each of `YEARS`."""
    spans = pooled_years(teeth["start"].dt.year().to_list())
    return tuple(_row(teeth, first, last, cutoff, asked) for first, last in spans[-MOST_LINES:])


def pooled_years(years: Sequence[int], *, small: int = SMALL_YEAR) -> list[tuple[int, int]]:
    """First and last year of each line: from the latest back, as many years together as `small` teeth ask for.

    What is left over at the beginning joins the first line.
    """
    if not years:
        return []
    counts = dict.fromkeys(range(min(years), max(years) + 1), 0)
    for year in years:
        counts[year] += 1
    spans: list[tuple[int, int]] = []
    last, held = max(years), 0
    for year in range(max(years), min(years) - 1, -1):
        held += counts[year]
        if held >= small:
            spans.insert(0, (year, last))
            last, held = year - 1, 0
    if held or not spans:
        spans[:1] = [(min(years), spans[0][1] if spans else max(years))]
    return spans


def _row(teeth: pl.DataFrame, first: int, last: int, cutoff: dt.date, asked: Analysis) -> EarlyRow:
    span = (dt.date(first, 1, 1), min(dt.date(last, 12, 31), cutoff))
    rows = begun_in(teeth, *span)
    name = f"{first}" if first == last else f"{first} to {last}"
    return EarlyRow(name, tuple(stretch(rows, *span, years, asked) for years in YEARS))
