"""Sheets for the readers, the key that leads back from a line to its film, and filled-in sheets turned to findings."""

import datetime as dt
import re
from collections.abc import Sequence
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.counts import count
from pipeline.reading.set_aside import disarmed
from pipeline.reading.sources.excel_book import read_sheets
from pipeline.reading.sources.excel_file import ALREADY_KNOWN
from pipeline.reading.worksheets.reading_list import KEY_COLUMNS, PAI_WORDS, UNREADABLE
from pipeline.reading.worksheets.workbook import Page, PageColumn, csv_bytes, field_column, workbook_bytes, write_marked

SHEET = "films"
_HEADS = ("line", "tooth", "pai")
_ANSWERS = {**{w: int(w) for w in PAI_WORDS}, UNREADABLE: None}
FINDING_FIELDS = ("patient_id", "tooth", "exam_date", "pai", "reader", "reading")


def write_reader_sheet(folder: Path, lines: pl.DataFrame, *, practice: str, made_on: dt.date) -> Path:
    """Write the sheet of one reader; returns its path. `lines` has `line, tooth, reader` in the order of the list. It
    names neither patient nor day, and none of what the key holds."""
    reader = str(lines["reader"][0])
    columns = (
        PageColumn("line"),
        PageColumn("tooth"),
        PageColumn("pai", "Periapical index of the worst root, or that the film cannot be read.",
                   words=(*PAI_WORDS, UNREADABLE), width=18),
    )  # fmt: skip
    page = Page(SHEET, columns, lines.select("line", "tooth").with_columns(pai=pl.lit(None, pl.String)))
    content = workbook_bytes(f"{practice}: films to read, {reader}", _instructions(reader), [page], made_on=made_on)
    name = re.sub(r"[^\w-]+", "-", reader).strip("-").lower() or "reader"
    # The mark of the list tells readers of like names apart; a sheet that is filled in already stays.
    mark = str(lines["line"][0]).partition("-")[0]
    return write_marked(folder, f"films-{name}-{mark}", ".xlsx", content, keep_former=True)


def write_key(path: Path, lines: pl.DataFrame) -> Path:
    """Add lines (`KEY_COLUMNS`, as the practice writes patient and tooth) to the key; returns the path. Lines of
    earlier lists stay; a list that is made again takes the place of itself. Readable by its owner alone."""
    former = read_key(path) if path.exists() else lines.clear()
    kept = former.filter(~pl.col("line").is_in(lines["line"].to_list()))
    rows = pl.concat([kept, lines.select(KEY_COLUMNS)]).sort("reader", "line")
    name = path.name.removesuffix(path.suffix).removesuffix("-holds-patient-data")
    return write_marked(path.parent, name, path.suffix, csv_bytes(rows.columns, rows.rows()))


def read_key(path: Path) -> pl.DataFrame:
    """The key as written by `write_key`, with days filled in by whoever collected the films. Raises DataError if it is
    not there, lacks a column, or a day is none or is not written like 2021-03-01."""
    try:
        rows = pl.read_csv(path, infer_schema=False, encoding="utf8-lossy")
    except FileNotFoundError:
        raise DataError(
            f"{path.name}: the key to the films is not there. It lay beside the database when the list was made; put "
            "it back, or make a new list and read again."
        ) from None
    except (OSError, pl.exceptions.PolarsError):
        raise DataError(f"{path.name}: this is no key to films. Put back the file that reading-list wrote.") from None
    rows = rows.rename({c: c.lstrip("\ufeff") for c in rows.columns})
    rows = rows.with_columns(disarmed(pl.all()))
    if lacking := [c for c in KEY_COLUMNS if c not in rows.columns]:
        raise DataError(f"{path.name}: has no column {lacking[0]}. Put back the file that reading-list wrote.")
    day = pl.col("exam_date").str.strip_chars().replace("", None)
    read = rows.select(KEY_COLUMNS).with_columns(day=day.str.to_date("%Y-%m-%d", strict=False), said=day)
    wrong = (read["said"].is_not_null() & read["day"].is_null()).arg_true()
    if wrong.len():
        raise DataError(
            f"{path.name}: line {int(wrong[0]) + 2}, exam_date: {wrong.len()} days are not written like 2021-03-01. "
            "A spreadsheet may have rewritten them; give the column the format of a text."
        )
    return read.with_columns(exam_date="day", reading=pl.col("reading").cast(pl.UInt8)).select(KEY_COLUMNS)


def read_filled(paths: Sequence[Path]) -> pl.DataFrame:
    """What filled-in sheets say: `line, pai, file, row`; `pai` is null where the film cannot be read. Lines left empty
    are left out; `row` is that of the spreadsheet. Raises DataError if a file is no such sheet, or a cell holds
    anything but 1 to 5 or that the film cannot be read. The message holds row numbers and no value."""
    parts = [_filled(path) for path in paths]
    return pl.concat(parts)


