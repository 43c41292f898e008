"""The two lists as files: the worksheet and the recall list."""

import datetime as dt
from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.practice.fields import input_fields
from pipeline.reading.sources.excel_file import ALREADY_KNOWN, sheet_of
from pipeline.reading.worksheets.recall_list import NOT_SEEN_MONTHS
from pipeline.reading.worksheets.technique import as_written
from pipeline.reading.worksheets.workbook import Page, PageColumn, csv_bytes, field_column, workbook_bytes, write_marked

DIFFERING = "notes that differ"
WORKSHEET_NAME, RECALL_NAME = "worksheet", "recall-list"
_RECALL_HEADINGS = {
    "clinician": "provider_id",
    "patient_id": "written_id",
    "tooth": "tooth",
    "completed": "completed",
    "review after, months": "review_months",
    "due from": "due_from",
    "due until": "due_until",
    "tooth last examined": "last_exam",
    "patient last seen": "last_seen",
    "note": "note",
}


def write_worksheet(
    folder: Path,
    endo: pl.DataFrame,
    crowns: pl.DataFrame,
    elsewhere: pl.DataFrame,
    *,
    practice: str,
    notation: str,
    made_on: dt.date,
    notes: Mapping[str, pl.DataFrame] | None = None,
    differing: pl.DataFrame | None = None,
) -> Path:
    """Write the worksheet under a name that is still free; returns its path.

    `endo`, `crowns` and `elsewhere` are the rows of `endo_without_details`, `crowns_without_details` and
    `teeth_to_ask`; `notes` those of `note_sheets` by table and `differing` those that differ from what
    is recorded, where the practice has notes. The headings are the names of our fields, so that the sheets load as
    they stand.
    """
    tables = {"endo_details": endo, "crown_details": crowns, "elsewhere": elsewhere, **(notes or {})}
    pages = [_page(table, rows) for table, rows in tables.items()]
    if differing is not None and differing.height:
        columns = tuple(_NOTES.get(n, PageColumn(n)) for n in differing.columns)
        pages.append(Page(DIFFERING, columns, differing))
    content = workbook_bytes(
        f"{practice}: worksheet", [*_instructions(notation), *(_of_notes() if notes else ())], pages, made_on=made_on
    )
    return write_marked(folder, WORKSHEET_NAME, ".xlsx", content, keep_former=True)


def recall_rows(due: pl.DataFrame, written_ids: pl.DataFrame, *, notation: str) -> pl.DataFrame:
    """The reviews of `due_reviews` as the list shows them, with the patient and tooth as the practice writes them.
    Columns: clinician, patient_id, tooth, completed, `review after, months`, due from, due until, tooth last examined,
    patient last seen, note. A patient whose written id is not known is named `not known`, and never left out."""
    note = pl.when("not_seen_for_long").then(pl.lit(f"not seen for more than {NOT_SEEN_MONTHS} months"))
    return (
        as_written(due, written_ids, notation)
        .with_columns(
            pl.col("written_id").fill_null("not known"),
            pl.col("provider_id").fill_null("not recorded"),
            note.alias("note"),
        )
        .select(pl.col(source).alias(heading) for heading, source in _RECALL_HEADINGS.items())
    )


def write_recall_list(folder: Path, rows: pl.DataFrame, *, practice: str, on: dt.date, as_csv: bool = False) -> Path:
    """Write the rows of `recall_rows` as a workbook or, with `as_csv`, as CSV; returns the path."""
    if as_csv:
        return write_marked(folder, RECALL_NAME, ".csv", csv_bytes(rows.columns, rows.rows()))
    columns = tuple(
        PageColumn(name, is_day=dtype == pl.Date, width=34 if name == "note" else 14)
        for name, dtype in rows.schema.items()
    )
    lines = [
        f"Root canals whose review is due on {on.isoformat()} and has not been done.",
        "A review that was done is taken off the list once its finding is loaded.",
        f"Patients who have not been in for more than {NOT_SEEN_MONTHS} months have a note.",
    ]
    page = Page("recall list", columns, rows)
    content = workbook_bytes(f"{practice}: recall list", lines, [page], made_on=on)
    return write_marked(folder, RECALL_NAME, ".xlsx", content)


_NOTES = {
    "service_date": PageColumn("service_date", is_day=True),
    "note_date": PageColumn("note_date", is_day=True),
    "field": PageColumn("field", width=24),
    "value": PageColumn("value", width=28),
    "evidence": PageColumn("evidence", width=48),
    "sign": PageColumn("sign", width=48),
    "sign_date": PageColumn("sign_date", is_day=True),
    "crown_seat": PageColumn("crown_seat", is_day=True),
    ALREADY_KNOWN: PageColumn(ALREADY_KNOWN, width=30),
}


