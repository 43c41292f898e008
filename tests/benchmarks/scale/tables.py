"""The table of measurements, kept as a CSV file: one row a measurement, a later one takes the place of an earlier."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from pathlib import Path


@dataclass(frozen=True)
class Row:
    """One measurement.

    `rows` are the ledger's rows in the files. `peak_mb` is the largest process, `peak_sum_mb` all processes of the
    command together. `count_gap` is the largest relative difference of any count from ours and `ratio_gap` that of the
    hazard ratios; None where there is nothing to compare. Costs are None where they were not measured.
    """

    date: str
    machine: str
    versions: str
    rows: int
    who: str
    stage: str
    wall_s: float | None = None
    cpu_s: float | None = None
    peak_mb: float | None = None
    peak_sum_mb: float | None = None
    rows_per_s: float | None = None
    count_gap: float | None = None
    ratio_gap: float | None = None
    note: str = ""

    @property
    def key(self) -> tuple[str, str, int]:
        return self.who, self.stage, self.rows


_NUMBERS = ("wall_s", "cpu_s", "peak_mb", "peak_sum_mb", "rows_per_s", "count_gap", "ratio_gap")
_DIGITS = {"wall_s": 2, "cpu_s": 2, "peak_mb": 0, "peak_sum_mb": 0, "rows_per_s": 0}


def read_rows(path: Path) -> list[Row]:
    """The measurements of a file; none if there is no such file."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as stream:
        return [_row(cells) for cells in csv.DictReader(stream)]


def replaced(rows: Iterable[Row], new: Iterable[Row]) -> list[Row]:
    """`rows` with the `new` ones in the place of those of the same key, in the order of who, stage and size."""
    by_key = {row.key: row for row in rows} | {row.key: row for row in new}
    return [by_key[key] for key in sorted(by_key)]


def without(rows: Iterable[Row], who: str, size: int) -> list[Row]:
    """`rows` without those of one tool at about one size: what is measured anew must not stand beside what was before.

    A practice invented by another state of the program has a few rows more or less.
    """
    return [row for row in rows if row.who != who or not 0.9 < row.rows / size < 1.1]


def write_rows(path: Path, rows: Iterable[Row]) -> None:
    """Write the measurements; the file is whole or as it was."""
    part = path.with_name(f"{path.name}.part")
    with part.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, [f.name for f in fields(Row)], lineterminator="\n")
        writer.writeheader()
        writer.writerows(_cells(row) for row in rows)
    part.replace(path)


def find(rows: Iterable[Row], who: str, stage: str, size: int) -> Row | None:
    """The measurement of that key, if there is one."""
    return next((row for row in rows if row.key == (who, stage, size)), None)


def _row(cells: dict[str, str]) -> Row:
    def number(name: str) -> float | None:
        return float(cells[name]) if cells[name] else None

    return Row(
        date=cells["date"],
        machine=cells["machine"],
        versions=cells["versions"],
        rows=int(cells["rows"]),
        who=cells["who"],
        stage=cells["stage"],
        wall_s=number("wall_s"),
        cpu_s=number("cpu_s"),
        peak_mb=number("peak_mb"),
        peak_sum_mb=number("peak_sum_mb"),
        rows_per_s=number("rows_per_s"),
        count_gap=number("count_gap"),
        ratio_gap=number("ratio_gap"),
        note=cells["note"],
    )


def _cells(row: Row) -> dict[str, object]:
    cells = asdict(row)
    for name in _NUMBERS:
        value = cells[name]
        if value is not None:
            cells[name] = f"{value:.{_DIGITS[name]}f}" if name in _DIGITS else f"{value:.2g}"
    return cells
