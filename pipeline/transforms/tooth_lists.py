"""Teeth as written in one cell: one tooth, several, a range of them, or a part of the mouth.

A range runs along the arch, whatever the numbers do in between: in FDI `12-22` is 12, 11, 21, 22. It needs both ends in
one arch and one dentition. In Palmer the corners and signs of `tooth_cells` are read. A dot between two digits, `1.6`,
is an FDI number (common practice, no source); `1-6` is not read in FDI, for it looks like a range of Universal numbers.
"""

import re
from functools import cache, lru_cache

import polars as pl

from pipeline.practice.teeth import parse_teeth, teeth
from pipeline.transforms.tooth_cells import by_signs, read_by_form

# What a text that names no tooth is.
AREA, UNKNOWN = "area", "unknown"
TEETH_SCHEMA: dict[str, pl.DataType] = {
    "tooth_fdi": pl.UInt8(),
    "supernumerary": pl.Boolean(),
    "fault": pl.String(),
    "all_fdi": pl.List(pl.UInt8()),
    "all_supernumerary": pl.List(pl.Boolean()),
    "surfaces": pl.String(),
    "form": pl.String(),
}

_LONGEST = 200
_RANGE = re.compile(r"\s*[-\u2010-\u2015\u2212]\s*|\s+(?:TO|THRU|THROUGH|BIS)\s+")
_LIST = re.compile(r"[,;/&+\s]+|\b(?:AND|UND|ET)\b")
_OPEN_PLUS = re.compile(r"(?:^|[,;])\s*\+\s*\w|\w\s*\+\s*(?:$|[,;])")
_PALMER_TOOTH = r"(?:[UL][RL])[\s-]*[1-8A-E]\b|\b[1-8A-E][\s-]*(?:[UL][RL])\b"
_PALMER_NEXT = re.compile(
    rf"({_PALMER_TOOTH})|\b([1-8A-E])\b|([-\u2010-\u2015\u2212]|\bTO\b|\bBIS\b)|[,;/&+\s]+|\bAND\b"
)
_ORDINARY = {  # one tooth and nothing else: read all at once
    "universal": r"^\s*#?\s*[0-9A-Za-z]+(?:\.0+)?\s*$",
    "fdi": r"^\s*#?\s*[0-9]+(?:\.0+|[Ss])?\s*$",
    "palmer": r"^\s*#?\s*[0-9A-Za-z]+\s*-?\s*[0-9A-Za-z]*\s*$",
}
# Areas of the mouth in ISO 3950: 00 the whole, 01 and 02 the jaws, 03 to 08 the sextants, 10 to 40 the quadrants (from
# memory). The Universal numbers 1 to 32 take most of these, so there only 00 is one.
_AREA_NUMBERS = {"universal": {"00"}}
_ISO_AREAS = {f"0{n}" for n in range(9)} | {"10", "20", "30", "40"}
# English, German, French, Dutch, and what Spanish, Portuguese and Italian share.
_AREAS = (
    "UR UL LL LR URQ ULQ LLQ LRQ UA LA FM FMX UPPER LOWER ARCH QUAD QUADRANT SEXTANT MOUTH FULLMOUTH WHOLEMOUTH ALL "
    "UPPERRIGHT UPPERLEFT LOWERRIGHT LOWERLEFT MAXILLA MANDIBLE MAXILLARY MANDIBULAR "
    "OBERKIEFER UNTERKIEFER OK UK HAUT BAS SUPERIOR INFERIOR BOVENKAAK ONDERKAAK SUPERIORE INFERIORE"
)
_AREA_WORDS = frozenset(_AREAS.split())


def parse_tooth_lists(texts: pl.Series, *, notation: str, by_form: bool = True) -> pl.DataFrame:
    """Read written teeth, one or several.

    One row per text, in order, with `TEETH_SCHEMA`. A text of one tooth has `tooth_fdi` and `supernumerary`. A text of
    several has them null and false, and the teeth in `all_fdi` and `all_supernumerary`, in the order written, each
    once. `fault` is `area` for a part of the mouth, `unknown` for what cannot be read (all of a list if one of its
    members cannot), else null. With `by_form` a text that names no tooth as it is written is read by the forms of
    `tooth_cells`: `form` names the one, and `surfaces` are the letters that stood with the tooth.
    """
    plain = texts.str.contains(_ORDINARY[notation]).fill_null(False)
    read = parse_teeth(texts, notation=notation).select(
        pl.when(plain).then("tooth_fdi").alias("tooth_fdi"), (pl.col("supernumerary") & plain).alias("supernumerary")
    )
    rows = [
        (fdi, extra, None, None, None, None, None)
        if fdi is not None or text is None
        else _one_or_more(text, notation, by_form)
        for text, (fdi, extra) in zip(texts, read.iter_rows(), strict=True)
    ]
    return pl.DataFrame(rows, schema=TEETH_SCHEMA, orient="row")


