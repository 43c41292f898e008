"""The text of a proposed PRACTICE.toml, each line with the reason for it in a comment."""

import fnmatch
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path, PurePosixPath

import polars as pl

from pipeline.machine.inside_folder import SETTING
from pipeline.practice.codes import BUILT_IN
from pipeline.practice.counts import count
from pipeline.practice.fields import kind
from pipeline.practice.tables import INPUT_TABLES
from pipeline.reading.sources import has_sheets, is_archive
from pipeline.reading.sources.grouped import stem
from pipeline.reading.suggest import forms
from pipeline.reading.suggest.code_words import told_beside
from pipeline.reading.suggest.forms import Decision, crown_date
from pipeline.reading.suggest.group import Group
from pipeline.reading.suggest.match import ASK, FieldMatch
from pipeline.reading.suggest.pieces import Piece
from pipeline.reading.suggest.profile import Column
from pipeline.reading.suggest.shapes import form_of_names
from pipeline.reading.suggest.shown import masked_samples, plain, quoted, quoted_list
from pipeline.reading.suggest.value_words import value_lines

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_MANY_FILES = 3
_TOTALS = [
    "",
    "# What your software's own report says of whole years, as far as you have it: loading stops where files differ.",
    "# [control_totals]",
    "# 2023 = { patients = 2104, root_canals = 391, crowns = 412, extractions = 188, fees = 1264300 }",
]


def toml_text(
    chosen: Mapping[str, Group],
    *,
    spoken: Mapping[str, Sequence[Piece]],
    left: Sequence[Group],
    troubles: Sequence[Piece],
    folder: Path,
    system: Decision | None = None,
) -> str:
    """The whole file; `folder` is where it will lie, `system` the code system where it is a list of their own."""
    tables = [t for t in INPUT_TABLES if t in chosen or t in spoken]
    dates = {t: _dates(t, g) for t, g in chosen.items()}
    lines = _practice(chosen, spoken, dates, system)
    lines += _outside(chosen, spoken, folder)
    if "procedures" not in tables:
        lines += ["", "# The ledger is missing: one row a procedure, with patient, date and code. It is always needed."]
        lines += ["[tables.procedures]", f'files = ["{ASK}"]  # which file is the ledger?']
    for table in tables:
        names = [_from(p.path, folder) for p in spoken.get(table, ())]
        like = [name for group in left if group.match.table == table == "procedures" for name in group.names]
        lines += ["", *_table(table, chosen.get(table), names, dates.get(table), folder, others=like)]
    lines += _codes(chosen, lines, left)
    lines += _TOTALS + _left(left, troubles)
    return "\n".join(lines) + "\n"


def _practice(
    chosen: Mapping[str, Group],
    spoken: Mapping[str, Sequence[Piece]],
    dates: Mapping[str, forms.DateForms],
    own: Decision | None,
) -> list[str]:
    teeth = [c for g in chosen.values() if (c := g.column("tooth")) is not None]
    ledger = chosen.get("procedures")
    codes = [c] if ledger is not None and (c := ledger.column("code")) is not None else []
    notation = forms.notation(teeth)
    system = own or forms.code_system(codes)
    if not chosen:  # only files that say themselves how they are written
        notation = Decision("universal", "not used: these files say themselves how teeth are numbered")
    if ledger is None and spoken:
        lists = ", ".join(BUILT_IN)
        system = Decision("cdt", f"the list by which codes are understood: {lists} or the path of a CSV")
    lines = [
        "# Proposed by `toothyears suggest`. Nothing left this machine, and the files were only read.",
        '# Read each line; where the value is "ask", put the answer in its place.',
        "# Samples are masked: 9 is a digit, x a letter.",
        "# sure: heading and values agree. likely: one of them says so, and no other column comes near.",
        "# ask: several columns fit, or the files cannot say.",
        "",
        "[practice]",
        'name = "The practice"  # as it is to stand on the pages',
        'database = "practice.duckdb"',
        _line("tooth_notation", notation),
        _line("code_system", system),
        _line("crown_date", crown_date(chosen, system.value)),
    ]
    if years := [d.years for d in dates.values() if d.years]:
        why = f"a year without quotation marks, as 1950. {years[0]}"
        lines.append(_line("two_digit_years_from", Decision(ASK, why)))
    if serials := [d.serial for d in dates.values() if d.serial]:
        lines.append(_line("serial_dates", Decision(ASK, serials[0])))
    return lines


