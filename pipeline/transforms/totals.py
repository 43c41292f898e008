"""Rows that hold the totals of a report, told by their words."""

import polars as pl

# English, German, Dutch, French, Spanish, Portuguese, Italian.
TOTAL_WORDS = (
    "totals?|sub ?totals?|grand totals?|page totals?|report totals?|sum|"
    "summe|summen|gesamt|gesamtsumme|gesamtbetrag|zwischensumme|endsumme|insgesamt|"
    "totaal|subtotaal|eindtotaal|totaal generaal|som|"
    "total général|total general|totaux|sous total|somme|"
    "total geral|subtotais|totais|soma|suma|totales|subtotales|"
    "totale|subtotale|totale generale|totali|somma"
)
_PARTS = ["tot", "sum", "som", "gesam", "Σ", "∑"]
# Of a month or a person: `Total for March 2019`.
_OF = r"(?: (?:for|of|für|de|des|du|pour|para|do|da|di|del|voor|van) \D{2,24}\d{0,4})?"
_TOTALS = rf"^(?:{TOTAL_WORDS}|Σ|∑){_OF}(?:[\s:=]+[-\d.,'’\s€$£]*)?$"


def may_be_total(text: pl.Expr) -> pl.Expr:
    """Whether a cell has a part of those words: found far sooner than what `is_total` asks."""
    return text.str.contains_any(_PARTS, ascii_case_insensitive=True)


def is_total(text: pl.Expr) -> pl.Expr:
    """True where a cell says that its row is a total, with or without the amount behind it."""
    words = text.str.to_lowercase().str.replace_all(r"[\s_\-]+", " ").str.strip_chars()
    return words.str.contains(_TOTALS).fill_null(False)
