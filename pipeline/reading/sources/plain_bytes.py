"""The bytes of a file in pieces of bounded size, unpacked if it is gzipped; what can be no text is refused by name."""

import gzip
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO, cast

from pipeline.machine.errors import DataError
from pipeline.reading.sources.safe_path import refuse_irregular, refuse_known_as_too_large, too_large_inside

CHUNK_BYTES = 1 << 23
GZIP = b"\x1f\x8b"
# Text packs to a tenth or, where every line is alike, a hundredth of its size.
_MAX_RATIO, _ALWAYS_ALLOWED = 300, 100_000_000
_SHEET = "Open it and save the sheet as CSV (UTF-8)."
_EXPORT = "Export the data as CSV instead."
# What files of other kinds begin with: the formats' own signatures.
_KINDS: dict[bytes, tuple[str, str]] = {
    b"PK\x03\x04": ("a workbook or zip archive", f"{_SHEET} If it is a workbook, give it its ending .xlsx back."),
    b"PK\x05\x06": ("an empty zip archive", _EXPORT),
    b"\xd0\xcf\x11\xe0": ("a workbook or document of the old kind (.xls, .doc)", _SHEET),
    b"%PDF": ("a PDF", f"A PDF is for reading and printing. {_EXPORT}"),
    b"\x89PNG": ("a picture", _EXPORT),
    b"\xff\xd8\xff": ("a picture", _EXPORT),
    b"GIF8": ("a picture", _EXPORT),
    b"II*\x00": ("a picture", _EXPORT),
    b"MM\x00*": ("a picture", _EXPORT),
    b"{\\rtf": ("a word-processor document", _EXPORT),
    b"<!DOCTYPE": ("a web page", f"{_SHEET[:-1]}, or export it again as CSV."),
    b"<html": ("a web page", f"{_SHEET[:-1]}, or export it again as CSV."),
    b"<?xml": ("an XML file", _EXPORT),
    b"7z\xbc\xaf": ("a 7z archive", "Unpack it and name the file that was in it."),
    b"Rar!": ("a rar archive", "Unpack it and name the file that was in it."),
    b"BZh": ("a bzip2 archive", "Unpack it and name the file that was in it."),
    b"\xfd7zXZ": ("an xz archive", "Unpack it and name the file that was in it."),
    b"\x28\xb5\x2f\xfd": ("a zstd archive", "Unpack it and name the file that was in it."),
    GZIP: ("gzipped twice", "Unpack it and name the file that was in it."),
    b"\x00\x01\x00\x00Standard": (
        "a database of an office suite (.mdb, .accdb)",
        "Open it in the program that it is from, and export the table of procedures as CSV.",
    ),
    b"PAR1": ("a Parquet file", "Give it the ending .parquet."),
    b"MZ": ("a program", _EXPORT),
}


def read_chunks(path: Path, *, size: int = CHUNK_BYTES) -> Iterator[bytes]:
    """The content of a file, at most `size` bytes at a time; a gzipped one unpacked, whatever its name ends in. Raises
    DataError if the file is none, cannot be read, is of a kind that is no text, or is gzipped and damaged or unpacks to
    more than 300 times its size and 100 MB."""
    refuse_irregular(path)
    refuse_known_as_too_large(path)
    try:
        with path.open("rb") as stream:
            is_packed = stream.read(2) == GZIP
            stream.seek(0)
            yield from _unpacked(path, stream, size) if is_packed else _pieces(path, stream, size)
    except OSError as error:
        raise DataError(
            f"{path.name}: the file cannot be read. Close it elsewhere, or check that you may read it."
        ) from error


def refuse_known_kind(path: Path) -> None:
    """Refuse a file by name if it begins as one of a kind that we know and cannot read. Raises DataError, saying which
    kind, and what to do."""
    for start in read_chunks(path, size=4096):
        _refuse_other_kinds(path, start)
        return


def line_at(pieces: Iterable[bytes], offset: int, *, line_end: bytes = b"\n") -> int:
    """The line, from 1, that a place in a text is in; only for messages, since the text is read again for it. Lines of
    a text that has no `line_end` before that place end in CR."""
    ends = {line_end: 0, b"\r": 0}
    for piece in pieces:
        for end in ends:
            ends[end] += piece[: max(offset, 0)].count(end)
        offset -= len(piece)
        if offset <= 0:
            break
    return 1 + (ends[line_end] or ends[b"\r"])


def _pieces(path: Path, stream: BinaryIO, size: int) -> Iterator[bytes]:
    is_first = True
    while chunk := stream.read(size):
        if is_first:
            _refuse_other_kinds(path, chunk)
            is_first = False
        yield chunk


def _unpacked(path: Path, stream: BinaryIO, size: int) -> Iterator[bytes]:
    packed, unpacked = path.stat().st_size, 0
    try:
        with gzip.open(stream) as plain:
            for chunk in _pieces(path, cast(BinaryIO, plain), size):
                unpacked += len(chunk)
                if unpacked > _ALWAYS_ALLOWED and unpacked > _MAX_RATIO * packed:
                    raise too_large_inside(
                        path,
                        f"{path.name}: this small file unpacks to more than {_MAX_RATIO} times its size, which no "
                        "export does.\n  Ask whoever made it, or unpack it yourself and name the file that was in it.",
                    )
                yield chunk
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise DataError(
            f"{path.name}: this gzipped file is damaged or was cut off on its way. Copy or export it again."
        ) from error


def _refuse_other_kinds(path: Path, start: bytes) -> None:
    text = start[:64].lstrip()
    for signature, (kind, what_to_do) in _KINDS.items():
        begins = start if signature[:1] != b"<" else text
        if begins[: len(signature)].lower() == signature.lower() and not _may_be_text(signature, start):
            raise DataError(f"{path.name}: this is {kind}, not a text file. {what_to_do}")


def _may_be_text(signature: bytes, start: bytes) -> bool:
    """Whether a signature made of letters alone may as well be the first heading of a table, e.g. `MZ;Datum`."""
    return signature in (b"MZ", b"PAR1", b"BZh", b"Rar!", b"GIF8") and start[:4096].isascii() and b"\0" not in start
