"""The files of one table, opened: those of the practice's software, and those of mended rows."""

from pathlib import Path

from pipeline.practice.fields import REQUIRED_FIELDS, input_fields
from pipeline.practice.settings import Settings
from pipeline.practice.table_settings import DITTO_ABOVE, TableSource
from pipeline.practice.tables import REVERSAL
from pipeline.reading.config import joined_lists, matching_files
from pipeline.reading.files_to_read import sha256
from pipeline.reading.set_aside import FILE, ROW, MendedFile, mends_one_of, open_mended
from pipeline.reading.sources import ReadOptions, Source, open_source
from pipeline.reading.sources.by_amounts import TAKEN_BACK, is_sign
from pipeline.reading.sources.group_lines import Template, read_templates
from pipeline.reading.sources.made_columns import headings_of
from pipeline.reading.sources.sections import LINE_BELOW, SECTION
from pipeline.reading.sources.source import Amounts


def read_options(told: TableSource, settings: Settings) -> ReadOptions:
    """What PRACTICE.toml says of the files of a table."""
    return ReadOptions(
        table=told.name,
        wanted=(*told.columns.values(), *headings_of(told.made)),
        delimiter=told.delimiter,
        encoding=told.encoding,
        header_row=told.header_row,
        sheets=told.sheets,
        tooth_systems=settings.standards.tooth_systems,
        code_systems=settings.standards.code_systems,
        findings=settings.standards.findings,
        fill_down=tuple(told.columns.get(f, f).strip() for f in told.fill_down),
        group_lines=read_templates(told.group_lines, input_fields(told.name), where=f"[tables.{told.name}]"),
        loose_columns=told.loose_columns,
        fixed_width=told.fixed_width,
        stacked_tables=told.stacked_tables,
        renamed=told.renamed,
        made=told.made,
        joined=joined_lists(settings, told.name),
        cell_lists=told.cell_lists,
        fees=tuple(told.columns[f] for f in ("fee",) if f in told.columns),
        repeated_columns=told.repeated_columns,
        transposed=told.transposed,
        record_lines=told.record_lines,
        sheet_name=_name_form(told, told.sheet_name, "sheet_name"),
        file_name=_name_form(told, told.file_name, "file_name"),
        repeats=told.ditto_marks == DITTO_ABOVE,
        required=tuple(told.columns.get(f, f).strip() for f in REQUIRED_FIELDS[told.name]),
        sections=tuple(told.status_from[SECTION]) if SECTION in told.status_from else None,
        lines_below=tuple(told.status_from[LINE_BELOW]) if LINE_BELOW in told.status_from else None,
        amounts=_amounts(told),
        folder=settings.path.parent,
    )


def _amounts(told: TableSource) -> Amounts | None:
    """What is told of rows by their amounts; None where nothing is."""
    of = {name: told.columns.get(name, name).strip() for name in ("patient_id", "code", "fee")}
    back = tuple((h, p) for h, made in told.status_from.items() for p, word in made.items() if word == REVERSAL and p)
    signs = (*(h for h in told.status_from if is_sign(h)), *((TAKEN_BACK,) if back else ()))
    if not signs:
        return None
    return Amounts(
        signs, of["patient_id"], of["code"], of["fee"], back, tuple(h.strip() for h in told.columns.values())
    )


def _name_form(told: TableSource, form: str | None, key: str) -> Template | None:
    if form is None:
        return None
    return read_templates([form], input_fields(told.name), where=f"[tables.{told.name}]", key=key)[0]


def open_files(settings: Settings, name: str) -> dict[str, Source]:
    """Every file of a table by the SHA-256 of its bytes; a file of mended rows is a `MendedFile`. Rows of a file of
    mended rows may have been set aside again and mended in another one. Raises DataError if a file cannot be opened, or
    a file of mended rows does not say which listed file they are of."""
    told = settings.tables[name]
    opened = {sha256(path): open_source(path, read_options(told, settings)) for path in matching_files(settings, name)}
    left: dict[str, tuple[Path, Source]] = {}
    for path in matching_files(settings, name, corrected=True):
        left[sha256(path)] = path, open_source(path, ReadOptions(table=name, wanted=(FILE, ROW)))
    while left:
        ready = [digest for digest, (_, source) in left.items() if mends_one_of(source, opened)]
        for digest in ready or list(left):
            path, source = left.pop(digest)
            opened[digest] = open_mended(source, opened, name=path.name)
    return opened


def mended_of(settings: Settings, name: str) -> list[MendedFile]:
    """The files of mended rows of a table; where there are none, nothing is opened. Raises DataError as
    `open_files`."""
    if not settings.tables[name].corrected:
        return []
    return [source for source in open_files(settings, name).values() if isinstance(source, MendedFile)]
