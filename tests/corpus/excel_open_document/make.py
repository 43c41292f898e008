"""A workbook in the open document format, as small as it can be written."""

from __future__ import annotations

import zipfile
from pathlib import Path

_NAMES = "urn:oasis:names:tc:opendocument:xmlns"
_MANIFEST = f'<manifest:manifest xmlns:manifest="{_NAMES}:manifest:1.0"/>'
_ROWS = [("0007", "2020-02-29", 3), (8, "2020-03-01", 14)]


def make(folder: Path) -> None:
    heads = "".join(_text(h) for h in ("patient_id", "service_date", "code", "tooth"))
    rows = [heads] + [_cell(patient) + _day(date) + _text("D2740") + _cell(tooth) for patient, date, tooth in _ROWS]
    table = "".join(f"<table:table-row>{row}</table:table-row>" for row in rows)
    spaces = " ".join(f'xmlns:{name}="{_NAMES}:{name}:1.0"' for name in ("office", "table", "text"))
    content = (
        f'<?xml version="1.0"?><office:document-content {spaces}><office:body><office:spreadsheet>'
        f'<table:table table:name="Ledger">{table}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    with zipfile.ZipFile(folder / "ledger.ods", "w") as packed:
        packed.writestr("mimetype", kind)
        packed.writestr("META-INF/manifest.xml", _MANIFEST)
        packed.writestr("content.xml", content)


def _cell(value: str | int) -> str:
    if isinstance(value, str):
        return _text(value)
    return f'<table:table-cell office:value-type="float" office:value="{value}"/>'


def _day(date: str) -> str:
    return f'<table:table-cell office:value-type="date" office:date-value="{date}"/>'


def _text(value: str) -> str:
    return f'<table:table-cell office:value-type="string"><text:p>{value}</text:p></table:table-cell>'
