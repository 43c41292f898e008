"""Written words, numbers and fees to typed values.

Each parser takes distinct texts and gives one row per text: `text`, `value`, and `note`, which is null where all is
well and else says why there is no value: `unrecognised` (no known word), `unreadable` (no number) or `out_of_range`.
Words for nothing (null, n/a) are missing, not faults.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.fields import FLAG_WORDS, normal_words

_MISSING = ("", "null", "n/a", "nan")
_PLAIN = r"^\d+(?:\.\d*)?$|^\.\d+$"
_GROUPED = r"^\d{1,3}(?:,\d{3})+(?:\.\d*)?$"


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


def parse_numbers(texts: pl.Series, *, low: float, high: float, whole: bool) -> pl.DataFrame:
    """Numbers within `low` to `high`; `whole` takes whole ones only (`3`, `3.0`)."""
    found = _noted(_frame(texts, _signed(pl.col("text").str.replace_all(r"[\s%]|mm$", ""))), "unreadable")
    value = pl.col("value")
    fits = value.is_between(low, high) & ((value == value.floor()) if whole else pl.lit(True))
    return found.with_columns(
        pl.when(fits).then(value).alias("value"),
        pl.when(value.is_not_null() & ~fits).then(pl.lit("out_of_range")).otherwise(pl.col("note")).alias("note"),
    )


def parse_fees(texts: pl.Series) -> pl.DataFrame:
    """Amounts: `1,200.00`, `$1,200`, `-1200`, `1200-`, `(1200.00)`; the last three are negative."""
    text = pl.col("text").str.replace_all(r"[\s$€£]", "")
    bracketed = text.str.contains(r"^\(.*\)$")
    bare = text.str.replace_all(r"[()]", "").str.replace(r"^(.*[\d.])[-−]$", "-${1}")
    amount = _signed(bare)
    closed = text.str.contains(r"^\(.*\)$|^[^()]*$")
    value = pl.when(closed & bracketed).then(-amount.abs()).when(closed).then(amount)
    return _noted(_frame(texts, value), "unreadable")


def _signed(text: pl.Expr) -> pl.Expr:
    sign = pl.when(text.str.contains(r"^[-−]")).then(-1.0).otherwise(1.0)
    digits = text.str.replace(r"^[-−+]", "")
    plain = pl.when(digits.str.contains(_PLAIN)).then(digits)
    grouped = pl.when(digits.str.contains(_GROUPED)).then(digits.str.replace_all(",", ""))
    amount = pl.coalesce(plain, grouped).cast(pl.Float64, strict=False)
    return pl.when(amount.is_finite()).then(sign * amount)


def _frame(texts: pl.Series, value: pl.Expr) -> pl.DataFrame:
    return pl.DataFrame({"text": texts}, schema={"text": pl.String()}).with_columns(value.alias("value"))


def _noted(found: pl.DataFrame, note: str) -> pl.DataFrame:
    missing = pl.col("text").str.strip_chars().str.to_lowercase().is_in(_MISSING)
    return found.with_columns(pl.when(pl.col("value").is_null() & ~missing).then(pl.lit(note)).alias("note"))
