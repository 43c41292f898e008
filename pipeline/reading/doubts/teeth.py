"""Doubts about which tooth is meant."""

from collections.abc import Sequence

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.settings import Settings
from pipeline.reading.doubts.doubt import Doubt, ask, samples
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.doubts.tooth_numbers import (
    DAY_IS_QUADRANT,
    MONTH_IS_QUADRANT,
    class_doubts,
    may_be_date,
    quadrant_digit,
    tooth_of_date,
    two_notations,
)
from pipeline.reading.headings import plain_heading
from pipeline.reading.suggest.shown import quoted

_NEARLY_ALL, _MOST, _SOME, _ENOUGH, _DIFFERENT = 0.95, 0.8, 3, 30, 6
_ONE_TO_EIGHT = r"^0?[1-8](?:\.0+)?$"
# `1-4` too is how some write the quadrant and the place; read as a range it would be four teeth.
_DECIMAL = {"fdi": r"^[1-8],[1-8]$", "universal": r"^[1-4][.,][1-8]$", "palmer": r"^[1-4][.,][1-8]$"}
_DASHED = r"^[1-8][-/][1-8]$"
_NO_JAW = r"^\s*(?:[1-8]\s*[|⏐│｜]|[|⏐│｜]\s*[1-8])\s*$"
_LAST = r"^#?32(?:\.0+)?$"
_COUNTED = frozenset(("idx", "index", "offset", "ordinal"))  # of a heading of numbers that may begin with 0
_TWO = r"^#?\d{1,2}\s*[,;/&+ ]\s*#?\d{1,2}$"
_LETTER = {  # surfaces that are also letters of primary teeth
    "universal": r"(?i)^#?(?:[1-9]|[12]\d|3[0-2]|0[1-9])[\s,/-]+[BDFILMO]$",
    "palmer": r"(?i)^(?:[UL][RL])[\s-]*[1-8][\s,/-]+[BD]$",
}

_PRIMARY = r"(?i)^#?0?(?:[1-9]|1\d|20)d$"  # from memory
_OTHER_LETTER = r"(?i)^#?0?\d{1,2}[a-z]$"
_LEAST_PRIMARY, _FEW_OTHERS = 5, 1.05
_WAYS = {
    MONTH_IS_QUADRANT: "the month, as where months stand first: 6-Jan was 1-6",
    DAY_IS_QUADRANT: "the day, as where days stand first: 1-Jun was 1-6",
}


def tooth_doubts(seen: Sequence[Seen], settings: Settings) -> list[Doubt]:
    """All doubts about teeth, file by file."""
    found: list[Doubt] = []
    for one in seen:
        told, notation = settings.tables[one.table], settings.practice.tooth_notation
        where, teeth = one.where, one.teeth
        if not teeth.height:
            continue
        quadrant = one.quadrants_there
        decimals = [] if told.teeth_as_decimals else teeth_as_decimals(where, one.table, teeth, notation)
        if not one.answers.told.quadrant:
            found += quadrants(where, one.table, teeth, quadrant, notation=notation)
        found += further_teeth(where, one)
        found += decimals or two_in_a_row(where, teeth)
        found += [] if told.teeth_as_dates else teeth_as_dates(where, one.table, teeth)
        found += without_jaw(where, teeth)
        if not one.is_mended:
            found += class_doubts(where, one.table, one.in_class, notation)
        if not (told.teeth_count_from or one.is_mended or one.is_ours):
            found += counted_from_zero(where, one, notation)
        if not told.tooth_letter:
            found += one_letter(where, one.table, teeth, notation) or primary_letter(where, one.table, teeth, notation)
    notation = settings.practice.tooth_notation
    for table in dict.fromkeys(one.table for one in seen):
        files = {s.file: s.teeth_by for s in seen if s.table == table and not s.is_mended and _is_plain(s, settings)}
        found += two_notations(table, files, notation)
    return found


def _is_plain(seen: Seen, settings: Settings) -> bool:
    """Whether its teeth are whole numbers: those told in parts or as decimals are judged by these."""
    told = settings.tables[seen.table]
    return not (told.quadrant or told.teeth_as_decimals or told.teeth_as_dates)


