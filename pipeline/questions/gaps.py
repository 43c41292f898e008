"""How many rows lack a characteristic, as a sentence of the results and back: both in one place, so that they agree."""

from __future__ import annotations

import re

_SENTENCE = re.compile(r"(.+): ([\d,]{1,12}) of ([\d,]{1,12}) rows without a value")


def gap_sentence(label: str, without: int, rows: int) -> str:
    """`smoking: 1,187 of 3,506 rows without a value`."""
    return f"{label}: {without:,} of {rows:,} rows without a value"


def read_gap(sentence: str) -> tuple[str, int, int] | None:
    """The label and the two counts of such a sentence; None for any other text."""
    found = _SENTENCE.fullmatch(sentence)
    return found and (found[1], int(found[2].replace(",", "")), int(found[3].replace(",", "")))
