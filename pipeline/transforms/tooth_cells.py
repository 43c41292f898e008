"""Teeth as cells hold them beside the plain number: with a word or surfaces, by quadrant and place, by name, by signs.

The forms are those of `pipeline.transforms.cell_forms`; they are tried where a text names no tooth as it is written.

A corner of Palmer, as `6⏌`, is drawn as one sees the patient: the upright stroke is the midline, the level one parts
the jaws. So `6┘` is the upper right, `└6` the upper left, `┌6` the lower left and `6┐` the lower right. Written on a
keyboard the corner becomes `6_|`, `|_6`, `|‾6` and `6‾|`. By Haderup a plus is the upper jaw and a minus the lower one,
and the sign stands towards the midline: `6+` is the upper right, `+6` the upper left, `-6` the lower left, `6-` the
lower right; a zero before the place makes it a primary tooth (from memory).
"""

import re
from functools import cache
from typing import NamedTuple

import polars as pl

from pipeline.practice.teeth import parse_teeth, teeth
from pipeline.transforms.cell_forms import forms_of

_SURFACE = r"[MODBLFIPVC]"
# Right behind the tooth any letters of surfaces; after a blank or sign at least two, for one may be a primary tooth.
_SURFACES = re.compile(rf"^(?:(.*?\d)({_SURFACE}{{1,6}})|(.*?\d|[A-T])[\s\-/:(]+({_SURFACE}{{2,6}})\)?)$")
_PALMER_SURFACES = re.compile(rf"^([UL][RL]\s*-?[1-8A-E]|[1-8A-E]\s*-?[UL][RL])[\s\-/:(]+({_SURFACE}{{2,6}})\)?$")
_UPPER, _LOWER = r"(?:UPPER|MAXILLARY|MAX|OBEN|OBERKIEFER|OK)", r"(?:LOWER|MANDIBULAR|MAND|UNTEN|UNTERKIEFER|UK)"
_RIGHT, _LEFT = r"(?:RIGHT|RT|RECHTS|RE)", r"(?:LEFT|LT|LINKS|LI)"
_QUADRANTS = {
    "UR": re.compile(rf"^(?:{_UPPER}[\s.\-]+{_RIGHT}|{_RIGHT}[\s.\-]+{_UPPER}|U\.?R\.?)\b"),
    "UL": re.compile(rf"^(?:{_UPPER}[\s.\-]+{_LEFT}|{_LEFT}[\s.\-]+{_UPPER}|U\.?L\.?)\b"),
    "LL": re.compile(rf"^(?:{_LOWER}[\s.\-]+{_LEFT}|{_LEFT}[\s.\-]+{_LOWER}|L\.?L\.?)\b"),
    "LR": re.compile(rf"^(?:{_LOWER}[\s.\-]+{_RIGHT}|{_RIGHT}[\s.\-]+{_LOWER}|L\.?R\.?)\b"),
}
# Japanese and Chinese, side and jaw in either order, with or without the sign for a number behind the place.
_EASTERN = {
    **dict.fromkeys(("右上", "上右", "上顎右側", "右側上顎", "右上顎"), "UR "),
    **dict.fromkeys(("左上", "上左", "上顎左側", "左側上顎", "左上顎"), "UL "),
    **dict.fromkeys(("左下", "下左", "下顎左側", "左側下顎", "左下顎"), "LL "),
    **dict.fromkeys(("右下", "下右", "下顎右側", "右側下顎", "右下顎"), "LR "),
}
_EASTERN_QUADRANT = re.compile(rf"^({'|'.join(sorted(_EASTERN, key=len, reverse=True))})\s*([1-8A-E])\s*[番号號]?$")
_ROMAN = re.compile(r"^(I|II|III|IV)[\s./-]*([1-8])$")
_ROMAN_QUADRANTS = {"I": "UR", "II": "UL", "III": "LL", "IV": "LR"}  # in the order of ISO 3950
_PLACES = {
    "CENTRAL INCISOR": "1", "CENTRAL": "1", "LATERAL INCISOR": "2", "LATERAL": "2", "CANINE": "3", "CUSPID": "3",
    "FIRST PREMOLAR": "4", "FIRST BICUSPID": "4", "SECOND PREMOLAR": "5", "SECOND BICUSPID": "5", "FIRST MOLAR": "6",
    "SECOND MOLAR": "7", "THIRD MOLAR": "8", "WISDOM TOOTH": "8",
}  # fmt: skip
_MISTYPED = str.maketrans("OIL", "011")
_ORDINALS = (("1ST", "FIRST"), ("2ND", "SECOND"), ("3RD", "THIRD"), ("PRE-MOLAR", "PREMOLAR"))


