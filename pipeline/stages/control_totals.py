"""Totals of whole years, to be held against the practice's own reports: what no look at the rows alone can prove.

A file can be read without a fault and still be the wrong one: cut short, doubled, in cents, with work that was never
done. Whoever knows how many crowns a year brought sees that at once, so loading says what it holds, and refuses what
differs from the totals told under `[control_totals]`.
"""

import datetime as dt
from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.settings import TOTALS

# Of each total: the events whose rows it counts.
COUNTED: dict[str, tuple[str, ...]] = {
    "root_canals": ("endo_initial", "endo_retreatment"),
    "crowns": ("crown_placement",),
    "extractions": ("extraction", "extraction_impacted", "extraction_primary"),
}
YEARS_SHOWN = 3
FEWEST_PATIENTS = 11  # a year of fewer shows what single patients had
# Reports draw the line at other hours, count a row that was corrected later, and round.
SHARE_APART, APART = 0.01, 2

Told = Mapping[int, Mapping[str, float]]


def codes_counted(codes: pl.DataFrame) -> pl.DataFrame:
    """Which total each code counts for, from a practice's codes (`code, event`): `total, code`."""
    totals = {event: name for name, events in COUNTED.items() for event in events}
    return codes.select(pl.col("event").replace_strict(totals, default=None).alias("total"), "code").drop_nulls()


def totals_told(found: pl.DataFrame, *, today: dt.date) -> list[str]:
    """The last whole years as lines to be read beside a report; none where no year holds enough patients.

    `found` has one row a year: `year` and `TOTALS`.
    """
    shown = found.filter((pl.col("year") < today.year) & (pl.col("patients") >= FEWEST_PATIENTS)).sort("year")
    if shown.is_empty():
        return []
    cells = [["year", *(name.replace("_", " ") for name in TOTALS)]]
    cells += [
        [str(row["year"]), *(f"{row.get(name) or 0:,.0f}" for name in TOTALS)]
        for row in shown.tail(YEARS_SHOWN).to_dicts()
    ]
    wide = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return [
        "done, by the year of its day, each row as it was posted (linking makes one crown or root canal of rows on "
        "several days); hold it against a report of your own software (README, Totals):",
        *("  " + "  ".join(cell.rjust(w) for cell, w in zip(line, wide, strict=True)) for line in cells),
    ]


def refuse_other_totals(found: pl.DataFrame, told: Told) -> None:
    """Stop where what is loaded differs from the totals that the practice told of a year.

    Raises DataError, which names each total that differs by more than a hundredth and more than two, and what such a
    difference comes of.
    """
    by_year = {row["year"]: row for row in found.to_dicts()}
    apart = [
        (year, name, value, got)
        for year, totals in sorted(told.items())
        for name, value in totals.items()
        if abs((got := by_year.get(year, {}).get(name) or 0) - value) > max(APART, SHARE_APART * value)
    ]
    if not apart:
        return
    lines = [
        f"  {year} {name.replace('_', ' ')}: {value:,.0f} in [control_totals], {got:,.0f} in the files"
        for year, name, value, got in apart
    ]
    raise DataError(
        "The files do not hold what [control_totals] tells:\n"
        + "\n".join(lines)
        + "\n"
        + _causes(apart)
        + "\nNothing was loaded. Mend the export or the settings, or the totals if they count something else."
    )


def _causes(apart: Sequence[tuple[int, str, float, float]]) -> str:
    fees = [got / value for _, name, value, got in apart if name == "fees" and value]
    counts = [(value, got) for _, name, value, got in apart if name != "fees"]
    found = []
    if any(50 <= times <= 200 for times in fees):
        found.append("Fees a hundred times as high are written in cents.")
    if any(got > value for value, got in counts):
        found.append(
            "More than told: work that was planned, cancelled or done elsewhere, or rows that stand twice. "
            "Each row counts, so a root canal with a row for each visit is several."
        )
    if any(got < value for value, got in counts):
        found.append("Fewer than told: a file is missing or cut short, rows were set aside, or a code is not known.")
    return "\n".join(found or ["Fees that differ alone: another amount was taken, such as what was paid."])
