"""Codes that name a class of tooth, on teeth of another class: a root canal of a molar on a premolar.

Some are slips. But where another reading of the same numbers (the other notation, or counted from 0) puts nearly all of
them on teeth of their class, the teeth are not what they were taken for.
"""

from collections import Counter
from collections.abc import Mapping
from functools import cache

import polars as pl

from pipeline.practice.codes import TOOTH_CLASSES
from pipeline.practice.teeth import teeth
from pipeline.reading.doubts.doubt import Doubt, ask

# A slip of the pen is rarer by far; teeth counted one too low put about a quarter of all root canals out of class.
_LEAST, _SHARE = 4, 0.1
OWN, ZERO = "own", "counted from 0"
_OTHER = {"universal": "fdi", "fdi": "universal"}


def classes_of(codes: pl.DataFrame) -> pl.DataFrame:
    """`code, said`: the class of tooth that a code is for, of codes that are for one."""
    return codes.filter(pl.col("detail").is_in(TOOTH_CLASSES)).select("code", said="detail")


def in_class(cleaned: pl.DataFrame, classes: pl.DataFrame, notation: str) -> Counter[tuple[str, bool]]:
    """Typed rows with such a code on a permanent tooth, by reading of the number and by whether the tooth is of the
    code's class; a number that is no tooth in a reading is of none."""
    found: Counter[tuple[str, bool]] = Counter()
    if notation not in _OTHER:
        return found
    rows = cleaned.select("code", "tooth_fdi").join(classes, on="code")
    rows = rows.join(_readings(notation), on="tooth_fdi")
    for reading in (c for c in _readings(notation).columns if c != "tooth_fdi"):
        fits = (rows[reading] == rows["said"]).fill_null(False)
        found[reading, True] += int(fits.sum())
        found[reading, False] += int((~fits).sum())
    return found


@cache
def _readings(notation: str) -> pl.DataFrame:
    """One row per permanent tooth, `tooth_fdi` and its class; and the class if its number is read otherwise."""
    all_teeth = teeth().filter(pl.col("dentition") == "permanent")
    written = all_teeth.select(pl.col("fdi").alias("tooth_fdi"), "tooth_group", number=pl.col(notation).cast(pl.Int32))
    kinds = dict(all_teeth.select(pl.col(_OTHER[notation]).cast(pl.Int32), "tooth_group").iter_rows())
    own = dict(written.select("number", "tooth_group").iter_rows())
    number = pl.col("number")
    made = {_OTHER[notation]: number.replace_strict(kinds, default=None, return_dtype=pl.String)}
    if notation == "universal":
        made[ZERO] = (number + 1).replace_strict(own, default=None, return_dtype=pl.String)
    return written.select("tooth_fdi", pl.col("tooth_group").alias(OWN), **made)


def class_doubts(where: str, table: str, found: Mapping[tuple[str, bool], int], notation: str) -> list[Doubt]:
    """More such rows than slips can be, and hardly any in another reading."""
    n = found.get((OWN, False), 0)
    rows = n + found.get((OWN, True), 0)
    if n < _LEAST or n <= _SHARE * rows:
        return []
    misses = {reading: wrong for (reading, fits), wrong in found.items() if not fits and reading != OWN}
    best = min(misses, key=lambda reading: (misses[reading], reading), default=None)
    if best is None or misses[best] > _SHARE * rows:
        return []
    how = "if they are counted from 0" if best == ZERO else f"if they are read as {best}"
    answer = (
        (f"tables.{table}", 'teeth_count_from = "zero"', "yes: each number is one too low")
        if best == ZERO
        else ("practice", f'tooth_notation = "{best}"', "yes: they are numbered so")
    )
    return ask(
        "tooth_classes",
        where,
        f"{n:,} of {rows:,} root canals and the like have the code of another class of tooth than the tooth that "
        f"they name in {notation} (a molar's on a premolar, say); {how} it is {misses[best]:,}.",
        answer,
    )
