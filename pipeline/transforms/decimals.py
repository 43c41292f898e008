"""Which sign the decimals of a column of numbers have: what the values prove, and the decision."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.transforms.parsers import bare_number

# Share of the deciding values below which those against the sign are taken for slips of the pen.
MAX_AGAINST = 0.01

# A sign is the decimal one where it cannot stand between thousands: not three digits behind it, more than three or a
# zero before it, or behind groups of the other sign. Twice the same sign are thousands, so the
# other is the decimal one.
_PROVES = (
    r"^\d+{d}(?:\d{{0,2}}|\d{{4,}})$|^(?:\d{{4,}}|0\d*|){d}\d+$"
    r"|^\d{{1,3}}(?:{t}\d{{3}})+{d}\d*$|^\d{{1,3}}(?:{t}\d{{3}}){{2,}}$|^\d{{1,2}}(?:{t}\d{{2}})+{t}\d{{3}}(?:{d}\d*)?$"
)


@dataclass(frozen=True)
class DecimalEvidence:
    """Values of one column, in rows, that prove a decimal comma and those that prove a decimal point."""

    comma: int
    point: int


def gather_decimals(counts: pl.DataFrame) -> DecimalEvidence:
    """Count the values that prove a sign; `counts` has one row per distinct text: `text, n`."""
    digits = bare_number(pl.col("text")).str.replace_all(r"^[-−+(]+|[-−)]+$", "")
    proved = counts.select(
        "n",
        digits.str.contains(_PROVES.format(d=",", t=r"\.")).fill_null(False).alias("comma"),
        digits.str.contains(_PROVES.format(d=r"\.", t=",")).fill_null(False).alias("point"),
    )
    return DecimalEvidence(*(int(proved.filter(pl.col(sign))["n"].sum()) for sign in ("comma", "point")))


def decide_decimal(evidence: DecimalEvidence, *, column: str, table: str) -> str:
    """The decimal sign of a column: the one that is proved, and a point where nothing is (`1,234` is a thousand then).

    Where both are proved the majority rules only if the others are below 1 %; those then cannot be read.

    Raises
    ------
    DataError
        If both are proved; `column` names file, heading and field in the message.
    """
    e = evidence
    if e.comma and e.point and min(e.comma, e.point) >= MAX_AGAINST * (e.comma + e.point):
        raise DataError(
            f"{column}: {e.comma:,} values have a decimal comma (12,50) and {e.point:,} a decimal point (12.50).\n"
            f'  Split the file, or under [tables.{table}] write decimal = "," or decimal = ".".\n'
            "  Numbers that do not fit are then not read."
        )
    return "," if e.comma > e.point else "."