def _table(
    table: str,
    group: Group | None,
    names: list[str],
    dates: forms.DateForms | None,
    folder: Path,
    *,
    others: Sequence[str] = (),
) -> list[str]:
    """The section of one table; `others` look like it too, and would be left out without a question."""
    lines = [f"[tables.{table}]"]
    if group is None or dates is None:
        return [*lines, f"files = {quoted_list(names)}  # these files name our fields themselves"]
    files = quoted_list(names + _patterns(group.pieces, folder) + ([ASK] if others else []))
    lines.append(f"files = {files}  # {_size(group)}{_ask_of(others)}")
    if sheets := group.pieces[0].sheets:
        lines.append(f"sheets = {quoted_list(list(sheets))}")
    if group.encoding and not has_sheets(group.pieces[0].path):
        lines.append(f"encoding = {quoted(group.encoding)}")
    for heading, new in group.renamed.items():
        lines.append(f"renamed.{quoted(heading)} = {quoted(new)}  # likely: what other files call this column")
    lines += [f"{line.key} = {line.value}  # {plain(line.why)}" for line in group.pieces[0].layout]
    if not group.pieces[0].headings:
        lines.append("header_row = 0  # no row of headings was found: columns are called by their place")
    if dates.order:
        lines.append(_line("date_format", Decision(ASK, dates.order)))
    if dates.parted_by:
        lines.append(_line("date_order_by", dates.parted_by))
    lines += [f"# Dates: {plain(said)}" for said in dates.said]
    question, settled = forms.decimals(_of_kinds(table, group, ("fee", "number")), parts=_parts(group))
    lines += [_line("decimal", Decision(ASK, question))] if question else []
    lines += [f"# Numbers: {settled}"] if settled else []
    made = {line.makes for line in group.pieces[0].layout}
    for match in group.match.fields:
        if match.column is None or match.column.name not in made:
            lines.append(_file_name_line(match, group) or _column_line(match))
    for match in group.match.fields:
        if match.column is not None:
            lines += [_value_line(match.field, *line) for line in value_lines(table, match.field, match.column)]
    used = {c.place for f in group.match.fields for c in (f.column, *f.rivals) if c is not None}
    if rest := [_called(c) for c in group.file.columns if c.place not in used]:
        lines.append(f"# Not used: {', '.join(rest[:60])}")
    return lines


def _file_name_line(match: FieldMatch, group: Group) -> str:
    """Where no column holds the patient and there are several files: whether their names do."""
    paths = list(dict.fromkeys(p.path for p in group.pieces))
    files = [p.name for p in paths]
    if len(group.pieces) == 1 and is_archive(paths[0]):
        files = [PurePosixPath(name).name for name in group.pieces[0].sheets]
    if match.field != "patient_id" or match.column is not None or match.rivals or len(files) < _MANY_FILES:
        return ""
    named = [stem(name) for name in files]
    form = form_of_names(named) or "{patient_id}"
    samples = masked_samples(pl.DataFrame({"text": named, "n": [1] * len(named)}))
    return (
        f'file_name = "{ASK}"  # ask: no column holds the patient. If each file is of one patient, and its name holds '
        f"the number (the {count(len(files), 'file', 'is')} called such as {' | '.join(samples)}), write "
        f"{quoted(form)}; else put columns.patient_id in place of this line"
    )


def _column_line(match: FieldMatch) -> str:
    if match.column is None:
        seen = match.seen or ("",) * len(match.rivals)
        each = zip(match.rivals, seen, strict=True)
        named = ", ".join(f"{_called(c)} ({_forms(c)}{'; ' if said else ''}{said})" for c, said in each)
        which = f"which of {named}?" if match.rivals else "which column is it?"
        return f'columns.{match.field} = "{ASK}"  # ask: {which} {match.why[0].upper()}{match.why[1:]}'
    why = f"{match.sureness}: {plain(match.why)}; {_forms(match.column)}"
    return f"columns.{match.field} = {quoted(match.column.name)}  # {why}"


def _value_line(field: str, word: str, meant: str, why: str) -> str:
    key = word if _BARE.fullmatch(word) else quoted(word)
    return f'values.{field}.{key} = "{meant}"  # {plain(why)}'


def _forms(column: Column) -> str:
    samples = masked_samples(column.common)
    shown = f"such as {' | '.join(samples)}" if samples else "empty"
    return shown if column.filled >= 0.995 else f"{shown}, {column.filled:.0%} filled"


def _dates(table: str, group: Group) -> forms.DateForms:
    told = any(p.serial_dates for p in group.pieces)
    dated = _of_kinds(table, group, ("date",))
    others = [c for c in group.file.columns if c.heading and c not in [column for _, column in dated]]
    return forms.date_forms(dated, serial_told=told, parts=_parts(group), others=others)


