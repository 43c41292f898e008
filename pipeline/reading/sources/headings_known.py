"""Whether the cells of a line are headings of a table, ours or another one."""

from collections.abc import Sequence
from functools import cache

from pipeline.practice.fields import input_fields
from pipeline.practice.tables import INPUT_TABLES

_LEAST = 2


def are_headings(texts: Sequence[str]) -> bool:
    """Whether the filled cells of a line are headings: none holds a digit, and most are words that columns are called.
    The words are those by which `toothyears suggest` knows columns, those that are none of ours among them."""
    if len(texts) < _LEAST or len(set(texts)) < len(texts) or any(c.isdigit() for t in texts for c in t):
        return False
    known = sum(_is_known(text) for text in texts)
    return known >= _LEAST and 2 * known > len(texts)


@cache
def _is_known(text: str) -> bool:
    from pipeline.reading.headings import EXACT, NOT_OURS, fit

    fields = {f for table in INPUT_TABLES for f in input_fields(table)} | {NOT_OURS}
    return any(fit(text, f) >= EXACT for f in fields)
