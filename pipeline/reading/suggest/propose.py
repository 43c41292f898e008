"""Unknown files to a proposed PRACTICE.toml: which file is which table, which column which field, and what to ask. The
files are only read, on this machine; of their values headings, words to be mapped and codes alone get into the text."""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipeline.machine.errors import ConfigError, DataError
from pipeline.practice.codes import BUILT_IN, built_in, normalise_code
from pipeline.practice.counts import count
from pipeline.practice.fields import REQUIRED_FIELDS
from pipeline.practice.tables import INPUT_TABLES
from pipeline.practice.teeth import parse_teeth
from pipeline.reading.open_questions import open_questions
from pipeline.reading.suggest.code_words import likely_events
from pipeline.reading.suggest.forms import Decision
from pipeline.reading.suggest.group import Group, ask_of_twice, with_more_sheets
from pipeline.reading.suggest.joins import with_joins
from pipeline.reading.suggest.match import (
    TableMatch,
    headings_speak,
    likely_ledger,
    match_file,
    match_worksheet,
    nearest_field,
)
from pipeline.reading.suggest.own_codes import own_codes, why_written
from pipeline.reading.suggest.pieces import Piece, in_one_encoding, open_pieces, profile
from pipeline.reading.suggest.profile import Column, FileProfile
from pipeline.reading.suggest.shown import masked_samples
from pipeline.reading.suggest.toml_text import toml_text
from pipeline.transforms.dates import gather_evidence

_MOST_SHOWN = 30
_SOMETHING = 0.5
_LEAST_ROWS = 20  # of what is taken for a ledger though it is not known for one


@dataclass(frozen=True)
class Suggestion:
    """`text` is the TOML; `found` says in a line a file what each was taken for; `questions` counts what is asked;
    `codes` is a list of own codes to be filled in, to be written beside the TOML as `codes_name`."""

    text: str
    found: tuple[str, ...]
    questions: int
    codes: str | None = None
    codes_name: str = ""


def suggest(
    files: Sequence[Path],
    *,
    folder: Path,
    encoding: str | None = None,
    codes_name: str = "codes.csv",
    say: Callable[[str], None] = lambda _: None,
) -> Suggestion:
    """Propose a PRACTICE.toml for unknown files, to lie in `folder`; `encoding` is that of texts that do not show it,
    and a list of the practice's own codes, where one is needed, is to lie beside it as `codes_name`. Raises DataError
    if none of the files can be read, or none has rows of a table that we know."""
    pieces: list[Piece] = []
    for path in dict.fromkeys(Path(f).resolve() for f in files):
        say(f"{path.name}: looking at it")
        pieces += open_pieces(path, encoding)
    pieces = with_joins(in_one_encoding(pieces), folder.resolve())
    groups = _groups(pieces)
    chosen, left = _under_other_names(*with_more_sheets(*_choose(groups), _group))
    spoken = {t: [p for p in pieces if t in p.tables] for t in INPUT_TABLES}
    spoken = {t: found for t, found in spoken.items() if found}
    troubles = [p for p in pieces if p.trouble]
    unsure: list[str] = []
    if not chosen and not spoken and (likely := _likeliest(left)) is not None:
        chosen, left = {"procedures": likely}, [g for g in left if g.pieces is not likely.pieces]
        unsure = _seen(likely)
    if not chosen and not spoken:
        seen = [p.trouble or "" for p in troubles] + ["\n  ".join(_seen(g)) for g in left]
        why = "".join(f"\n  {text}" for text in seen)
        raise DataError(
            "none of these files holds a table that we know: procedures, patients, endo details, crown details or "
            f"findings.{why}\n  Give the export of the ledger: one row a procedure, with patient, date and code."
        )
    if encoding:
        chosen = {t: replace(group, encoding=encoding) for t, group in chosen.items()}
    # The texts of a column that only may be the codes can be anything, names too.
    is_open = bool(unsure) and all(f.column is None for f in chosen["procedures"].match.fields if f.field == "code")
    own = None if is_open else own_codes(chosen)
    system = None if own is None else Decision(codes_name, why_written(codes_name, own))
    text = toml_text(chosen, spoken=spoken, left=left, troubles=troubles, folder=folder.resolve(), system=system)
    found = _found(chosen, spoken, left, troubles) + unsure
    asked = len(open_questions(text))
    if own is None:
        return Suggestion(text, tuple(found), asked)
    found.append(f"{codes_name}: {count(own.codes, 'code')} that no built-in list knows, {own.open} of them to fill in")
    return Suggestion(text, tuple(found), asked + own.open, own.text, codes_name)