def _parts(group: Group) -> Callable[[Column], list[pl.DataFrame]]:
    """Gives `text, n` of a column in each file, or file of an archive, by itself."""
    frames = [rows for piece in group.pieces for rows in (piece.parts or (piece.rows,))]

    def parts(column: Column) -> list[pl.DataFrame]:
        texts = [rows[column.name].drop_nulls() for rows in frames if column.name in rows.columns]
        return [of.alias("text").value_counts(name="n").cast({"n": pl.Int64}) for of in texts]

    return parts


def _of_kinds(table: str, group: Group, kinds: tuple[str, ...]) -> list[tuple[str, Column]]:
    return [(f.field, f.column) for f in group.match.fields if f.column is not None and kind(table, f.field) in kinds]


def _codes(chosen: Mapping[str, Group], lines: Sequence[str], left: Sequence[Group]) -> list[str]:
    ledger = chosen.get("procedures")
    column = ledger.column("code") if ledger is not None else None
    system = next((line.split('"')[1] for line in lines if line.startswith("code_system")), ASK)
    if ledger is None or column is None or system not in BUILT_IN:
        return []
    told = told_beside(column, system, [ledger.file, *(group.file for group in left)], rows=ledger.rows_seen)
    unknown = [(code, rows) for code, rows in forms.unknown_codes([column], system) if code not in told]
    out = [f'{quoted(code)} = "{event}"  # {why}' for code, (event, why) in told.items()]
    if unknown:
        out += [f"# Codes that the list {system} does not know, the commonest first. They count as contacts with the"]
        out += [
            "# patient. Take the # away and name the event where a code is for a crown, a root canal or an extraction."
        ]
        out += [f'# {quoted(code)} = "other"  # {count(rows, "row")}' for code, rows in unknown]
    return ["", "[codes]", *out] if out else []


def _left(left: Sequence[Group], troubles: Sequence[Piece]) -> list[str]:
    out = []
    for group in left:
        for name in group.names:
            if group.match.table is None:
                out.append(f"# {plain(name)}: no table that we know was found in it.")
            else:
                out.append(
                    f"# {plain(name)}: looks like {group.match.table} too, with other columns than above. One table "
                    "is read by one set of headings: give the columns the same headings and add the file."
                )
    out += [f"# {plain(p.trouble or '')}" for p in troubles]
    return ["", "# Files that are not used", *out] if out else []


def _ask_of(others: Sequence[str]) -> str:
    if not others:
        return ""
    return (
        f"; ask: {plain(', '.join(others))} looks like a ledger too, under other headings, and would not be read. If "
        f'it holds work that is not in the others, put its name in place of "{ASK}" and write '
        'renamed."<its heading>" = "<the heading named below>" for each column (of sheets of one file '
        'columns.code = ["<heading>", "<heading>"], of which the first that is filled counts); else take '
        f'"{ASK}" out of the list'
    )


def _patterns(pieces: Sequence[Piece], folder: Path) -> list[str]:
    """One pattern if it matches just these files of their folder, else each by name."""
    paths = list(dict.fromkeys(p.path for p in pieces))
    if len(paths) >= _MANY_FILES and len({p.parent for p in paths}) == 1:
        names = [p.name for p in paths]
        stem = _common_start(names).rstrip("0123456789")  # a year is not cut in two
        end = _common_start([n[::-1] for n in names])[::-1]
        pattern = f"{stem}*{end}"
        there = [p.name for p in paths[0].parent.iterdir() if fnmatch.fnmatchcase(p.name, pattern)]
        if len(stem) >= 3 and not re.search(r"[\[\]?*]", stem + end) and sorted(there) == sorted(names):
            return [_from(paths[0].parent / pattern, folder)]
    return [_from(p, folder) for p in paths]


def _common_start(names: Sequence[str]) -> str:
    low, high = min(names), max(names)
    same = next((n for n, (a, b) in enumerate(zip(low, high, strict=False)) if a != b), len(low))
    return low[:same]


def _outside(chosen: Mapping[str, Group], spoken: Mapping[str, Sequence[Piece]], folder: Path) -> list[str]:
    """The line that allows files outside the folder of the TOML, where those given lie there."""
    pieces = [p for g in chosen.values() for p in g.pieces] + [p for of in spoken.values() for p in of]
    if all(p.path.resolve().is_relative_to(folder) for p in pieces):
        return []
    return [f"{SETTING} = true  # files that you gave lie outside the folder of this file"]


def _from(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.as_posix()


def _size(group: Group) -> str:
    looked = sum(p.rows.height for p in group.pieces)
    all_of_it = "all looked at" if all(p.whole for p in group.pieces) else f"{looked:,} from start to end looked at"
    return f"{count(group.rows_seen, 'row')}, {all_of_it}"


def _called(column: Column) -> str:
    return plain(column.heading or column.name)


def _line(key: str, decision: Decision) -> str:
    return f'{key} = "{decision.value}"  # {plain(decision.why)}'
