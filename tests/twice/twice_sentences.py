"""Signs and sizes read back from sentences: above 0 is more, below 0 fewer."""

from __future__ import annotations

import re

_SPAN = re.compile(r"(\d+)(?: (more|fewer))? to (\d+)(?: (more|fewer))?")
_MUCH = re.compile(r"(\d+) (more|fewer)\b(?! to )|([Aa]bout as many)")
_SIGN = {"more": 1, "fewer": -1}


def much(text: str) -> int:
    """`12 more` is 12, `3 fewer` is -3, `about as many` is 0; the first in the text. ValueError if there is none."""
    found = _MUCH.search(text)
    if found is None:
        raise ValueError(f"no number of more or fewer: {text}")
    return 0 if found[3] else int(found[1]) * _SIGN[found[2]]


def span(text: str) -> tuple[int, int]:
    """`2 to 9 more` is (2, 9), `2 to 9 fewer` (-9, -2), `2 fewer to 9 more` (-2, 9); the first in the text."""
    found = next((m for m in _SPAN.finditer(text) if m[2] or m[4]), None)
    if found is None:
        raise ValueError(f"no range of more or fewer: {text}")
    one, other = int(found[1]), int(found[3])
    if (found[2] and not one) or (found[2] and found[4] and not other):
        raise ValueError(f"nothing is neither more nor fewer: {text}")
    first = _SIGN[found[2] or found[4]] * one
    second = _SIGN[found[4]] * other if found[4] else other
    return min(first, second), max(first, second)


def months(text: str) -> int:
    """The month from which a difference counts; 0 where it counts from the start."""
    found = re.search(r"from (\d+) months? to ", text)
    return int(found[1]) if found else 0
