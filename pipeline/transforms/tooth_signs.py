"""Teeth by signs: Palmer's corners, as `6⏌`, and the plus and minus of Haderup, as `+6`.

A corner is drawn as one sees the patient: the upright stroke is the midline, the level one parts the jaws. So `6┘` is
the upper right, `└6` the upper left, `┌6` the lower left and `6┐` the lower right. Written on a keyboard the corner
becomes `6_|`, `|_6`, `|‾6` and `6‾|`. By Haderup a plus is the upper jaw and a minus the lower one, and the sign stands
towards the midline: `6+` is the upper right, `+6` the upper left, `-6` the lower left, `6-` the lower right; a zero
before the place makes it a primary tooth (from memory).
"""

import re

_PLACE = r"([1-8A-E])"
_CORNERS = {
    "UR": re.compile(rf"^{_PLACE}\s*(?:[┘⏌┛⌋╯」]|_\s*\||\|\s*_)$"),
    "UL": re.compile(rf"^(?:[└⎿┗⌊╰]|\|\s*_|_\s*\|)\s*{_PLACE}$"),
    "LL": re.compile(rf"^(?:[┌⎾┏⌈╭「]|\|\s*[‾¯]|[‾¯]\s*\|)\s*{_PLACE}$"),
    "LR": re.compile(rf"^{_PLACE}\s*(?:[┐⏋┓⌉╮]|[‾¯]\s*\||\|\s*[‾¯])$"),
}
_HADERUP = {
    "UR": re.compile(r"^(0?)([1-8])\s*\+$"),
    "UL": re.compile(r"^\+\s*(0?)([1-8])$"),
    "LL": re.compile(r"^[-\u2010-\u2015\u2212]\s*(0?)([1-8])$"),
    "LR": re.compile(r"^(0?)([1-8])\s*[-\u2010-\u2015\u2212]$"),
}
_BETWEEN = re.compile(r"[,;\s]+")


def by_corner(text: str) -> str | None:
    """The tooth of a Palmer corner as quadrant and place, `UR6`; None if it is none."""
    for quadrant, pattern in _CORNERS.items():
        if match := pattern.match(text.strip().upper()):
            return quadrant + match[1]
    return None


def by_signs(text: str) -> list[str] | None:
    """The teeth of corners or of Haderup's signs, each as quadrant and place; None if any part is neither."""
    found = []
    for part in _BETWEEN.split(text.strip()):
        if (one := by_corner(part) or _by_haderup(part)) is None:
            return None
        found.append(one)
    return found


def _by_haderup(text: str) -> str | None:
    for quadrant, pattern in _HADERUP.items():
        if match := pattern.match(text):
            zero, place = match.groups()
            if not zero:
                return quadrant + place
            return quadrant + "ABCDE"[int(place) - 1] if int(place) <= 5 else None
    return None
