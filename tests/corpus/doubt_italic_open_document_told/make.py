"""An OpenDocument spreadsheet with rows in italics."""

from __future__ import annotations

import zipfile
from pathlib import Path

ODS = "urn:oasis:names:tc:opendocument:xmlns:"
ROWS = [
    ["P1", "2019-03-04", "D3330", "14"],
    ["P1", "2019-03-25", "D2740", "14"],
    ["P2", "2019-05-06", "D3330", "30"],
    ["P2", "2019-05-20", "D2740", "29"],
    ["P2", "2019-06-17", "D2740", "30"],
    ["P3", "2020-01-07", "D2740", "19"],
    ["P4", "2020-02-17", "D7140", "20"],
    ["P4", "2020-02-24", "D2740", "10"],
    ["P5", "2020-03-19", "D2750", "3"],
    ["P6", "2020-04-21", "D3320", "12"],
]
MARKED = [4, 8]


def make(folder: Path) -> None:
    spaces = " ".join(
        f'xmlns:{name}="{ODS}{name if name != "fo" else "xsl-fo-compatible"}:1.0"'
        for name in ("office", "table", "text", "style", "fo")
    )
    style = (
        '<style:style style:name="ce1" style:family="table-cell">'
        '<style:text-properties fo:font-style="italic"/></style:style>'
    )
    rows = ""
    for number, row in enumerate([["Chart", "Date", "Code", "Th"], *ROWS]):
        hidden = ' table:visibility="collapse"' if number in MARKED and not number else ""
        slanted = ' table:style-name="ce1"' if number in MARKED and not hidden else ""
        cells = "".join(
            f'<table:table-cell{slanted} office:value-type="string"><text:p>{c}</text:p></table:table-cell>'
            for c in row
        )
        rows += f"<table:table-row{hidden}>{cells}</table:table-row>"
    content = (
        f"<office:document-content {spaces}><office:automatic-styles>{style}</office:automatic-styles><office:body>"
        f'<office:spreadsheet><table:table table:name="Ledger">{rows}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )
    manifest = (
        '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"><manifest:file-entry '
        'manifest:full-path="/" manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/>'
        "</manifest:manifest>"
    )
    with zipfile.ZipFile(folder / "ledger.ods", "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr("META-INF/manifest.xml", manifest)
        packed.writestr("content.xml", content)
