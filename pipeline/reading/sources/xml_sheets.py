"""Spreadsheets written as one XML file, by the public schema of 2003: worksheets, rows, cells with places and spans."""

import re
from pathlib import Path

from pipeline.machine.errors import DataError
from pipeline.reading.sources.excel_safety import MAX_COLUMNS
from pipeline.reading.sources.found_tables import FoundTables, by_look
from pipeline.reading.sources.row_looks import (
    HIDDEN,
    ITALIC,
    STRUCK,
    WHOLE_ROW,
    colour_look,
    colour_name,
    marked,
    unmarked,
)
from pipeline.reading.sources.spans import SpanRows
from pipeline.reading.sources.xml_safety import read_xml

SCHEMA = "urn:schemas-microsoft-com:office:spreadsheet"
_MOMENT = re.compile(r"^(\d{4}-\d{2}-\d{2})T(\d{2}:\d{2}:\d{2})(?:\.\d+)?$")


def open_xml_sheets(path: Path) -> FoundTables:
    """The worksheets of the file. Raises DataError if it is no whole XML, has no worksheet, or is too large."""
    reader = _Sheets(path.name)
    read_xml(path, start=reader.start, end=reader.end, text=reader.text)
    if not reader.sheets:
        raise DataError(f"{path.name}: this spreadsheet has no worksheet. Export it again.")
    named = {name: unmarked(sheet.rows) for name, sheet in reader.sheets.items()}
    loaders = {name: (lambda rows=rows: rows) for name, (rows, _) in named.items()}
    looks = by_look({name: looks for name, (_, looks) in named.items()})
    return FoundTables(path, loaders, "a spreadsheet written as XML", looks=looks)


class _Sheets:
    def __init__(self, file: str) -> None:
        self.file = file
        self.sheets: dict[str, SpanRows] = {}
        self._sheet: SpanRows | None = None
        self._cell: dict[str, str] | None = None
        self._kind: str | None = None  # of the data that are open
        self._found = ""
        self._style = ""
        self._row: dict[str, str] = {}
        self._fonts: dict[str, dict[str, str]] = {}  # the styles whose letters are struck through or in italics
        self._fills: dict[str, str] = {}  # the colours of styles, and those of their letters
        self._letters: dict[str, str] = {}

    def start(self, name: str, told: dict[str, str]) -> None:
        if name == "Worksheet":
            self._sheet = SpanRows(self.file)
            title = told.get("Name", f"sheet {len(self.sheets) + 1}")
            while title in self.sheets:
                title += " (2)"
            self.sheets[title] = self._sheet
        elif name == "Style":
            self._style = told.get("ID", "")
        elif name == "Font" and self._sheet is None:
            self._letters[self._style] = colour_name(told.get("Color", ""), is_text=True)
            of_font = {STRUCK: "StrikeThrough", ITALIC: "Italic"}
            self._fonts[self._style] = {
                look: WHOLE_ROW for look, key in of_font.items() if told.get(key) in ("1", "true")
            }
        elif name == "Interior" and self._sheet is None and told.get("Pattern", "Solid") != "None":
            self._fills[self._style] = colour_name(told.get("Color", ""))
        elif self._sheet is None:
            return
        elif name == "Row":
            self._row = told
            if (index := _number(told.get("Index"))) > 1:
                self._sheet.skip_to(index)
            self._sheet.begin()
        elif name == "Cell":
            self._cell, self._found = told, ""
        elif name == "Data" and self._cell is not None:
            self._kind = told.get("Type", "String")

    def end(self, name: str) -> None:
        if self._sheet is None:
            return
        if name == "Data":
            if self._kind == "DateTime":
                self._found = _MOMENT.sub(r"\1 \2", self._found)
            elif self._kind == "Error":
                self._found = ""
            self._kind = None
        elif name == "Cell" and self._cell is not None:
            at = _number(self._cell.get("Index")) or None
            across, down = (_number(self._cell.get(key)) + 1 for key in ("MergeAcross", "MergeDown"))
            text = marked(self._found, self._looks(self._cell.get("StyleID") or self._row.get("StyleID") or ""))
            self._sheet.add(text, across=min(across, MAX_COLUMNS), down=down, at=at)
            self._cell = None
        elif name == "Row":
            self._sheet.end()
        elif name == "Worksheet":
            self._sheet = None

    def _looks(self, style: str) -> dict[str, str]:
        looks = colour_look(self._fills.get(style, ""), self._letters.get(style, ""))
        looks |= self._fonts.get(style, {})
        return looks | ({HIDDEN: WHOLE_ROW} if self._row.get("Hidden") in ("1", "true") else {})

    def text(self, data: str) -> None:
        if self._kind is not None:
            self._found += data


def _number(told: str | None) -> int:
    return int(told) if told and told.isdecimal() and len(told) < 10 else 0
