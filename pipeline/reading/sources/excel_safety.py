"""What is looked at before a workbook is opened: that it is one, has no password, and unpacks to a size that fits."""

import re
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path
from xml.parsers import expat

from pipeline.machine.errors import DataError
from pipeline.reading.sources.safe_path import cannot_open, refuse_known_as_too_large, too_large_inside

MAX_COLUMNS = 2_000
CHECKED_KINDS = (".xlsx", ".xlsm")  # whose cells are looked at here, so that no few bytes can claim a huge sheet
MAX_UNPACKED = 2_000_000_000
MAX_RATIO = 300
# Cells from the first to the last row and column, filled or not: the reader takes some 30 bytes for each.
MAX_CELLS = 60_000_000
_SMALL = 10_000_000  # what unpacks to no more than this is no bomb, whatever the ratio
_CHUNK = 1 << 20
_ZIP, _OLE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
# A cell with its place. One that only has a look (a colour, a border) holds nothing, and the reader passes it by.
_CELL = re.compile(rb"\sr=[\"']([A-Za-z]{1,4})(\d{1,9})[\"'](?![^<>]*(?:/>|></))")
_DATE_1904 = re.compile(rb"<(?:\w+:)?workbookPr\b[^>]*\bdate1904=[\"'](?:1|true)[\"']")
_ENCRYPTED = "EncryptedPackage".encode("utf-16-le")


def check_workbook(path: Path) -> None:
    """Refuse what is no workbook, is locked, or would fill the memory. The sizes that a packed file states about itself
    are not believed: everything in it is unpacked once, a piece at a time, and counted. Raises DataError, saying which,
    and what to do."""
    try:
        with path.open("rb") as stream:
            start = stream.read(4)
            rest = stream.read() if start == _OLE else b""
    except OSError as error:
        raise cannot_open(path) from error
    if not start:
        raise DataError(f"{path.name}: the file is empty. Export it again, or leave it out.")
    if _ENCRYPTED in rest:
        raise _locked(path)
    if start == _ZIP:
        _check_packed(path)
    elif start != _OLE:
        raise DataError(
            f"{path.name}: this is no workbook, whatever its name says; some programs put a table of text or of a web "
            "page into such a file.\n  Open it in a spreadsheet program and save it as .xlsx, or call it .csv if it "
            "is plain text."
        )


def date_system(path: Path) -> str | None:
    """The day from which the workbook counts its days, `1900` or `1904`; None for kinds where we do not look it up."""
    if path.suffix.lower() not in CHECKED_KINDS:
        return None
    try:
        with zipfile.ZipFile(path) as packed:
            return "1904" if _DATE_1904.search(packed.read("xl/workbook.xml")) else "1900"
    except (zipfile.BadZipFile, KeyError, OSError, zlib.error):
        return None


def _check_packed(path: Path) -> None:
    refuse_known_as_too_large(path)
    limit = MAX_UNPACKED
    total = 0
    try:
        size = path.stat().st_size
        with zipfile.ZipFile(path) as packed:
            members = packed.infolist()
            if any(member.flag_bits & 1 for member in members):
                raise _locked(path)
            if sum(member.file_size for member in members) > limit:
                raise _bomb(path)
            for member in members:
                last_row = last_column = 0
                is_sheet = re.fullmatch(r"xl/worksheets/[^/]+\.xml", member.filename) is not None
                # The reader never comes to an end with an open document whose text is cut short.
                whole = expat.ParserCreate() if member.filename == "content.xml" else None
                member.file_size = limit + 1  # read to the true end, not to the one that the file states
                with packed.open(member) as stream:
                    tail = b""
                    while piece := stream.read(_CHUNK):
                        total += len(piece)
                        if total > limit or total > max(_SMALL, MAX_RATIO * size):
                            raise _bomb(path)
                        if whole is not None:
                            whole.Parse(piece, False)
                        if is_sheet:
                            whole_tags, tail = _whole_tags(tail + piece)
                            row, column = _extent(whole_tags)
                            last_row, last_column = max(last_row, row), max(last_column, column)
                            _check_extent(path, last_row, last_column)
                if is_sheet:
                    _check_extent(path, *map(max, zip((last_row, last_column), _extent(tail), strict=True)))
                if whole is not None:
                    whole.Parse(b"", True)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, expat.ExpatError) as error:
        raise DataError(f"{path.name}: the workbook is damaged. Save or export it again.") from error


def _whole_tags(xml: bytes) -> tuple[bytes, bytes]:
    """A piece up to the last tag but one, with the two signs that say whether that closes the tag before; the rest."""
    cut = max(xml.rfind(b"<", 0, max(xml.rfind(b"<"), 0)), 0)
    return (xml, b"") if len(xml) - cut > _CHUNK else (xml[: cut + 2], xml[cut:])


def _extent(xml: bytes) -> tuple[int, int]:
    """The last row and column that any filled cell in a piece of a sheet names."""
    found = _CELL.findall(xml)
    columns = {letters for letters, _ in found}
    return max((int(row) for _, row in found), default=0), max(map(_column_number, columns), default=0)


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = 26 * number + letter - 64
    return number


def _check_extent(path: Path, rows: int, columns: int) -> None:
    if columns > MAX_COLUMNS:
        raise DataError(
            f"{path.name}: a sheet has a cell in column {columns:,}; more than {MAX_COLUMNS:,} columns are not read.\n"
            "  Delete the columns that are not needed, also the empty ones to the right, and save it again."
        )
    if rows * columns > MAX_CELLS:
        raise DataError(
            f"{path.name}: a sheet reaches to row {rows:,} and column {columns:,}, too large to open as a workbook.\n"
            "  Delete empty rows and columns at its end, or save the sheet as CSV."
        )


def _bomb(path: Path) -> DataError:
    return too_large_inside(
        path,
        f"{path.name}: it unpacks to far more than a workbook holds, so it is not opened. "
        "If the file is yours, save the sheets as CSV.",
    )


def _locked(path: Path) -> DataError:
    return DataError(f"{path.name}: the workbook is locked with a password. Save a copy without one.")


MAX_BYTES = 3_000_000_000
MAX_SECONDS = 120
_READ_ALL = """
import sys
try:
    import resource
    resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv[2]), int(sys.argv[2])))
except (ImportError, ValueError, OSError):
    pass  # no such limits on this system
import fastexcel
reader = fastexcel.read_excel(sys.argv[1])
for name in reader.sheet_names:
    reader.load_sheet(name, header_row=None, skip_rows=0, dtypes="string")
"""


def can_be_read(path: Path) -> tuple[bool, str]:
    """Whether every sheet can be read within bounds of memory and time; and what the reader said if not."""
    command = [sys.executable, "-I", "-c", _READ_ALL, str(path.resolve()), str(MAX_BYTES)]
    try:
        done = subprocess.run(command, capture_output=True, timeout=MAX_SECONDS, check=False)
    except subprocess.TimeoutExpired:
        return False, "timeout"
    return done.returncode == 0, done.stderr.decode(errors="replace")
