"""Teeth with a word or letters before the number, `d.16` or `JF6`: what these stand for, where the column shows it.
Words for upper, lower, right, left, in this order, in other languages stand in `data/reading_words.csv`."""

import re
from collections.abc import Sequence
from functools import cache

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.teeth import teeth
from pipeline.reading.headings import plain_heading
from pipeline.transforms.tooth_lists import parse_tooth_lists

OPEN = ""  # the meaning of letters that may be any quadrant
_QUADRANTS = {("upper", "right"): "UR", ("upper", "left"): "UL", ("lower", "left"): "LL", ("lower", "right"): "LR"}
_ORDER = tuple(_QUADRANTS.values())
_HEADED = r"^\s*(\D*[\p{L}\p{M}]\D*?)\s*(\d{1,2})\s*\.?$"
_NEARLY_ALL, _READ_ALREADY, _SOME = 0.98, 0.95, 0.5
_FEW_WORDS, _FEWEST, _MOST = 3, 3, 8  # words for tooth; letters of quadrants
_LEAST_CALLED, _LEAST = 5, 12  # different teeth, where the heading says tooth and where it does not


def tooth_words(counts: pl.DataFrame, *, is_headed: bool) -> dict[str, str]:
    """What stands before the numbers of a column of teeth, each with what is to be read in its place, `*` the number:
    `d.*` is `*`, `JF*` is `UR*`, or `OPEN` where nothing tells which quadrant it is. Empty where teeth are read
    without, or the column is none of teeth. `counts` is `text, n`, `is_headed` whether the column is called so."""
    head, number = (pl.col("text").str.extract(_HEADED, part) for part in (1, 2))
    parts = counts.with_columns(head=head.str.strip_chars(), number=number.cast(pl.Int64, strict=False))
    parts = parts.drop_nulls("number")
    total = int(counts["n"].sum())
    if not total or parts.is_empty():
        return {}
    plain = parse_tooth_lists(counts["text"], notation="fdi")["tooth_fdi"].is_not_null()
    unread = counts.filter(~plain)
    rest = parts.filter(pl.col("text").is_in(unread["text"].implode()))
    if int(rest["n"].sum()) < max((1 - _READ_ALREADY) * total, _SOME * int(unread["n"].sum())):
        return {}
    least = _LEAST_CALLED if is_headed else _LEAST
    places = parts.filter(pl.col("number").is_between(1, 8))
    heads = sorted(set(places["head"]))
    if _share(places, parts) >= _NEARLY_ALL and _FEWEST <= len(heads) <= _MOST and places.height >= least:
        if {head.upper() for head in heads} <= set(_ORDER):
            return {}  # as they are written in Palmer's notation
        known = quadrants(heads)
        return {f"{head}*": f"{known[head]}*" if known else OPEN for head in heads}
    numbers = rest["number"].unique()
    fdi = rest.filter(pl.col("number").is_in(teeth()["fdi"].cast(pl.Int64).implode()))
    called = sorted(set(rest["head"]))
    is_fdi = _share(fdi, rest) >= _NEARLY_ALL and (is_headed or (numbers // 10).n_unique() >= len(_ORDER))
    is_universal = is_headed and numbers.max() > 8 and _share(rest.filter(pl.col("number") <= 32), rest) >= _NEARLY_ALL  # type: ignore[operator]
    if len(called) <= _FEW_WORDS and len(numbers) >= least and (is_fdi or is_universal):
        return {f"{head}*": "*" for head in called}
    return {}


def quadrants(heads: Sequence[str]) -> dict[str, str]:
    """The quadrant of each of some words or letters, in the one language that knows all; words before letters."""
    for reads in (_by_words, _by_letters):
        found = [
            read for words in _languages() for read in reads(heads, words) if len(set(read.values())) == len(_ORDER)
        ]
        if found:
            return found[0] if all(read == found[0] for read in found) else {}
    return {}


_Words = dict[str, tuple[str, ...]]


@cache
def _languages() -> tuple[_Words, ...]:
    rows = (row["words"].split("|") for row in data_rows("reading_words") if row["list"] == "upper lower right left")
    names = ("upper", "lower", "right", "left")
    return tuple(
        {name: tuple(plain_heading(w) for w in words.split("/")) for name, words in zip(names, row, strict=True)}
        for row in rows
    )


def _by_words(heads: Sequence[str], words: _Words) -> list[dict[str, str]]:
    read = {}
    for head in heads:
        plain = plain_heading(head)
        said = {name for name, of in words.items() if any(w in plain for w in of)}
        quadrant = next((q for pair, q in _QUADRANTS.items() if set(pair) == said), None)
        if quadrant is None:
            return []
        read[head] = quadrant
    return [read]


def _by_letters(heads: Sequence[str], words: _Words) -> list[dict[str, str]]:
    """By the first letters of jaw and side, in either order, the same for all."""
    first = {name: of[0][0] for name, of in words.items()}
    bare = {head: re.sub(r"[\W_]+", "", plain_heading(head)) for head in heads}
    found = []
    for jaw_first in (True, False):
        made = {
            (first[jaw] + first[side] if jaw_first else first[side] + first[jaw]): quadrant
            for (jaw, side), quadrant in _QUADRANTS.items()
        }
        if len(made) == len(_ORDER) and all(b in made for b in bare.values()):
            found.append({head: made[b] for head, b in bare.items()})
    return found


def _share(some: pl.DataFrame, every: pl.DataFrame) -> float:
    return int(some["n"].sum()) / max(int(every["n"].sum()), 1)
