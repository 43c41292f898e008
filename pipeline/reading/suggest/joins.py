"""Lists that a ledger names rows of by their keys, among the files given: words, teeth, visits of a database.

A column is such a key where each of its values stands in a column of the list that holds every value once, and the two
are called alike (`code_id` and the `id` of `code.csv`) or the list has hardly a key more. A list of patients is a table
of its own: the key by which rows name it is the patient.
"""

import os
import re
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path, PurePosixPath

import polars as pl

from pipeline.practice.codes import BUILT_IN
from pipeline.practice.table_settings import Join
from pipeline.reading.headings import PART, fit, plain_heading
from pipeline.reading.sources.joined import Joined, key_text, prefix
from pipeline.reading.sources.nested_records import ALONE
from pipeline.reading.sources.source import Batch, Source, Spoken
from pipeline.reading.suggest.code_words import otherwise_beside
from pipeline.reading.suggest.looked import LayoutLine
from pipeline.reading.suggest.match import match_file
from pipeline.reading.suggest.pieces import Piece
from pipeline.reading.suggest.profile import Column, tells
from pipeline.reading.suggest.sample import SampledSource
from pipeline.reading.suggest.shown import quoted

_MOST_JOINS, _LEAST_ROWS, _MOST_COLUMNS, _FEW_COLUMNS = 6, 8, 40, 8
_FOLLOWS = 0.95  # share of the rows whose birth date follows from another number, that of the patient
_KEY_WORDS = frozenset(["id", "ids", "key", "no", "nr", "num", "number", "code", "pk", "fk", "ref"])
_PLACED = re.compile(r"[a-z]{0,6} ?\d+")  # `c3`, `column 3`: where it stands, and no name
_OWN_ROW = "each row has its own, and rows elsewhere name it"
_USED = 0.5  # share of the list's keys that rows name, where it is no more than a list of ids


def with_joins(pieces: Sequence[Piece], folder: Path) -> list[Piece]:
    """The pieces, with the columns of their lists on those that name rows of them; the lists themselves left out."""
    pieces = _with_patients(pieces)
    # Who has one row each is a table of its own; whose rows name such a list may themselves be named, as visits are.
    lists = [p for p in pieces if _is_list(p) and not any(why == _OWN_ROW for _, _, why in p.told)]
    of = {id(p): _joined(p, [one for one in lists if one is not p], folder) for p in pieces if _may_name(p)}
    used = {id(one) for _, taken in of.values() for one in taken}
    return [of[id(p)][0] if id(p) in of else p for p in pieces if id(p) not in used]


def _with_patients(pieces: Sequence[Piece]) -> list[Piece]:
    """The pieces, with what lists of patients among them show: the column by which they are named is the patient."""
    lists = [p for p in pieces if _is_list(p) and p.whole]
    keys: dict[int, str] = {}

    def is_key(key: str, one: Piece) -> bool:
        if id(one) not in keys:
            keys[id(one)] = _key_of_patients(one)
        return key == keys[id(one)]

    def is_patients(one: Piece) -> bool:
        return one.whole and not is_key("", one)

    told: dict[int, tuple[str, str, str]] = {}
    for piece in filter(_may_name, pieces):
        named = _named(piece.rows, piece.headings)
        for one in lists:
            if one is piece:
                continue
            found = ((h, _key_of(h, texts, one)) for h, texts in named.items())
            heading, key = next(((h, k) for h, k in found if k), ("", None))
            # What is itself a list of patients names none of another; that is asked last, for it takes longest to tell.
            if key and not _is_around(one, piece) and is_key(key, one) and not is_patients(piece):
                why = f'each stands in "{key}" of {one.path.name}, a list of patients, once'
                told[id(piece)] = (heading, "patient_id", why)
                told[id(one)] = (key, "patient_id", _OWN_ROW)
    return [replace(p, told=(told[id(p)],)) if id(p) in told else p for p in pieces]


