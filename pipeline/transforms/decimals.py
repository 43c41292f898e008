"""Which sign the decimals of a column of numbers have: what the values prove, and the decision."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.counts import count
from pipeline.practice.table_settings import EACH
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
_EITHER = r"^[1-9]\d{0,2}[.,]\d{3}$"


@dataclass(frozen=True)
class DecimalEvidence:
    """Values of one column, in rows, that prove a decimal comma, those that prove a decimal point, and those that may
    have either."""

    comma: int
    point: int
    either: int = 0

    def __add__(self, other: DecimalEvidence) -> DecimalEvidence:
        return DecimalEvidence(self.comma + other.comma, self.point + other.point, self.either + other.either)

    @property
    def is_mixed(self) -> bool:
        """Whether both signs are proved, and neither by slips of the pen alone."""
        return min(self.comma, self.point) > 0 and min(self.comma, self.point) >= MAX_AGAINST * (
            self.comma + self.point
        )

    @property
    def is_told_apart(self) -> bool:
        """Whether both signs are proved, and each number can have one of them only."""
        return self.is_mixed and not self.either


def gather_decimals(counts: pl.DataFrame) -> DecimalEvidence:
    """Count the values that prove a sign; `counts` has one row per distinct text: `text, n`."""
    digits = bare_number(pl.col("text")).str.replace_all(r"^[-−+(]+|[-−)]+$", "")
    proved = counts.select(
        "n",
        digits.str.contains(_PROVES.format(d=",", t=r"\.")).fill_null(False).alias("comma"),
        digits.str.contains(_PROVES.format(d=r"\.", t=",")).fill_null(False).alias("point"),
        digits.str.contains(_EITHER).fill_null(False).alias("either"),
    )
    return DecimalEvidence(*(int(proved.filter(pl.col(s))["n"].sum()) for s in ("comma", "point", "either")))


def decide_decimal(evidence: DecimalEvidence, *, column: str, table: str) -> str:
    """The decimal sign of a column: the one that is proved, and a point where nothing is (`1,234` is a thousand then).

    Where both are proved and no number can have either sign, each number has its own. Else the majority rules only if
    the others are below 1 %; those then cannot be read.

    Raises DataError if both are proved; `column` names file, heading and field in the message.
    """
    e = evidence
    if e.is_told_apart:
        return EACH
    if e.is_mixed:
        raise DataError(
            f"{column}: {count(e.comma, 'value', 'has')} a decimal comma (12,50) and {e.point:,} a decimal point "
            f"(12.50), and {e.either:,} may have either (1.200).\n"
            f'  Split the file by who wrote them, or under [tables.{table}] write decimal = "," or decimal = "." or '
            f'decimal = "{EACH}".\n'
            f'  Numbers that do not fit are then not read, with "{EACH}" those that may have either sign.'
        )
    return "," if e.comma > e.point else "."
