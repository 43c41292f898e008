"""Teeth as cells hold them beside the plain number: with a word, with surfaces, by quadrant and place, or by name.

The forms are those of `pipeline.transforms.cell_forms`; they are tried where a text names no tooth as it is written.
"""

import re
from functools import cache
from typing import NamedTuple

import polars as pl

from pipeline.practice.teeth import parse_teeth, teeth
from pipeline.transforms.cell_forms import forms_of
from pipeline.transforms.tooth_signs import by_corner

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