Row = tuple[int | None, bool, str | None, list[int] | None, list[bool] | None, str | None, str | None]


@lru_cache(maxsize=20_000)
def _one_or_more(text: str, notation: str, by_form: bool) -> Row:
    if _is_area(text, notation):
        return None, False, AREA, None, None, None, None
    found = _members(text.upper().replace("#", " "), notation) if len(text) <= _LONGEST else None
    if not found:
        if by_form and len(text) <= _LONGEST and (one := read_by_form(text, notation)):
            return one.fdi, one.supernumerary, None, None, None, one.surface, one.form
        return None, False, UNKNOWN, None, None, None, None
    each = list(dict.fromkeys(found))
    if len(each) == 1:
        return each[0][0], each[0][1], None, None, None, None, None
    return None, False, None, [fdi for fdi, _ in each], [extra for _, extra in each], None, None


def _is_area(text: str, notation: str) -> bool:
    bare = re.sub(r"[\s.#-]+", "", text.upper())
    bare = re.sub(r"(?<=.)(?:QUADRANT|QUAD|ARCH|JAW)$", "", bare)
    return bare in _AREA_WORDS or text.strip() in _AREA_NUMBERS.get(notation, _ISO_AREAS)


def _members(text: str, notation: str) -> list[tuple[int, bool]] | None:
    """Teeth in the order written; None if any part cannot be read."""
    if notation == "palmer":
        if (signs := by_signs(text)) is not None:
            read = [_tooth(sign, notation) for sign in signs]
            return [one for one in read if one is not None] if None not in read else None
        if (spelled := _palmer_spelled_out(text)) is None:
            return None
        text = spelled
    elif _OPEN_PLUS.search(text):
        return None  # +6 and 6+ are a place beside the midline in another notation
    found: list[tuple[int, bool]] = []
    joined = _RANGE.sub("~", text.strip())
    for part in (p for p in _LIST.split(joined) if p):
        ends = [_tooth(end, notation) for end in part.split("~")]
        known = [end for end in ends if end is not None]
        if len(known) < len(ends) or len(ends) > 2:
            return None
        if len(known) == 1:
            found += known
            continue
        between = _along_the_arch(known[0], known[1])
        if between is None:
            return None
        found += between
    return found


def _palmer_spelled_out(text: str) -> str | None:
    """A Palmer list with the quadrant before each tooth: `UR3, 4` as `UR3 UR4`; None if anything else is in it."""
    out, quadrant, place = [], None, 0
    while place < len(text):
        if (match := _PALMER_NEXT.match(text, place)) is None or match.end() == place:
            return None
        place = match.end()
        tooth, alone, dash = match.groups()
        if tooth:
            bare = re.sub(r"[\s-]", "", tooth)
            quadrant, position = (bare[:2], bare[2:]) if bare[0] in "UL" else (bare[1:], bare[0])
            out.append(quadrant + position)
        elif alone:
            if quadrant is None:
                return None
            out.append(quadrant + alone)
        elif dash:
            out.append("-")
    return " ".join(out)


def _tooth(text: str, notation: str) -> tuple[int, bool] | None:
    key = re.sub(r"^(\d+)\.0+$", r"\1", text).lstrip("0")
    if notation == "fdi":
        key = re.sub(r"^([1-8])\.([1-8])$", r"\1\2", key)
    return _numbers(notation).get(key)


def _along_the_arch(first: tuple[int, bool], last: tuple[int, bool]) -> list[tuple[int, bool]] | None:
    """Both ends and the teeth between them; None if they are in two arches or dentitions, or are extra teeth."""
    if first[1] or last[1]:
        return None
    for arch in _arches():
        if first[0] in arch and last[0] in arch:
            start, end = arch.index(first[0]), arch.index(last[0])
            step = 1 if end >= start else -1
            return [(fdi, False) for fdi in arch[start : end + step if end + step >= 0 else None : step]]
    return None


@cache
def _arches() -> tuple[tuple[int, ...], ...]:
    """The upper and the lower arch of each dentition, from end to end."""
    found = []
    for right, left in ((10, 20), (40, 30), (50, 60), (80, 70)):
        count = 8 if right < 50 else 5
        found.append((*(right + n for n in range(count, 0, -1)), *(left + n for n in range(1, count + 1))))
    return tuple(found)


@cache
def _numbers(notation: str) -> dict[str, tuple[int, bool]]:
    columns = ["universal", "universal_supernumerary"] if notation == "universal" else [notation]
    keys = pl.concat([teeth()[column].cast(pl.String) for column in columns])
    if notation == "fdi":
        keys = pl.concat([keys, keys + "S"])  # extra teeth as `parse_teeth` reads them
    read = parse_teeth(keys, notation=notation)
    return {key: (fdi, extra) for key, fdi, extra in read.iter_rows()}
