"""The 52 teeth in three notations, and how a written tooth becomes its two-digit ISO 3950 number.

ISO 3950:2016: the first digit is the quadrant (1 to 4 permanent, 5 to 8 primary; upper right, upper left, lower left,
lower right), the second counts from the midline. Universal: 1 to 32 from the upper right third molar round to the
lower right one, A to T for primary teeth. Palmer: quadrant in letters, then 1 to 8 or A to E from the midline.
Which notation a file uses is never guessed: 18 numbers are valid in both of the first two, for different teeth.
"""

from functools import cache
from importlib.resources import files

import polars as pl

NOTATIONS = ("universal", "fdi", "palmer")
_NUMBER = pl.UInt8()


@cache
def teeth() -> pl.DataFrame:
    """One row per tooth: fdi, universal, palmer, dentition, tooth_group, universal_supernumerary, name.

    `tooth_group` is anterior, premolar or molar; `dentition` permanent or primary; `universal_supernumerary` the
    Universal number of an extra tooth beside this one (its number + 50, or its letter + S; from memory).
    """
    with files("pipeline").joinpath("data", "teeth.csv").open("rb") as stream:
        return pl.read_csv(stream.read(), infer_schema=False).with_columns(pl.col("fdi").cast(_NUMBER))


def parse_teeth(texts: pl.Series, *, notation: str) -> pl.DataFrame:
    """Read written teeth.

    - `texts`: Distinct texts, e.g. `14`, `01`, `1.0`, `#14`, ` 14 `.
    - `notation`: `universal`, `fdi` or `palmer`.

    Returns one row per text: `text`; `tooth_fdi`, null where the text is no tooth of this notation; `supernumerary`,
    true for an extra tooth, which carries the number of the tooth beside it.
    """
    key = pl.col("text").str.to_uppercase().str.replace_all(r"[\s#]", "").str.replace(r"^(\d+)\.0+$", "${1}")
    key = key.str.replace_all("-", "") if notation == "palmer" else key.str.strip_chars_start("0")
    written = pl.DataFrame({"text": texts}, schema={"text": pl.String()}).with_columns(key.alias("key"))
    found = written.join(_written_forms(notation), on="key", how="left", maintain_order="left")
    return found.select("text", "tooth_fdi", pl.col("supernumerary").fill_null(False))


def write_teeth(numbers: pl.Series, *, notation: str) -> pl.Series:
    """Write two-digit ISO 3950 numbers in a notation, e.g. 16 as `3`, `16` or `UR6`; the reverse of `parse_teeth`.

    One text per number, in its place; null where the number is null or that of no tooth.
    """
    written = dict(teeth().select("fdi", pl.col(notation).cast(pl.String).alias("written")).iter_rows())
    return numbers.cast(_NUMBER).replace_strict(written, default=None, return_dtype=pl.String)


@cache
def _written_forms(notation: str) -> pl.DataFrame:
    """Every accepted way to write a tooth: key, tooth_fdi, supernumerary."""
    forms = {
        "universal": [("universal", False), ("universal_supernumerary", True)],
        "fdi": [("fdi", False), ("fdi_supernumerary", True)],
        "palmer": [("palmer", False)],
    }[notation]
    # ISO 3950 has no number for an extra tooth; that of the tooth beside it with an S is our own way to write one.
    known = teeth().with_columns((pl.col("fdi").cast(pl.String) + "S").alias("fdi_supernumerary"))
    frames = [
        known.select(
            pl.col(column).cast(pl.String).alias("key"),
            pl.col("fdi").alias("tooth_fdi"),
            pl.lit(extra).alias("supernumerary"),
        )
        for column, extra in forms
    ]
    if notation == "palmer":  # the quadrant may come last: 8UR
        turned = pl.col("key").str.slice(2) + pl.col("key").str.slice(0, 2)
        frames.append(frames[0].with_columns(turned.alias("key")))
    return pl.concat(frames)
