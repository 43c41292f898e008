"""Written words, numbers and fees to typed values, and which sign the decimals of a column have.

Each parser takes distinct texts and gives one row per text: `text`, `value`, and `note`, which is null where all is
well and else says why there is no value: `unrecognised` (no known word), `unreadable` (no number) or `out_of_range`.
Words for nothing (null, n/a) are missing, not faults.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.counts import count
from pipeline.practice.fields import FLAG_WORDS, normal_words
from pipeline.practice.table_settings import EACH
from pipeline.transforms.cell_forms import rewritten

_MISSING = ("", "null", "n/a", "nan")
# {d} is the decimal sign, {t} the one between thousands.
_PLAIN = r"^\d+(?:{d}\d*)?$|^{d}\d+$"
_GROUPED = r"^(?:\d{{1,3}}(?:{t}\d{{3}})+|\d{{1,2}}(?:{t}\d{{2}})+{t}\d{{3}})(?:{d}\d*)?$"  # 1,234,567 or 12,34,567
# Names and short forms of currencies that stand beside amounts; signs such as ₪ go by their class. Common practice.
_MONEY = (
    "eur|euros?|ευρώ|ευρω|chf|usd|gbp|cad|aud|nzd|brl|sek|nok|dkk|isk|kr|pln|zł|zl|czk|kč|kc|huf|ft|ron|lei|hrk|kn|bgn|лв|"
    'rsd|дин|rub|руб|р|uah|грн|try|tl|ils|nis|ש["״]ח|aed|dhs?|sar|egp|jod|kwd|omr|qar|د\\.إ|inr|jpy|yen|円|cny|rmb|元|krw|원|'
    "twd|hkd|sgd|thb|บาท|vnd|đ|idr|myr|php|zar|mxn|ars|clp|cop|pen"
)
_CURRENCY = rf"(?i)^([-−+(]*)(?:{_MONEY}|fr|rs|rm|rp|r|nt|hk|us|s/)\.?|(?:{_MONEY})\.?([-−)]*)$"
IN_MONEY = rf"(?i)\p{{Sc}}|\d[\s.,–-]*(?:{_MONEY})\.?\s*$|^\s*(?:{_MONEY})\.?\s*\d"


def parse_words(texts: pl.Series, words: Mapping[str, str]) -> pl.DataFrame:
    """Words by `words`, from normal form to our word; an empty word there means missing."""
    value = normal_words(pl.col("text")).replace_strict(dict(words), default=None, return_dtype=pl.String)
    found = _frame(texts, value)
    return _noted(found, "unrecognised").with_columns(pl.col("value").replace("", None))


def parse_flags(texts: pl.Series) -> pl.DataFrame:
    """Yes and no: yes/no, y/n, true/false, 1/0, and the 1.0/0.0 of spreadsheets."""
    normal = normal_words(pl.col("text")).str.replace(r"^([01])\.0+$", "${1}")
    return _noted(
        _frame(texts, normal.replace_strict(FLAG_WORDS, default=None, return_dtype=pl.Boolean)), "unrecognised"
    )


def parse_numbers(texts: pl.Series, *, low: float, high: float, whole: bool, decimal: str = ".") -> pl.DataFrame:
    """Numbers within `low` to `high`; `whole` takes whole ones only (`3`, `3.0`); `decimal` as in
    `parse_fees`."""
    found = _noted(_frame(texts, _signed(texts.str.replace_all(r"[\s%]|mm$", ""), decimal)), "unreadable")
    value = pl.col("value")
    fits = value.is_between(low, high) & ((value == value.floor()) if whole else pl.lit(True))
    return found.with_columns(
        pl.when(fits).then(value).alias("value"),
        pl.when(value.is_not_null() & ~fits).then(pl.lit("out_of_range")).otherwise(pl.col("note")).alias("note"),
    )


def parse_fees(texts: pl.Series, *, decimal: str = ".") -> pl.DataFrame:
    """Amounts: `1,200.00`, `$1,200`, `-1200`, `1200-`, `(1200.00)`; the last three are negative.

    With `decimal` a comma: `1.200,00`; with `each` both, and a number that can be read in both ways, as `1.200`, in
    neither. Groups may have two digits before the last three: `1,03,600.00`. Either way
    `1 200`, `1'200`, `CHF 120.-` (no cents), `120 EUR` and the forms of `cell_forms`, such as `1200.00CR` for a credit.
    """
    written = pl.DataFrame({"text": texts}, schema={"text": pl.String()}).select(bare_number(pl.col("text")))
    bare = pl.col("text").str.replace_all(r"[()]", "").str.replace(r"^(.*[\d.])[-−]$", "-${1}")
    amount = _signed(written.select(bare).to_series(), decimal).alias("amount")
    bracketed = pl.col("text").str.contains(r"^\(.*\)$")
    closed = pl.col("text").str.contains(r"^\(.*\)$|^[^()]*$")
    value = pl.when(closed & bracketed).then(-pl.col("amount").abs()).when(closed).then("amount")
    return _noted(_frame(texts, written.with_columns(amount).select(value).to_series()), "unreadable")


def bare_number(text: pl.Expr) -> pl.Expr:
    """An amount without blanks, apostrophes, the name of its currency and the dash that stands for no cents."""
    bare = rewritten(text.str.replace_all(r"[\s\p{Sc}'’]|mm$|%", ""), "fee").str.replace_all(_CURRENCY, "${1}${2}")
    return bare.str.replace(r"(?:[.,][-–—]{1,2}|/[-–—]?=?)$", "")


def _signed(text: pl.Series, decimal: str) -> pl.Series:
    # Step by step: as one expression each use of a step would work it out anew.
    if decimal == EACH:
        both = pl.DataFrame({"point": _signed(text, "."), "comma": _signed(text, ",")})
        either = pl.col("point").is_null() | pl.col("comma").is_null() | (pl.col("point") == pl.col("comma"))
        return both.select(pl.when(either).then(pl.coalesce("point", "comma"))).to_series()
    point, comma = (r"\.", ",") if decimal == "." else (",", r"\.")
    frame = text.to_frame("text").with_columns(digits=pl.col("text").str.replace(r"^[-−+]", ""))
    digits = pl.col("digits")
    plain = pl.when(digits.str.contains(_PLAIN.format(d=point))).then(digits)
    grouped = pl.when(digits.str.contains(_GROUPED.format(d=point, t=comma))).then(digits.str.replace_all(comma, ""))
    frame = frame.with_columns(
        amount=pl.coalesce(plain, grouped).str.replace(point, ".").cast(pl.Float64, strict=False),
        sign=pl.when(pl.col("text").str.contains(r"^[-−]")).then(-1.0).otherwise(1.0),
    )
    return frame.select(pl.when(pl.col("amount").is_finite()).then(pl.col("sign") * pl.col("amount"))).to_series()


def _frame(texts: pl.Series, value: pl.Expr | pl.Series) -> pl.DataFrame:
    return pl.DataFrame({"text": texts}, schema={"text": pl.String()}).with_columns(value.alias("value"))


def _noted(found: pl.DataFrame, note: str) -> pl.DataFrame:
    missing = pl.col("text").str.strip_chars().str.to_lowercase().is_in(_MISSING)
    return found.with_columns(pl.when(pl.col("value").is_null() & ~missing).then(pl.lit(note)).alias("note"))


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
        least = min(self.comma, self.point)
        return least > 0 and least >= MAX_AGAINST * (self.comma + self.point)

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