def _page(table: str, rows: pl.DataFrame) -> Page:
    fields = set(input_fields(table)) - {"patient_id", "tooth", "service_date", *_NOTES}
    columns = (field_column(table, n) if n in fields else _NOTES.get(n, PageColumn(n)) for n in rows.columns)
    return Page(sheet_of(table), tuple(columns), rows)


def _of_notes() -> list[str]:
    asked, checked = sheet_of("note_answers"), sheet_of("note_checks")
    return [
        f'The sheet "{asked}" lists what was read from chart notes and is not sure, with the words beside it; the same '
        "words are asked about once. Write yes under agreed, or the right value under chart_value, or no if the note "
        "says nothing of the kind. Where the tooth is empty, write it. The answer is learned: the same words count so "
        "in every note.",
        f'The sheet "{checked}" lists notes drawn by chance. Read each note in the chart. Write yes or no under agreed '
        "for what was read, and under chart_value what the note says where nothing, or something else, was read. With "
        "60 notes done, the page on data quality says how far the rest can be trusted.",
        f'The sheet "{DIFFERING}", if there is one, lists what notes say otherwise than your records. These count; '
        "correct them where the note is right. Nothing is read back from this sheet.",
        f'[tables.note_answers]\nfiles = ["technique*.xlsx"]\nsheets = ["{asked}"]',
        f'[tables.note_checks]\nfiles = ["technique*.xlsx"]\nsheets = ["{checked}"]',
    ]


def _instructions(notation: str) -> list[str]:
    asked = sheet_of("elsewhere")
    return [
        "The sheets endo_details and crown_details list the root canals and crowns whose details were never noted, "
        "newest first. Fill in what the records say; leave a cell empty where they say nothing.",
        f'The sheet "{asked}" lists teeth with a sign that another practice may have treated them. Look at the chart '
        "and films, or ask the patient, and choose the event; nothing, if nothing was done there. Give its date, or "
        "the year alone, or leave the date empty if it is not known. If two things were done, copy the line. A tooth "
        "is asked about until a line says root_canal, retreatment or nothing.",
        "Click a cell to see what it asks for. Where there is a list of words, choose from it.",
        "A line counts as soon as one thing is filled in. Lines left as they are change nothing.",
        f"Do not change the headings, the names of the sheets, the patient, the column {ALREADY_KNOWN} or the teeth "
        f"(written in the {notation} numbering).",
        "If a date is wrong, correct it. A seat date that is empty was never recorded: fill it in if you know it.",
        "To load it, put it into the folder of PRACTICE.toml, call it technique.xlsx and add to PRACTICE.toml:",
        '[tables.endo_details]\nfiles = ["technique*.xlsx"]',
        '[tables.crown_details]\nfiles = ["technique*.xlsx"]',
        f'[tables.elsewhere]\nfiles = ["technique*.xlsx"]\nsheets = ["{asked}"]',
    ]


NAME, TABLES, LINES = "chair-form", ("endo_details", "crown_details"), 300


def write_chair_sheet(folder: Path, *, practice: str, notation: str, made_on: dt.date) -> Path:
    """Write the workbook, with `LINES` blank lines a table; returns its path. A file that is there stays."""
    pages = [_chair_page(table) for table in TABLES]
    content = workbook_bytes(f"{practice}: at the chair", _chair_instructions(notation), pages, made_on=made_on)
    return write_marked(folder, NAME, ".xlsx", content, keep_former=True)


def _chair_page(table: str) -> Page:
    fields = input_fields(table)
    # An id of digits typed into a plain cell would lose its zeros: `field_column` gives texts, days and numbers.
    columns = (*(field_column(table, name) for name in fields), PageColumn(ALREADY_KNOWN))
    blank = pl.DataFrame({column.name: pl.Series([None] * LINES, dtype=pl.String) for column in columns})
    return Page(sheet_of(table), columns, blank)


def _chair_instructions(notation: str) -> list[str]:
    return [
        "One line for each root canal on the sheet endo_details and for each crown on crown_details, written at the "
        "chair or copied from the printed form. Leave a cell empty where the answer is not known.",
        "Click a cell to see what it asks for. Where there is a list of words, choose from it.",
        f"Teeth are written in the {notation} numbering, patients as the practice's software writes them. The day of a "
        "root canal is any day within the treatment; a crown needs the day of its preparation or of its seat.",
        f"Leave the column {ALREADY_KNOWN} empty, and do not change the headings or the names of the sheets.",
        "To load it, put it into the folder of PRACTICE.toml and name it among the files of both tables:",
        f'[tables.endo_details]\nfiles = [..., "{NAME}*.xlsx"]',
        f'[tables.crown_details]\nfiles = [..., "{NAME}*.xlsx"]',
        "It may be loaded again as it grows: lines that were loaded before are known again.",
    ]