class Found(NamedTuple):
    """A tooth, whether it is an extra one, the surfaces that stood with it, and the form."""

    fdi: int
    supernumerary: bool
    surface: str | None
    form: str


def read_by_form(text: str, notation: str) -> Found | None:
    """The tooth that a text names by one of the forms; None if by none of them, or by one with two readings."""
    bare = re.sub(r"\s+", " ", text.strip()).upper()
    bare = _EASTERN_QUADRANT.sub(lambda found: _EASTERN[found[1]] + found[2], bare)
    if corner := by_corner(bare):
        return Found(_palmer()[corner], False, None, "corner")
    for form in forms_of("tooth"):
        changed = re.sub(form.pattern, form.becomes.replace("${1}", r"\1"), bare)
        if changed != bare:
            bare = changed
            if one := _plain(bare, notation):
                return Found(*one, None, form.name)
    if (quadrant := _by_quadrant(bare, notation)) is not None:
        return quadrant
    if notation != "universal" and (roman := _ROMAN.match(bare)):  # in universal I 6 may be two teeth
        return Found(_palmer()[_ROMAN_QUADRANTS[roman[1]] + roman[2]], False, None, "named")
    parts = _PALMER_SURFACES.match(bare) or _SURFACES.match(bare)
    if parts is None:
        return None
    tooth, letters = (t for t in parts.groups() if t)
    if len(set(letters)) < len(letters) or _plain(bare.translate(_MISTYPED), notation):
        return None  # 2O is the chewing face of 2, or 20 with a letter for its zero
    if one := _plain(tooth, notation):
        return Found(*one, letters, "surfaces")
    if inner := _by_quadrant(tooth, notation):
        return inner._replace(surface=letters)
    return None


def _by_quadrant(text: str, notation: str) -> Found | None:
    for quadrant, pattern in _QUADRANTS.items():
        if (match := pattern.match(text)) is None:
            continue
        rest = text[match.end() :].strip(" .-#:")
        for short, long in _ORDINALS:
            rest = rest.replace(short, long)
        if rest in _PLACES:
            return Found(_palmer()[quadrant + _PLACES[rest]], False, None, "tooth_name")
        if notation == "universal":
            return _universal(quadrant, rest)
        if re.fullmatch(r"[1-8A-E]", rest):
            return Found(_palmer()[quadrant + rest], False, None, "named")
    return None


def _universal(quadrant: str, rest: str) -> Found | None:
    """A number that lies in the quadrant named is the tooth of that number, one that cannot is a place in it."""
    if not re.fullmatch(r"\d{1,2}", rest):
        return None
    one = _plain(rest, "universal")
    here = one is not None and _quadrant_of(one[0]) == quadrant
    place = re.fullmatch(r"[1-8]", rest) is not None
    if one is not None and here and not place:
        return Found(*one, None, "named")
    if here or not place:
        return None  # upper right 6 is number 6 or the place 6
    return Found(_palmer()[quadrant + rest], False, None, "named")


def _quadrant_of(fdi: int) -> str:
    return next(name[:2] for name, number in _palmer().items() if number == fdi)


@cache
def _plain(text: str, notation: str) -> tuple[int, bool] | None:
    fdi, extra = parse_teeth(pl.Series([text]), notation=notation).select("tooth_fdi", "supernumerary").row(0)
    return None if fdi is None else (int(fdi), bool(extra))


@cache
def _palmer() -> dict[str, int]:
    return dict(teeth().select("palmer", "fdi").iter_rows())


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
