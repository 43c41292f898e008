"""The figures behind a chart as a CSV file that stands in the page itself, so that it needs neither net nor script."""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

Cell = str | float | int | None

DECIMALS = 4
# Left as they are in an address of data; quotes, angle brackets, %, # and & are not.
PLAIN = " ,;:/?!@$*()+-=_.~'"
# A spreadsheet takes a cell that begins so for a formula.
FORMULA = ("=", "+", "-", "@", "|", "%", "＝", "＋", "－", "＠")


@dataclass(frozen=True)
class Sheet:
    """The data of one chart: a heading per column, and rows of text and numbers; None is an empty cell."""

    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def data_address(sheet: Sheet) -> str:
    """The sheet as an address that a browser saves as a file: `data:text/csv;charset=utf-8,...`."""
    return f"data:text/csv;charset=utf-8,{quote(csv_text(sheet), safe=PLAIN)}"


def csv_text(sheet: Sheet) -> str:
    """The sheet as CSV: UTF-8 with a mark that spreadsheets know it by, formulas disarmed, four decimals.

    Every text stands in quotation marks, so that a sign which parts cells elsewhere parts none.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)
    writer.writerow([disarmed(head) for head in sheet.heads])
    writer.writerows([[_cell(value) for value in row] for row in sheet.rows])
    return "\ufeff" + out.getvalue()


def disarmed(text: str) -> str:
    """Text on one line, with an apostrophe before what a spreadsheet would run as a formula."""
    # Of what is printable a space alone is a space.
    line = text if text.isprintable() else "".join(s if s.isprintable() else " " for s in text)
    return f"'{line}" if line.lstrip().startswith(FORMULA) else line


def sheet_of_traces(data: Sequence[dict[str, Any]]) -> Sheet:
    """What the traces of a figure show, for a chart that brings no sheet of its own: `series, x, y`.

    Traces that are only there to be filled between, without a name and without hover, are left out where others are
    there.
    """
    told = [t for t in data if t.get("hoverinfo") != "skip"] or list(data)
    rows: list[tuple[Cell, ...]] = []
    for number, trace in enumerate(told, 1):
        name = str(trace.get("name") or f"series {number}")
        rows += [(name, x, y) for x, y in zip(trace.get("x", ()), trace.get("y", ()), strict=False) if y is not None]
    return Sheet(("series", "x", "y"), tuple(rows))


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return disarmed(value)
    if not math.isfinite(value):
        return ""
    text = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