def write_suggestion(suggestion: Suggestion, out: Path) -> Path:
    """Write the TOML as a new file; raises ConfigError if it is there (it is never overwritten) or cannot be."""
    if suggestion.codes is not None and not out.exists():
        _write_new(out.with_name(suggestion.codes_name), suggestion.codes, encoding="utf-8-sig")
    _write_new(out, suggestion.text, encoding="utf-8")
    return out


def _write_new(out: Path, text: str, *, encoding: str) -> None:
    try:
        with out.open("x", encoding=encoding, newline="\n") as stream:
            stream.write(text)
    except FileExistsError as error:
        raise ConfigError(
            f"{out.name} is there already and is not overwritten. Name another file with --out, or move it away."
        ) from error
    except OSError as error:
        raise ConfigError(f"{out.name} cannot be written: {os.strerror(error.errno or 0)}.") from error


def _groups(pieces: Sequence[Piece]) -> list[Group]:
    """Pieces of one shape together: of the same headings or, where these mean nothing, of the same fields."""
    shapes: dict[tuple[object, ...], list[Piece]] = {}
    for number, piece in enumerate(pieces):
        if piece.trouble or piece.tables:
            continue
        alone = () if piece.headings and headings_speak(piece.alone) else (number,)
        laid_out = tuple((line.key, line.value) for line in piece.layout)
        # Columns are read by their headings, so their order does not matter.
        shapes.setdefault((tuple(sorted(piece.headings)), piece.sheets, laid_out, *alone), []).append(piece)
    return _merged([_group(members) for members in shapes.values()])


def _merged(groups: list[Group]) -> list[Group]:
    """Files whose columns are called alike and are the same fields, together: ledgers of two years, say."""
    alike: dict[tuple[object, ...], list[Group]] = {}
    for number, group in enumerate(groups):
        key: tuple[object, ...] = (number,)
        first = group.pieces[0]
        if group.match.table is not None:
            fields = tuple((f.field, f.column.name) for f in group.match.fields if f.column is not None)
            key = (group.match.table, len(group.file.columns), first.headings, first.sheets, first.layout, fields)
        alike.setdefault(key, []).append(group)
    return [of[0] if len(of) == 1 else _group([p for g in of for p in g.pieces]) for of in alike.values()]


def _group(pieces: list[Piece]) -> Group:
    file = profile(pieces)
    first = pieces[0]
    if first.worksheet is not None:
        return Group(pieces, file, match_worksheet(file, first.worksheet))
    match = match_file(file, hint=" ".join([first.path.stem, *first.sheets]))
    return Group(pieces, file, ask_of_twice(match, file))


def _choose(groups: list[Group]) -> tuple[dict[str, Group], list[Group]]:
    """The group that each table is read from: the one with most rows. Others, and what is no table, are left. Visits
    with a birth date are taken for a list of patients only where nothing else is."""
    chosen: dict[str, Group] = {}
    for group in sorted(groups, key=lambda g: (_has_no_key(g), -g.rows_seen, g.pieces[0].path.name)):
        table = group.match.table
        if table is not None and table not in chosen:
            chosen[table] = group
    return {t: chosen[t] for t in INPUT_TABLES if t in chosen}, [g for g in groups if g not in chosen.values()]


