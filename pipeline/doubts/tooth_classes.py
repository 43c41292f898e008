"""Codes that name a class of tooth, on teeth of another class: a root canal of a molar on a premolar.

A few are slips. Many in one file say that its teeth are not what they were taken for: counted from 0, in another
notation, or of a column that slipped by a row.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import polars as pl

from pipeline.codes import TOOTH_CLASSES
from pipeline.doubts.doubt import Doubt, accept
from pipeline.teeth import teeth

# A slip of the pen is rarer by far; teeth counted one too low put about a quarter of all root canals out of class.
_LEAST, _SHARE = 4, 0.1


def classes_of(codes: pl.DataFrame) -> pl.DataFrame:
    """`code, said`: the class of tooth that a code is for, of codes that are for one."""
    return codes.filter(pl.col("detail").is_in(TOOTH_CLASSES)).select("code", said="detail")


def in_class(cleaned: pl.DataFrame, classes: pl.DataFrame) -> Counter[bool]:
    """Typed rows with such a code on a permanent tooth, by whether the tooth is of its class."""
    kinds = teeth().filter(pl.col("dentition") == "permanent").select("fdi", "tooth_group")
    rows = cleaned.select("code", pl.col("tooth_fdi").cast(kinds.schema["fdi"])).join(classes, on="code")
    rows = rows.join(kinds, left_on="tooth_fdi", right_on="fdi")
    fits = rows.select(pl.col("said") == pl.col("tooth_group")).to_series()
    return Counter(fits.drop_nulls().to_list())


def class_doubts(where: str, found: Counter[bool], notation: str, accepted: Sequence[str]) -> list[Doubt]:
    """More such rows than slips can be."""
    n, rows = found[False], found.total()
    if n < _LEAST or n <= _SHARE * rows:
        return []
    others = [other for other in ("universal", "fdi") if other != notation]
    return [
        Doubt(
            "tooth_classes",
            where,
            f"{n:,} of {rows:,} root canals and the like have the code of another class of tooth than the tooth that "
            f"they name in {notation} (a molar's on a premolar, say). Slips of the pen are rarer.",
            "Are these teeth numbered otherwise: in another notation, or counted from 0, or does the column of teeth "
            "belong to another row? If they are counted from 0, export them as they are printed.",
            (
                *(("practice", f'tooth_notation = "{other}"', "if they are numbered so") for other in others),
                accept("tooth_classes", accepted, "no: the teeth are right and the codes are used so here"),
            ),
        )
    ]
