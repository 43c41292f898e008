"""The fields of the input tables as a file may give them: which are needed, their kind, words and sensible range."""

import polars as pl

from pipeline.practice.tables import DETAIL_TABLES, INPUT_TABLES
from pipeline.practice.words import words_of

# Columns that we fill ourselves.
DERIVED_FIELDS = frozenset({"tooth_fdi", "supernumerary", "load_id", "row_number", "part"})

REQUIRED_FIELDS: dict[str, tuple[str, ...]] = {
    "procedures": ("patient_id", "service_date", "code"),
    "patients": ("patient_id",),
    "endo_details": ("patient_id", "tooth", "service_date"),
    "crown_details": ("patient_id", "tooth"),
    "findings": ("patient_id", "tooth", "exam_date"),
    "elsewhere": ("patient_id", "tooth", "event"),
    "notes": ("patient_id", "note_date", "text"),
    "note_answers": ("patient_id", "note_date", "field"),
    "note_checks": ("patient_id", "note_date", "field"),
}
# A date of which a file may give the year alone, and the field that then holds it.
YEARS_OF = {"birth_date": "birth_year", "event_date": "event_year"}

RANGES: dict[str, tuple[float, float]] = {
    name: column.limits
    for t in INPUT_TABLES.values()
    for name, column in t.columns.items()
    if column.limits is not None
}

FLAG_WORDS = {"yes": True, "y": True, "true": True, "1": True, "no": False, "n": False, "false": False, "0": False}


def input_fields(table: str) -> list[str]:
    """The fields of `table` that a file may give, in the declared order."""
    return [name for name in INPUT_TABLES[table].columns if name not in DERIVED_FIELDS]


# Fields that a chart note can tell, and where they are; of `naocl_ratio` the stock is not known.
NOTE_FIELDS: dict[str, str] = {
    f: t for t in DETAIL_TABLES for f in input_fields(t)
    if f not in ("patient_id", "tooth", "reader", "reading") and not f.endswith("_date")
} | {"naocl_ratio": "endo_details"}  # fmt: skip


def kind(table: str, field: str) -> str:
    """How a field is read: words, date, flag, whole, number, fee, tooth, code, id or text."""
    column = INPUT_TABLES[table].columns[field]
    if column.words is not None:
        return "words"
    if field in ("tooth", "code", "fee"):
        return field
    if column.dtype == pl.Date():
        return "date"
    if column.dtype == pl.Boolean():
        return "flag"
    if column.dtype == pl.Float64():
        return "number"
    return "text" if column.dtype == pl.String() else "whole"


def map_words(table: str, field: str) -> tuple[str, ...] | None:
    """The words that `values.<field>` may map to; None where any text will do."""
    how = kind(table, field)
    if how == "words":
        return INPUT_TABLES[table].columns[field].words
    return tuple(FLAG_WORDS) if how == "flag" else None


def is_open(table: str, field: str) -> bool:
    """Whether a field has usual words and takes any other text as well."""
    return bool(INPUT_TABLES[table].columns[field].usual)


def word_lookup(table: str, field: str) -> dict[str, str]:
    """Every spelling of a word that is understood unmapped, in the normal form of `normal_word`."""
    column = INPUT_TABLES[table].columns[field]
    words = column.words or column.usual
    same = words_of("same", field).items()
    return {normal_word(w): w for w in words} | {normal_word(w): ours for ours, theirs in same for w in theirs}


def normal_word(word: str) -> str:
    """A word without case, blanks, hyphens and underscores: how words are compared.

    A sign that consists of nothing else, such as a hyphen, stays as it is.
    """
    bare = word.strip().lower()
    return "".join(c for c in bare if c not in "_-" and not c.isspace()) or bare


def normal_words(words: pl.Expr) -> pl.Expr:
    """`normal_word` for a column."""
    bare = words.str.strip_chars().str.to_lowercase()
    normal = bare.str.replace_all(r"[\s_\-]+", "")
    return pl.when(normal == "").then(bare).otherwise(normal)
