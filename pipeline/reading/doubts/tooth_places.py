"""Teeth told by quadrant and place: how quadrants are written in one column or in two, and as months of a date.

Words of quadrants, jaws and sides in English, German, French, Spanish, Portuguese, Dutch and Italian: common practice,
no source. ISO 3950 has 1 to 4 for the quadrants and, for a quadrant itself, 10 to 40 (from memory).
"""

from collections.abc import Sequence

import polars as pl

from pipeline.practice.teeth import teeth
from pipeline.reading.doubts.cells import text_of
from pipeline.transforms.month_names import MONTHS

# From the upper right round to the lower right.
_QUADRANTS = {
    1: "UR URQ 1 10 Q1 I UPPERRIGHT RIGHTUPPER OR OBENRECHTS RECHTSOBEN HD",
    2: "UL ULQ 2 20 Q2 II UPPERLEFT LEFTUPPER OL OBENLINKS LINKSOBEN HG",
    3: "LL LLQ 3 30 Q3 III LOWERLEFT LEFTLOWER UNTENLINKS LINKSUNTEN BG",
    4: "LR LRQ 4 40 Q4 IV LOWERRIGHT RIGHTLOWER UNTENRECHTS RECHTSUNTEN BD",
}
QUADRANT_WORDS = {word: str(n) for n, words in _QUADRANTS.items() for word in words.split()}
_JAWS = {
    "U": "U UP UPPER MAX MAXILLA MAXILLARY O OK OBEN OBERKIEFER H HAUT S SUP SUPERIOR SUPERIORE BOVEN BOVENKAAK",
    "L": "L LOW LOWER MAND MANDIBLE MANDIBULAR UK UNTEN UNTERKIEFER B BAS INF INFERIOR INFERIORE ONDER ONDERKAAK",
}
_SIDES = {
    "R": "R RT RIGHT RE RECHTS D DX DROIT DROITE DER DERECHA DERECHO DIREITO DIREITA DESTRA",
    "L": "L LT LEFT LI LINKS G GAUCHE IZQ IZQUIERDA IZQUIERDO ESQUERDO ESQUERDA SX SINISTRA",
}
_JAW_WORDS = {word: jaw for jaw, words in _JAWS.items() for word in words.split()}
_SIDE_WORDS = {word: side for side, words in _SIDES.items() for word in words.split()}
MONTH_IS_QUADRANT, DAY_IS_QUADRANT = "month_is_quadrant", "day_is_quadrant"
_DAY_MONTH = r"^(\d{1,2})[-/. ]?\s*(\p{L}{3,})\.?$"
_MONTH_DAY = r"^(\p{L}{3,})\.?[-/. ]?\s*(\d{1,2})$"
_ISO = r"^\d{4}-(\d{2})-(\d{2})(?:[T ]|$)"


def quadrant_word(text: pl.Expr) -> pl.Expr:
    """The name of a quadrant in the form of `QUADRANT_WORDS`."""
    bare = _bare(text)
    return bare.str.replace(r"^(.+?)(?:QUADRANT|QUAD)$", "${1}")


def quadrant_text(rows: pl.DataFrame, headings: Sequence[str]) -> pl.Series:
    """The quadrant as a column tells it; of two columns, jaw and side in either order, its letters."""
    cells = [text_of(rows, h) for h in headings]
    if len(cells) == 1:
        return cells[0]
    words = pl.DataFrame({"a": cells[0], "b": cells[1]}).select(_bare(pl.all()))
    jaw = {n: pl.col(n).replace_strict(_JAW_WORDS, default=None, return_dtype=pl.String) for n in "ab"}
    side = {n: pl.col(n).replace_strict(_SIDE_WORDS, default=None, return_dtype=pl.String) for n in "ab"}
    return words.select(pl.coalesce(jaw["a"] + side["b"], jaw["b"] + side["a"])).to_series()


def listed_quadrant(rows: pl.DataFrame, headings: Sequence[str]) -> list[str]:
    """The first of some columns that names quadrants in words or letters; none where there is none."""
    for heading in (h for h in headings if h in rows.columns):
        text = text_of(rows, heading).replace("", None).drop_nulls().to_frame("text")
        is_word = quadrant_digit(pl.col("text")).is_not_null() & ~pl.col("text").str.contains(r"^\d")
        if text.height and text.select(is_word.all()).item():
            return [heading]
    return []


def quadrant_digit(text: pl.Expr) -> pl.Expr:
    """The number of a quadrant, 1 to 4, as text; null for what names none."""
    return quadrant_word(text).replace_strict(QUADRANT_WORDS, default=None, return_dtype=pl.String)


def as_written(fdi: pl.Expr, notation: str) -> pl.Expr:
    """Two-digit ISO 3950 numbers, as text, in the writing of a notation; null for what is no tooth."""
    names = teeth().select(pl.col(c).cast(pl.String).alias(n) for n, c in (("of", "fdi"), ("as", notation)))
    return fdi.replace_strict(dict(names.iter_rows()), default=None, return_dtype=pl.String)


def may_be_date(text: pl.Expr) -> pl.Expr:
    """Whether a text is written as `tooth_of_date` reads one."""
    return text.str.strip_chars().str.to_lowercase().str.contains(f"{_DAY_MONTH}|{_MONTH_DAY}|{_ISO}")


def tooth_of_date(text: pl.Expr, way: str) -> pl.Expr:
    """The two-digit number of a tooth, `1-6`, that a spreadsheet took for a day, `6-Jan`; null for other texts.

    By `way` the month (`month_is_quadrant`) or the day (`day_is_quadrant`) is the quadrant, 1 to 8, and the other one
    the place, 1 to 8.
    """
    low = text.str.strip_chars().str.to_lowercase()
    named = pl.coalesce(low.str.extract(_DAY_MONTH, 2), low.str.extract(_MONTH_DAY, 1))
    by_name = named.replace_strict(MONTHS, default=None, return_dtype=pl.Int32)
    month = pl.coalesce(by_name, low.str.extract(_ISO, 1).cast(pl.Int32, strict=False))
    day = pl.coalesce(
        low.str.extract(p, g).cast(pl.Int32, strict=False) for p, g in ((_DAY_MONTH, 1), (_MONTH_DAY, 2), (_ISO, 2))
    )
    first, second = (month, day) if way == MONTH_IS_QUADRANT else (day, month)
    fdi = (first * 10 + second).cast(pl.String)
    return pl.when(first.is_between(1, 8) & second.is_between(1, 8)).then(as_written(fdi, "fdi"))


def _bare(text: pl.Expr) -> pl.Expr:
    return text.str.to_uppercase().str.replace(r"^(\d+)\.0+$", "${1}").str.replace_all(r"[\s./_-]+", "")