def _likeliest(left: Sequence[Group]) -> Group | None:
    """The largest of the groups that may be a ledger though one thing that a ledger needs was not found."""
    for group in sorted(left, key=lambda g: -g.rows_seen):
        if group.rows_seen >= _LEAST_ROWS and not hints(group.file):
            match = likely_ledger(group.file)
            if match.table is not None:
                return replace(group, match=match)
    return None


def _has_no_key(group: Group) -> bool:
    return group.match.table == "patients" and any(
        f.field == "patient_id" and f.column is None for f in group.match.fields
    )


def _under_other_names(chosen: dict[str, Group], left: list[Group]) -> tuple[dict[str, Group], list[Group]]:
    """Groups left that hold the same columns under other headings, taken in: ledgers of two programs, say."""
    taken: list[Group] = []
    for group in left:
        main = chosen.get(group.match.table or "")
        names = None if main is None else _other_names(main, group)
        if main is None or names is None:
            continue
        pieces = main.pieces + [_renamed(piece, names, main.pieces[0].rows.columns) for piece in group.pieces]
        merged = _group(pieces)
        if merged.match.table is None:  # both are such a table by themselves: days in two orders are told file by file
            merged = replace(main, pieces=pieces, file=merged.file, match=_within(merged.file, main.match))
        if merged.match.table != group.match.table:
            continue
        chosen[merged.match.table or ""] = replace(merged, renamed={**main.renamed, **names})
        taken.append(group)
    return chosen, [g for g in left if g not in taken]


def _within(file: FileProfile, match: TableMatch) -> TableMatch:
    """A match with the columns of those names in another profile."""
    named = {c.name: c for c in file.columns}
    fields = (
        replace(
            f, column=None if f.column is None else named[f.column.name], rivals=tuple(named[c.name] for c in f.rivals)
        )
        for f in match.fields
    )
    return replace(match, fields=tuple(fields))


def _other_names(main: Group, other: Group) -> dict[str, str] | None:
    """What `other` calls the columns of `main`; None where the two cannot be read as one table."""
    a, b = main.pieces[0], other.pieces[0]
    if not a.headings or not b.headings or a.layout or b.layout or a.sheets or b.sheets or a.worksheet or b.worksheet:
        return None
    ours, theirs = main.sole_columns, other.sole_columns
    if len(ours) < len(main.match.fields) or len(theirs) < len(other.match.fields):
        return None
    if not ours.keys() <= theirs.keys():
        return None
    names = {theirs[name]: heading for name, heading in ours.items() if theirs[name] != heading}
    # A name must mean one thing in all files.
    if names.keys() & {c.name for c in main.file.columns} or set(names.values()) & {c.name for c in other.file.columns}:
        return None
    return names


def _renamed(piece: Piece, names: Mapping[str, str], columns: Sequence[str]) -> Piece:
    """A piece with the columns of the main group, under their headings there; those that it lacks are empty."""
    there = {names.get(h, h): piece.rows.get_column(h) for h in piece.rows.columns}
    empty = pl.Series([None] * piece.rows.height, dtype=pl.String)
    rows = pl.DataFrame({h: there.get(h, empty) for h in columns})
    told = tuple((names.get(heading, heading), field, why) for heading, field, why in piece.told)
    return replace(piece, rows=rows, headings=tuple(columns), told=told)


def _seen(group: Group) -> list[str]:
    """What was seen of a file that is no table that we know: each column, masked, and the field that comes nearest."""
    how = group.pieces[0].how
    lines = [f"{', '.join(group.names)}: {count(group.rows_seen, 'row')}{', ' if how else ''}{how}; columns seen:"]
    near_to = dict.fromkeys(REQUIRED_FIELDS["procedures"], 0.0)
    for column in group.file.columns[:_MOST_SHOWN]:
        shown = " | ".join(masked_samples(column.common)) or "empty"
        field, worth = nearest_field("procedures", column, group.file)
        near_to[field] = max(worth, near_to.get(field, 0.0))
        near = f"; most like {field}" if worth >= _SOMETHING else "; like no field of the ledger"
        lines.append(f"  {column.heading or column.name}: {shown}{near}")
    if len(group.file.columns) > _MOST_SHOWN:
        lines.append(f"  and {len(group.file.columns) - _MOST_SHOWN} more")
    lacking = [f for f in REQUIRED_FIELDS["procedures"] if near_to[f] < _SOMETHING]
    lines += [f"  {hint}" for hint in hints(group.file)]
    return lines + ([f"  no column is like {' or like '.join(lacking)}, which a ledger needs"] if lacking else [])


