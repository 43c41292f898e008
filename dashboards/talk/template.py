"""The package that a deck begins as, and the same package without any time of making.

The template is built from the parts in `assets/deck/`: no author, no dates, no thumbnail, no printer settings. A saved
deck is the same bytes for the same content, since every time stamp in it and in the workbooks of its charts is fixed.
"""

import io
import zipfile
from collections.abc import Mapping
from importlib import resources

_PARTS = {
    "[Content_Types].xml": "content_types.xml",
    "_rels/.rels": "package_rels.xml",
    "docProps/core.xml": "core.xml",
    "docProps/app.xml": "app.xml",
    "ppt/presentation.xml": "presentation.xml",
    "ppt/_rels/presentation.xml.rels": "presentation_rels.xml",
    "ppt/theme/theme1.xml": "theme.xml",
    "ppt/slideMasters/slideMaster1.xml": "master.xml",
    "ppt/slideMasters/_rels/slideMaster1.xml.rels": "master_rels.xml",
    **{f"ppt/slideLayouts/slideLayout{i}.xml": f"layout_{n}.xml" for i, n in enumerate(("title", "text", "figure"), 1)},
    **{f"ppt/slideLayouts/_rels/slideLayout{i}.xml.rels": "layout_rels.xml" for i in (1, 2, 3)},
}
_EARLIEST = (1980, 1, 1, 0, 0, 0)


def template(colours: Mapping[str, str]) -> bytes:
    """An empty deck; `colours` (usual to chosen) are exchanged in its theme, so that new shapes have them too."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as package:
        for name, source in _PARTS.items():
            part = _asset(source)
            if source == "theme.xml":
                part = _recoloured(part.decode(), colours).encode()
            package.writestr(zipfile.ZipInfo(name, _EARLIEST), part)
    return buffer.getvalue()


def timeless(package: bytes) -> bytes:
    """The same package, and workbooks within it, without the time of making."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(package)) as old, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new:
        workbook = "xl/workbook.xml" in old.namelist()
        for item in old.infolist():
            data = old.read(item)
            if item.filename.endswith(".xlsx"):
                data = timeless(data)
            elif workbook and item.filename == "docProps/core.xml":
                data = _asset("core.xml")
            info = zipfile.ZipInfo(item.filename, _EARLIEST)
            info.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(info, data)
    return buffer.getvalue()


def _asset(name: str) -> bytes:
    return resources.files("dashboards").joinpath("assets", "deck", name).read_bytes()


def _recoloured(theme: str, colours: Mapping[str, str]) -> str:
    """Through marks that no colour can be, so that two colours may change places."""
    for i, usual in enumerate(colours):
        theme = theme.replace(f'"{usual[1:].upper()}"', f'"<{i}>"')
    for i, chosen in enumerate(colours.values()):
        theme = theme.replace(f'"<{i}>"', f'"{chosen[1:].upper()}"')
    return theme