def _key_of_patients(piece: Piece) -> str:
    """The column that every patient of a list has once; empty for other lists, also of visits with a birth date."""
    file = piece.alone
    match = match_file(file, hint=piece.path.stem)
    found = {f.field: f.column for f in match.fields if f.column is not None}
    key = found.get("patient_id")
    if match.table != "patients" or key is None:
        return ""
    if (born := found.get("birth_date")) is None:
        is_named = any(map(_is_of_patients, (piece.path.stem, " ".join(piece.sheets), key.name)))
        return key.name if "sex" in found and is_named else ""
    again = [
        c for c in file.columns if c is not key and c is not born and c.filled >= _USED and c.distinct > _FEW_COLUMNS
    ]
    return "" if any(tells(c, born) >= _FOLLOWS for c in again) else key.name


def _may_name(piece: Piece) -> bool:
    is_bare = all(line.key == "encoding" for line in _laid_out(piece))
    return _is_list(piece) and is_bare and piece.rows.height >= _LEAST_ROWS


def _laid_out(piece: Piece) -> tuple[LayoutLine, ...]:
    """How a piece is laid out, but for cells that may be filled from above: rows of a database stand alone."""
    return tuple(line for line in piece.layout if line.key != "fill_down")


def _is_list(piece: Piece) -> bool:
    is_plain = bool(piece.headings) and len(piece.headings) <= _MOST_COLUMNS and len(piece.sheets) <= 1
    return is_plain and not (piece.trouble or piece.tables or piece.worksheet)


def _joined(piece: Piece, lists: Sequence[Piece], folder: Path) -> tuple[Piece, list[Piece]]:
    """A piece with the columns of its lists, and those."""
    joins: list[tuple[Join, Piece]] = []
    rows, headings = piece.rows, list(piece.headings)
    left = [one for one in lists if one.rows.height < max(piece.rows_seen, 1) and not _is_around(one, piece)]
    while left and len(joins) < _MOST_JOINS:
        best = next(
            (
                (heading, key, one)
                for heading, texts in _named(rows, headings).items()
                for one in left
                if one.whole
                and (key := _key_of(heading, texts, one))
                and not any(prefix(_join(one, heading, "", folder)) + h in headings for h in one.headings)
                and (not _is_known_code(rows, heading) or _says_otherwise(one, key))
            ),
            None,
        )
        if best is None:
            break
        heading, key, one = best
        join = _join(one, heading, key, folder)
        whole = Joined(_held(rows), (join,), piece.path.name, partial(_rows_of, one))
        rows = next(iter(whole.batches())).rows
        headings = [h for h in rows.columns if h not in {heading, *(done.on for done, _ in joins)}]
        joins.append((join, one))
        left = [other for other in left if other is not one]
    if not joins:
        return piece, []
    value = ", ".join(_inline(join) for join, _ in joins)
    told = "; ".join(f'each "{join.on}" stands in {one.path.name}, once' for join, one in joins)
    line = LayoutLine("joined", f"[{value}]", f"likely: {told}. Its columns are called {prefix(joins[0][0])}...")
    # The key of a list of clinicians or clinics still names them, where the list has no better name.
    by_key = [
        join.on for join, one in joins if (_names(join.on) or _of_people(one)) and not any(_names(h) for h in headings)
    ]
    headings = [h for h in rows.columns if h in {*headings, *by_key}]
    people = [
        (join.on, "provider_id", f"its list is called {name}") for join, one in joins if (name := _of_people(one))
    ]
    of_lists = [(prefix(join) + h, field, why) for join, one in joins for h, field, why in one.told]
    told_too = [*(one for one in people if one[0] in by_key), *(one for one in of_lists if one[0] in headings)]
    piece = replace(piece, told=(*piece.told, *told_too))
    changed = replace(piece, rows=pl.DataFrame({h: rows.get_column(h) for h in headings}), headings=tuple(headings))
    return replace(changed, layout=(*_laid_out(piece), line)), [one for _, one in joins]


def _held(rows: pl.DataFrame) -> SampledSource:
    """Rows held, as a source."""
    batch = Batch(pl.Series(range(1, rows.height + 1)), rows, pl.DataFrame())
    return SampledSource(rows.columns, Spoken(), [batch], rows.height, whole=True)


def _rows_of(piece: Piece, _: Join) -> Source:
    return _held(piece.rows)


