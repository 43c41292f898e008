"""A workbook in the binary format, as small as it can be written, record by record.

Source: [MS-XLSB] Excel (.xlsb) Binary File Format, Microsoft Open Specifications: 2.1.4 (record) and 2.4 (the records
named below); the numbers of the records are from memory, and the reader confirms them.
"""

from __future__ import annotations

import datetime as dt
import struct
import zipfile
from pathlib import Path

_RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_ROWS = [("0007", dt.date(2020, 2, 29), 3), (8, dt.date(2020, 3, 1), 14)]
_GENERAL, _DAY = 0, 1  # places in the list of styles


def make(folder: Path) -> None:
    with zipfile.ZipFile(folder / "ledger.xlsb", "w") as packed:
        packed.writestr(
            "xl/_rels/workbook.bin.rels",
            '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
            f'<Relationship Id="rId1" Type="{_RELATIONS}/worksheet" Target="worksheets/sheet1.bin"/>'
            f'<Relationship Id="rId2" Type="{_RELATIONS}/styles" Target="styles.bin"/></Relationships>',
        )
        packed.writestr("xl/workbook.bin", _book())
        packed.writestr("xl/styles.bin", _styles())
        packed.writestr("xl/worksheets/sheet1.bin", _sheet())


def _book() -> bytes:
    sheet = struct.pack("<II", 0, 1) + _text("rId1") + _text("Ledger")  # visible, number 1
    return _record(131) + _record(143) + _record(156, sheet) + _record(144) + _record(132)


def _styles() -> bytes:
    """Two cell styles: number format 0 (general) and 14 (a day)."""
    style = [_record(47, struct.pack("<HH", 0, number_format) + bytes(12)) for number_format in (0, 14)]
    return _record(278) + _record(617, struct.pack("<I", 2)) + b"".join(style) + _record(618) + _record(279)


def _sheet() -> bytes:
    heads = ("patient_id", "service_date", "code", "tooth")
    rows = [heads, *((patient, day, "D2740", tooth) for patient, day, tooth in _ROWS)]
    data = b""
    for number, row in enumerate(rows):
        data += _record(0, struct.pack("<II", number, 0) + bytes(9))
        data += b"".join(_cell(column, value) for column, value in enumerate(row))
    size = _record(148, struct.pack("<IIII", 0, len(rows) - 1, 0, len(heads) - 1))
    return _record(129) + size + _record(145) + data + _record(146) + _record(130)


def _cell(column: int, value: str | int | dt.date) -> bytes:
    if isinstance(value, str):
        return _record(6, struct.pack("<II", column, _GENERAL) + _text(value))
    number = (value - dt.date(1899, 12, 30)).days if isinstance(value, dt.date) else value
    style = _DAY if isinstance(value, dt.date) else _GENERAL
    return _record(5, struct.pack("<IId", column, style, number))


def _text(text: str) -> bytes:
    return struct.pack("<I", len(text)) + text.encode("utf-16-le")


def _record(kind: int, content: bytes = b"") -> bytes:
    head = bytes([kind]) if kind < 128 else bytes([kind & 127 | 128, kind >> 7])
    size, length = b"", len(content)
    while length > 127:
        size, length = size + bytes([length & 127 | 128]), length >> 7
    return head + size + bytes([length]) + content
