"""Writing the practice: yearly ledger exports and the detail tables.

Blocks of patients are appended one after another, so memory does not grow with the practice.
"""

import datetime as dt
from pathlib import Path
from typing import IO

import numpy as np
import polars as pl

from synthetic_data.courses import Columns, stack, take
from synthetic_data.details import TEETH, dates, words
from synthetic_data.hazards import Ints
from synthetic_data.people import NO_DAY
from synthetic_data.postings import CODES, FEES, REASONS, STATUSES, SURFACES
from synthetic_data.slips import FAULTS
from synthetic_data.truth import Truth

FIRST_YEAR, LAST_YEAR = 2005, 2024
# Exports of these years were made to begin with the December before: their first rows are in two files.
OVERLAPPING = (2008, 2012, 2016, 2020, 2024)
DATE = "%m/%d/%Y"
_YEAR_STARTS = np.array([(dt.date(y, 1, 1) - dt.date(1970, 1, 1)).days for y in range(FIRST_YEAR, LAST_YEAR + 1)])
_FEES = np.array(list(FEES.values()))
_BAD_TEETH = ["33", "0", "1B?", "99", "UL", "48"]


class Files:
    """Open CSV files of one practice; each gets its heading with its first rows."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self._open: dict[str, IO[bytes]] = {}
        self.rows: dict[str, int] = {}

    def append(self, name: str, frame: pl.DataFrame) -> None:
        """Append rows to a file."""
        new = name not in self._open
        if new:
            path = self.directory / name
            path.parent.mkdir(parents=True, exist_ok=True)
            self._open[name] = path.open("wb")
        frame.write_csv(self._open[name], include_header=new, date_format=DATE)
        self.rows[name] = self.rows.get(name, 0) + frame.height

    def close(self) -> None:
        """Close every file."""
        for stream in self._open.values():
            stream.close()


def write_ledger(
    files: Files, truth: Truth, *, real: Columns, slips: Columns, garbled: Columns, ids: pl.Series, entry: int
) -> tuple[int, dict[str, int]]:
    """Append one block's rows to the yearly exports; gives the next entry number and the counts of what was written."""
    table = _close(stack([real, slips]))
    order = np.argsort(table["day_in_file"], kind="stable")
    order = order[np.argsort(table["year"][order], kind="stable")]
    frame = _frame(truth, take(table, order), ids, entry)
    year = table["year"][order]
    limits = np.searchsorted(year, np.arange(_YEAR_STARTS.size + 1))
    december = pl.col("Date").dt.month() == 12
    duplicates = 0
    for n, of_year in enumerate(range(FIRST_YEAR, LAST_YEAR + 1)):
        rows = frame[int(limits[n]) : int(limits[n + 1])]
        name = f"exports/ledger-{of_year}.csv"
        if n and of_year in OVERLAPPING:
            before = frame[int(limits[n - 1]) : int(limits[n])]
            again = before.filter(december & (pl.col("Date").dt.year() == of_year - 1))
            duplicates += again.height
            files.append(name, again)
        files.append(name, rows)
    entry += frame.height
    bad = _garbled_frame(truth, garbled, ids, entry)
    for (n,), rows in bad.group_by("year", maintain_order=True):
        files.append(f"exports/ledger-{FIRST_YEAR + int(str(n))}.csv", rows.drop("year"))
    faults = np.bincount(garbled["fault"], minlength=len(FAULTS))
    counts = {"duplicates": duplicates, **{f: int(k) for f, k in zip(FAULTS, faults, strict=True)}}
    return entry + bad.height, counts


def _close(rows: Columns) -> Columns:
    # Fees and the export year of each row. A reversal is priced as the row it takes back.
    filed = np.where(rows["filed"] > 0, rows["filed"], rows["day"])
    priced = np.where(rows["negative"] > 0, rows["negative"], filed)
    fee = _FEES[rows["code"]] * (100 + 2 * (_year(priced) - 10)) // 100
    day = np.where(rows["day"] == NO_DAY, filed, rows["day"])
    return rows | {
        "fee": np.where(rows["free"] > 0, 0, np.where(rows["negative"] > 0, -fee, fee)),
        "year": _year(filed).astype(np.int16),
        "day_in_file": np.maximum(day - _YEAR_STARTS[0], -20_000).astype(np.int16),
    }


def _year(day: Ints) -> Ints:
    return np.clip(np.searchsorted(_YEAR_STARTS, day, side="right") - 1, 0, _YEAR_STARTS.size - 1)


def _frame(truth: Truth, rows: Columns, ids: pl.Series, entry: int) -> pl.DataFrame:
    who = rows["clinician"]
    return pl.DataFrame(
        {
            "Entry No": pl.int_range(entry, entry + who.size, eager=True),
            "Chart No": ids.gather(rows["patient"]),
            "Date": dates(rows["day"]),
            "Code": pl.Series(CODES).gather(rows["code"]),
            "Th": TEETH.gather(rows["tooth"]),
            "Surf": pl.Series(SURFACES).gather(rows["surface"]),
            "Prov": words([c.id for c in truth.clinicians], who),
            "Status": pl.Series(STATUSES).gather(rows["status"]),
            "Clinic": words([c.site for c in truth.clinicians], who),
            "Amount": pl.Series(rows["fee"]),
            "Why": pl.Series(REASONS).gather(rows["reason"]),
        }
    )


def _garbled_frame(truth: Truth, garbled: Columns, ids: pl.Series, entry: int) -> pl.DataFrame:
    rows = _close({k: v for k, v in garbled.items() if k != "fault"})
    frame = _frame(truth, rows, ids, entry).with_columns(
        pl.col("Date").dt.strftime(DATE), fault=pl.Series(words(list(FAULTS), garbled["fault"])), year=rows["year"]
    )
    nth = pl.int_range(pl.len())
    bad_tooth = pl.lit(pl.Series(_BAD_TEETH)).implode().list.get(nth % len(_BAD_TEETH))
    bad_date = pl.lit("02/30/") + pl.col("Date").str.tail(4)
    fault = pl.col("fault")
    return frame.with_columns(
        Date=pl.when(fault == "date_missing")
        .then(None)
        .when(fault == "date_unreadable")
        .then(bad_date)
        .otherwise("Date"),
        Th=pl.when(fault == "tooth_missing").then(None).when(fault == "tooth_unknown").then(bad_tooth).otherwise("Th"),
        **{"Chart No": pl.when(fault != "patient_missing").then("Chart No")},
        Code=pl.when(fault == "code_missing").then(None).otherwise("Code"),
    ).drop("fault")