def _join(one: Piece, on: str, key: str, folder: Path) -> Join:
    return Join(os.path.relpath(one.path, folder), on, key, one.sheets[0] if one.sheets else "")


def _inline(join: Join) -> str:
    parts = {"file": Path(join.file).as_posix(), "sheet": join.sheet, "on": join.on, "key": join.key}
    if join.key == join.on:
        parts["key"] = ""
    return "{ " + ", ".join(f"{name} = {quoted(text)}" for name, text in parts.items() if text) + " }"


def _is_of_patients(heading: str) -> bool:
    """Whether a column names the patient, whose list is a table of its own."""
    return fit(heading, "patient_id") >= PART and "visit" not in plain_heading(heading)


def _is_around(one: Piece, piece: Piece) -> bool:
    """Whether a list holds the records around those of a piece of one file, what it says standing on them already."""
    if one.path != piece.path or not (one.sheets and piece.sheets):
        return False
    return one.sheets[0] == ALONE or piece.sheets[0].startswith(f"{one.sheets[0]}.")


def _of_people(one: Piece) -> str:
    """What a list is called, if that is a word for clinicians: its key is who treated."""
    name = PurePosixPath(one.sheets[0] if one.sheets else one.path.name).stem
    return name if fit(name, "provider_id") >= PART else ""


def _names(heading: str) -> bool:
    """Whether a column is called as one of clinicians or clinics is."""
    return max(fit(heading, field) for field in ("provider_id", "site_id")) >= PART


def _is_known_code(rows: pl.DataFrame, heading: str) -> bool:
    """Whether a column holds codes that a built-in list knows, which need no other."""
    column = Column(1, heading, heading, rows[heading])
    is_id = "id" in plain_heading(heading).split()
    return column.filled > 0 and not is_id and max(column.codes[system] for system in BUILT_IN) >= PART


def _says_otherwise(one: Piece, key: str) -> bool:
    """Whether the words of a list name other work than the built-in list that knows its keys: the keys are its own."""
    return otherwise_beside(one.rows[key], (one.rows[h] for h in one.headings if h != key)) is not None


def _named(rows: pl.DataFrame, headings: Sequence[str]) -> dict[str, frozenset[str]]:
    """What the columns hold that may name rows elsewhere, several of them again and again; not those of patients."""
    found = {}
    for heading in headings:
        if not _is_of_patients(heading):
            texts = key_text(rows[heading])
            texts = texts.filter(texts != "")
            distinct = texts.unique()
            if 2 <= distinct.len() < texts.len() and distinct.str.contains(r"^[\w-]{1,40}$").all():
                found[heading] = frozenset(distinct)
    return found


def _key_of(heading: str, texts: frozenset[str], one: Piece) -> str | None:
    """The column of a list that holds every text of a column once, if the two are called so that it is no chance."""
    for key, keys in one.keys.items():
        if texts <= keys and _called_alike(heading, key, one, len(texts) / len(keys)):
            return key
    return None


def _called_alike(heading: str, key: str, one: Piece, share: float) -> bool:
    ours, theirs = plain_heading(heading.rstrip(".").rpartition(".")[2]), plain_heading(key)
    name = plain_heading(one.sheets[0] if one.sheets else one.path.stem)
    bare, bare_key = (_bare(text) for text in (ours, theirs))
    if fit(heading, "code") >= PART and fit(key, "code") >= PART:
        return True
    if not (set(ours.split()) | {ours[-2:]}) & _KEY_WORDS and ours not in (theirs, bare_key):
        return False
    if ours == bare_key and bare_key != theirs and not _PLACED.fullmatch(ours):
        return True
    if ours == theirs and bare and not _PLACED.fullmatch(bare):
        return True
    is_key = not bare_key or bare_key in (bare, name)
    alike = bool(bare) and (name.startswith(bare[:4]) or bare.startswith(name.rstrip("s")[:4]) or bare in name)
    return is_key and (alike or (not bare_key and share >= _USED and len(one.headings) <= _FEW_COLUMNS))


def _bare(text: str) -> str:
    return " ".join(word for word in text.split() if word not in _KEY_WORDS)