def findings_of(filled: pl.DataFrame, key: pl.DataFrame) -> pl.DataFrame:
    """Rows of `findings`: `FINDING_FIELDS`, one a line that was read, in the order of the key. Raises DataError if a
    line is not in the key, is filled in twice in different ways, or its film has no day yet."""
    told = filled.unique(["line", "pai"], keep="first", maintain_order=True)
    for rows, fault in (
        (told.join(key, on="line", how="anti"), "is not in the key: the sheet is of another practice, or was changed"),
        (told.filter(pl.col("line").is_duplicated()), "is filled in twice, in different ways: keep one"),
        (
            told.join(key.filter(pl.col("exam_date").is_null()), on="line", how="semi"),
            "has no exam_date in the key: write there the day of the film that was put before the readers",
        ),
    ):
        if rows.height:
            raise DataError(f"{rows['file'][0]}: line {rows['line'][0]} (row {rows['row'][0]}) {fault}.")
    read = told.filter(pl.col("pai").is_not_null()).select("line", "pai")
    return key.join(read, on="line").sort("reader", "line").select(FINDING_FIELDS)


def write_findings(folder: Path, rows: pl.DataFrame, *, practice: str, made_on: dt.date) -> Path:
    """Write findings as a workbook that loads as it stands; returns its path. A file that is there stays."""
    columns = tuple(field_column("findings", name) for name in FINDING_FIELDS)
    page = Page(
        "findings",
        (*columns, PageColumn(ALREADY_KNOWN)),
        rows.with_columns(pl.lit(None, pl.String).alias(ALREADY_KNOWN)),
    )
    lines = [
        "The readings of films that were read blind, one line each. Nothing is to be filled in.",
        "To load them, put this file into the folder of PRACTICE.toml and name it among the files of the table:",
        '[tables.findings]\nfiles = [..., "readings*.xlsx"]',
    ]
    content = workbook_bytes(f"{practice}: readings", lines, [page], made_on=made_on)
    return write_marked(folder, "readings", ".xlsx", content, keep_former=True)


def _filled(path: Path) -> pl.DataFrame:
    if not path.exists():
        raise DataError(f"{path.name}: there is no such file.")
    sheets = {name: cells for name, cells, _ in read_sheets(path, ())}
    cells = sheets.get(SHEET)
    found = None if cells is None else next((n for n, r in enumerate(cells.iter_rows()) if set(_HEADS) <= set(r)), None)
    if cells is None or found is None:
        raise DataError(
            f'{path.name}: has no sheet "{SHEET}" with the columns {", ".join(_HEADS)}. Give the sheet that '
            "reading-list wrote, filled in, as a workbook."
        )
    place = {str(text): name for name, text in zip(cells.columns, cells.row(found), strict=True)}
    rows = cells.with_row_index("row", offset=1).slice(found + 1)
    said = pl.col(place["pai"]).str.strip_chars().str.to_lowercase().str.replace(r"\.0$", "")
    told = rows.select(line=pl.col(place["line"]), said=said, row="row", file=pl.lit(path.name))
    told = told.filter(pl.col("said").is_not_null() & (pl.col("said") != ""))
    wrong = told.filter(~pl.col("said").is_in(list(_ANSWERS)) | pl.col("line").is_null())
    if wrong.height:
        raise DataError(
            f"{path.name}: sheet {SHEET}, row {wrong['row'][0]}, pai: {count(wrong.height, 'cell', 'is')} neither 1 "
            f'to 5 nor "{UNREADABLE}", or no line is beside. Choose from the list, or empty the cell.'
        )
    pai = pl.col("said").replace_strict(_ANSWERS, return_dtype=pl.UInt8)
    return told.select("line", "file", "row", pai=pai)


def _instructions(reader: str) -> list[str]:
    return [
        f"Films for {reader} to read. Read them in this order, each by itself; do not go back to an earlier one.",
        "The sheet says neither whose film it is, nor when it was taken, nor how the tooth was treated. If you know it "
        "from the film, go on all the same. Do not speak of the films with another reader before both sheets are in.",
        "Choose the periapical index of the tooth; of several roots, that of the worst:",
        "1: nothing abnormal at the root end.",
        "2: small changes in the structure of the bone.",
        "3: changes in the structure of the bone with some loss of mineral.",
        "4: a well-defined radiolucent area.",
        "5: a radiolucent area with features of exacerbation.",
        f'Choose "{UNREADABLE}" where the root end is not on the film, or cannot be judged.',
        "The index: Orstavik D, Kerekes K, Eriksen HM. Endod Dent Traumatol 1986;2:20-34, in our words.",
        "Do not change the column line. To load the filled-in sheets:",
        "toothyears reading-list PRACTICE.toml --filled SHEET.xlsx --filled SHEET.xlsx",
    ]