def quadrants(where: str, table: str, teeth: pl.DataFrame, heading: Sequence[str], *, notation: str) -> list[Doubt]:
    """Teeth from 1 to 8 alone: positions, whose quadrant stands elsewhere."""
    rows, low = _rows(teeth), _rows(teeth, _ONE_TO_EIGHT)
    if not heading and teeth["tooth"].n_unique() < _DIFFERENT:
        return []
    if low < _NEARLY_ALL * rows or rows < (_SOME if heading else _ENOUGH) or (notation == "palmer" and not heading):
        return []
    if heading:
        named = teeth.filter(quadrant_digit(pl.col("quadrant")).is_not_null())
        if int(named["n"].sum()) < 0.5 * rows:
            return []
        names = [quoted(h) for h in heading]
        told = names[0] if len(names) == 1 else f"[{', '.join(names)}]"
        line, means = f"quadrant = {told}", "yes: quadrant and place together are the tooth"
        what = f"a column {names[0]} names" if len(names) == 1 else f"columns {' and '.join(names)} name"
        seen = f", and {what} quadrants"
    else:
        line, means = 'quadrant = "<its heading>"', "the column that names the quadrant"
        seen = ", all in one quadrant"
    return ask(
        "teeth_one_to_eight.quadrant" if heading else "teeth_one_to_eight",
        where,
        f"{low:,} of {rows:,} teeth are numbers from 1 to 8{seen}.",
        (f"tables.{table}", line, means),
        notation=notation,
    )


def teeth_as_decimals(where: str, table: str, teeth: pl.DataFrame, notation: str) -> list[Doubt]:
    """FDI numbers that a spreadsheet turned into decimals."""
    rows, n = _rows(teeth), _rows(teeth, _DECIMAL[notation])
    if n < _SOME or n < 0.5 * rows:
        n = _rows(teeth, _DASHED)  # some rows may name a range of teeth, not nearly all
        if n < 5 or n < _MOST * rows:
            return []
    fdi = ("practice", 'tooth_notation = "fdi"', "with it, in place of what stands there")
    return ask(
        "teeth_as_decimals",
        where,
        f"{n:,} of {rows:,} teeth are written as 9,9 or 9.9 or 9-9 or 9/9: the first digit a quadrant, the second "
        "1 to 8.",
        (f"tables.{table}", "teeth_as_decimals = true", "yes: the digits before and behind the sign are one tooth"),
        fdi if notation != "fdi" else None,
    )


def teeth_as_dates(where: str, table: str, teeth: pl.DataFrame) -> list[Doubt]:
    """Teeth as quadrant and place, `1-6`, that a spreadsheet turned into days, `6-Jan`."""
    filled = teeth.filter((pl.col("tooth") != "") & may_be_date(pl.col("tooth")))
    if filled.is_empty():
        return []
    by_way = (tooth_of_date(pl.col("tooth"), way).is_not_null().alias(way) for way in _WAYS)
    fits = filled.select("n", "tooth", *by_way)
    rows = _rows(teeth)
    n = {way: int(fits.filter(pl.col(way))["n"].sum()) for way in _WAYS}
    if max(n.values()) < _SOME or max(n.values()) < 0.5 * rows:
        return []
    shown = samples(fits.filter(pl.any_horizontal(_WAYS.keys()))["tooth"])
    ordered = sorted(_WAYS, key=lambda way: -n[way])
    return ask(
        "teeth_as_dates",
        where,
        f"{max(n.values()):,} of {rows:,} teeth are days such as {shown}. {n[MONTH_IS_QUADRANT]:,} can be a tooth "
        f"if the month is the quadrant, {n[DAY_IS_QUADRANT]:,} if the day is.",
        *tuple((f"tables.{table}", f'teeth_as_dates = "{way}"', _WAYS[way]) for way in ordered if n[way]),
    )


