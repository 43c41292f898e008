"""The lines of a text file as they are, in blocks of bounded size, each with its number in the file."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, cast

import pyarrow as pa

from pipeline.errors import DataError

_BLOCK_BYTES = 6 << 20
_MAX_LINE_BYTES = 1 << 24
_BOM = b"\xef\xbb\xbf"

Line = tuple[int, bytes]


def open_bytes(path: Path) -> BinaryIO:
    """The bytes of a file, unpacked if its name ends in .gz.

    Raises
    ------
    DataError
        If it cannot be opened.
    """
    try:
        return cast(BinaryIO, gzip.open(path)) if path.suffix.lower() == ".gz" else path.open("rb")
    except OSError as error:
        raise DataError(
            f"{path.name}: the file cannot be opened. Close it elsewhere, or check that you may read it."
        ) from error


def read_lines(path: Path) -> Iterator[list[Line]]:
    """Blocks of `(line number from 1, bytes)`; blank lines and the mark at the start are left out.

    Raises
    ------
    DataError
        If a line is longer than any record can be, or a packed file is damaged.
    """
    block: list[Line] = []
    size = number = 0
    with open_bytes(path) as stream:
        try:
            while line := stream.readline(_MAX_LINE_BYTES + 1):
                number += 1
                if number == 1:
                    line = line.removeprefix(_BOM)
                if len(line) > _MAX_LINE_BYTES:
                    raise DataError(
                        f"{path.name}: line {number:,} is longer than {_MAX_LINE_BYTES >> 20} MB. Each record must "
                        "stand on a line of its own: export as NDJSON (bulk data), not as a Bundle."
                    )
                if not line.isspace() and line:
                    block.append((number, line.rstrip(b"\r\n")))
                    size += len(line)
                if size > _BLOCK_BYTES:
                    yield block
                    block, size = [], 0
        except (EOFError, zlib.error, OSError) as error:
            raise DataError(f"{path.name}: the file is damaged after line {number:,}. Copy or export it again.") from (
                error
            )
    if block:
        yield block


def as_table(block: list[Line]) -> tuple[pa.Table, list[tuple[int, str]]]:
    """The lines that are UTF-8 as a table `number, text`, and the others with what can be read of them."""
    try:
        return _table(block), []
    except pa.ArrowInvalid:
        sound, broken = [], []
        for number, line in block:
            try:
                line.decode()
                sound.append((number, line))
            except UnicodeDecodeError:
                broken.append((number, line.decode(errors="replace")))
        return _table(sound), broken


def _table(block: list[Line]) -> pa.Table:
    text = pa.array([line for _, line in block], pa.binary()).cast(pa.string())
    return pa.table({"number": pa.array([number for number, _ in block], pa.int64()), "text": text})