def _found(
    chosen: dict[str, Group], spoken: dict[str, list[Piece]], left: list[Group], troubles: list[Piece]
) -> list[str]:
    lines = []
    for table, group in chosen.items():
        mapped = sum(f.column is not None for f in group.match.fields)
        lines += [f"{name}: {table}, {mapped} of {len(group.file.columns)} columns mapped" for name in group.names]
    for table, pieces in spoken.items():
        lines += [f"{p.path.name}: {table}, in a standard form that needs no mapping" for p in pieces]
    for group in left:
        other = group.match.table
        what = f"{other}, but with other columns than the file used for it" if other else "no table that we know"
        lines += [f"{name}: {what}; not used" for name in group.names]
    return lines + [p.trouble or "" for p in troubles]


_LEAST, _LEAST_LINES, _PART_OF = 2, 8, 0.2
_NEARLY_ALL, _LEAST_TEETH = 0.9, 16


def hints(file: FileProfile) -> list[str]:
    """Sentences with the next step; empty where nothing is known."""
    found = []
    if _counts_work(file):
        found.append(
            "its columns are headed by procedures and hold numbers: it counts work and does not say when it was done. "
            "Export the procedures themselves, one row each, in place of the summary."
        )
    if (across := _teeth_across(file)) >= _LEAST_TEETH:
        found.append(
            f"{across} of its columns are headed by the numbers of teeth: it is a chart with a column a tooth, and its "
            "cells say what was done. Such a chart is not read. Let the software print the list of treatments, one row "
            "a piece of work with its tooth; a sheet kept by hand is turned so: for each filled cell a row with the "
            "patient, the date, the number above the cell as the tooth and its letter as the code."
        )
    if any(map(_has_lines_between, file.columns)):
        found.append(
            "one column has days in some rows and words in others: each piece of work may be written over two lines. "
            "Export it as a table with one row a procedure, or let the report print one line a piece of work."
        )
    for column in file.columns:
        e = gather_evidence(column.common)
        if e.filled and e.month_only >= _NEARLY_ALL * e.filled:
            found.append(
                f"{column.heading or column.name} has months without a day. What came first in a month, a root canal "
                "or a crown, cannot be told from that: export the day of each procedure."
            )
    return found


def _teeth_across(file: FileProfile) -> int:
    """How many columns are headed by a tooth's number alone."""
    headings = pl.Series([c.heading.strip() for c in file.columns if c.heading], dtype=pl.String)
    return max(parse_teeth(headings, notation=n)["tooth_fdi"].count() for n in ("fdi", "palmer"))


def _has_lines_between(column: Column) -> bool:
    """Whether days stand in a part of the rows and words in the others."""
    words = column.share(pl.col("text").str.contains(r"^\D*\p{L}{2}\D*$"))
    return column.n >= _LEAST_LINES and min(column.date_share, words) >= _PART_OF


def _counts_work(file: FileProfile) -> bool:
    headed = [c for c in file.columns if c.heading and (_is_code(c.heading) or len(likely_events(c.heading)) == 1)]
    return len(headed) >= _LEAST and all(c.number_share >= _NEARLY_ALL for c in headed if c.filled)


def _is_code(heading: str) -> bool:
    text = pl.DataFrame({"text": [heading]})
    return any(c.isalpha() for c in heading) and any(
        text.select(normalise_code(pl.col("text"), system=s).is_in(built_in(s)["code"].implode())).item()
        for s in BUILT_IN
    )