def further_teeth(where: str, seen: Seen) -> list[Doubt]:
    """Teeth in numbered columns, of which one is read; with numbered codes beside them these are asked about."""
    n = seen.counts["teeth_beside"]
    if not n or seen.counts["further"]:
        return []
    heading = seen.answers.columns["tooth"]
    others = ", ".join(quoted(h) for h in seen.teeth_beside)
    means = "yes: in place of columns.tooth; a row for each"
    evidence = f"{count(n, 'cell', 'is')} filled in the columns {others} beside {quoted(heading)}, which alone is read."
    return ask(
        "further_teeth", where, evidence, (f"tables.{seen.table}", f"tooth_list = [{quoted(heading)}, {others}]", means)
    )


def two_in_a_row(where: str, teeth: pl.DataFrame) -> list[Doubt]:
    """Nearly every row names two teeth."""
    rows, n = _rows(teeth), _rows(teeth, _TWO)
    if n < 5 or n < _MOST * rows:
        return []
    return ask("two_teeth_in_a_row", where, f"{n:,} of {rows:,} rows with a tooth name two of them.")


def without_jaw(where: str, teeth: pl.DataFrame) -> list[Doubt]:
    """Palmer's midline without the line that parts the jaws: `6|` is an upper or a lower right first molar."""
    if not (n := _rows(teeth, _NO_JAW)):
        return []
    return ask(
        "teeth_without_jaw",
        where,
        f"{n:,} of {_rows(teeth):,} teeth are a place beside a stroke (as 9| or |9), which tells right from left "
        "and not the upper jaw from the lower.",
    )


def counted_from_zero(where: str, seen: Seen, notation: str) -> list[Doubt]:
    """Universal numbers that a database may count from 0: work on a tooth 0, or a heading of the kind, and no 32."""
    heading = seen.answers.columns.get("tooth", "")
    is_headed = bool(_COUNTED & set(plain_heading(heading).split()))
    nought = seen.counts["tooth_zero"]
    if notation != "universal" or _rows(seen.teeth, _LAST) or not (is_headed or nought >= _SOME):
        return []
    zero = f" and {count(nought, 'row')} with work on one are 0" if nought else ""
    headed = f'; the column is headed "{heading}"' if is_headed else ""
    return ask(
        "teeth_count_from",
        where,
        f"none of {_rows(seen.teeth):,} teeth is 32{zero}{headed}.",
        (f"tables.{seen.table}", 'teeth_count_from = "zero"', "yes: each number is one too low"),
        (f"tables.{seen.table}", 'teeth_count_from = "one"', "no: these are the numbers as they are printed"),
    )


def primary_letter(where: str, table: str, teeth: pl.DataFrame, notation: str) -> list[Doubt]:
    """Numbers up to 20 with a d right behind them and no other letter: primary teeth of the older universal form."""
    n, other = _rows(teeth, _PRIMARY), _rows(teeth, _OTHER_LETTER)
    if notation != "universal" or n < _LEAST_PRIMARY or other > _FEW_OTHERS * n:
        return []
    return ask(
        "tooth_letter.primary",
        where,
        f"{n:,} of {_rows(teeth):,} teeth are a number up to 20 with a d right behind it (as 9d), and none has "
        "another letter there.",
        (f"tables.{table}", 'tooth_letter = "primary"', "primary teeth"),
        (f"tables.{table}", 'tooth_letter = "surface"', "the distal surface of a permanent tooth"),
    )


def one_letter(where: str, table: str, teeth: pl.DataFrame, notation: str) -> list[Doubt]:
    """A tooth with one letter behind it: a surface, or a primary tooth."""
    if notation not in _LETTER or not (n := _rows(teeth, _LETTER[notation])):
        return []
    return ask(
        "tooth_letter",
        where,
        f"{n:,} of {_rows(teeth):,} teeth are a number with one letter behind it (as 99 x), a letter that names a "
        "surface as well as a primary tooth.",
        (f"tables.{table}", 'tooth_letter = "surface"', "a surface of the tooth before it"),
        (f"tables.{table}", 'tooth_letter = "tooth"', "a second, primary tooth"),
    )


def _rows(teeth: pl.DataFrame, pattern: str | None = None) -> int:
    is_one = pl.col("tooth") != ""
    return int(teeth.filter(is_one if pattern is None else is_one & pl.col("tooth").str.contains(pattern))["n"].sum())
