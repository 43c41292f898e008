"""Records of JSON, however they are packed: one a line, in a list, in a Bundle of FHIR, or alone in a file.

What stands one a line is read in blocks; a list, a Bundle and a record over several lines are read whole.
"""

import gzip
import json
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, cast

from pipeline.machine.errors import DataError
from pipeline.reading.sources.safe_path import cannot_open

_BLOCK_BYTES = 6 << 20
_MAX_LINE_BYTES = 1 << 24
# Text of JSON takes some ten times its size as objects.
_MAX_WHOLE_BYTES = 200_000_000
_BOM = b"\xef\xbb\xbf"
# How numbers stay as they are written: 1350.00 does not become 1350.0, and a long number loses no digit.
AS_WRITTEN: dict[str, Any] = {"parse_float": str, "parse_int": str, "parse_constant": str}

Line = tuple[int, bytes]


def open_bytes(path: Path) -> BinaryIO:
    """The bytes of a file, unpacked if its name ends in .gz. Raises DataError if it cannot be opened."""
    try:
        return cast(BinaryIO, gzip.open(path)) if path.suffix.lower() == ".gz" else path.open("rb")
    except OSError as error:
        raise cannot_open(path) from error


def read_records(path: Path) -> Iterator[list[Line]]:
    """Blocks of `(number from 1, bytes)`, a record each: lines of a file of lines, else records in their order.

    Blank lines and the mark at the start are left out. A line that is no record is a record all the same, for whoever
    reads it to set aside; a list or Bundle is taken apart, a Bundle without its deletions and its replies.

    Raises DataError if the file is empty, packed otherwise than by its name, not UTF-8, or damaged; if a line is longer
    than any record can be, or what must be read whole is too large, is no JSON, or is a Bundle of changes.
    """
    first = _first_line(path)
    if first.startswith(b"[") or (first.startswith(b"{") and not first.endswith(b"}")):
        lines = list(_as_lines(enumerate(_taken_apart(path, _whole(path)), 1)))
        for start in range(0, len(lines), 10_000):
            yield lines[start : start + 10_000]
    elif _is_bundle(first):
        for block in _read_lines(path, longest=_MAX_WHOLE_BYTES):
            yield [record for line in block for record in _unpacked(path, line)]
    else:
        yield from _read_lines(path)


def first_record(path: Path) -> dict[str, Any]:
    """The first record of the file as an object; empty where the first is none. Raises as `read_records` does."""
    for block in read_records(path):
        found = parsed(block[0][1])
        return found if isinstance(found, dict) else {}
    return {}


def whole_json(path: Path) -> Any:
    """All that a file holds, numbers as they are written; of a file of lines, the list of what stands in each. Raises
    DataError if it is too large to be read whole, or is no JSON."""
    if len(next(_read_lines(path, longest=_MAX_WHOLE_BYTES, blocks_of=_BLOCK_BYTES), [])) > 1:
        lines = [line for block in read_records(path) for line in block]
        if sum(len(text) for _, text in lines) > _MAX_WHOLE_BYTES:
            raise _too_large(path)
        first = _first_line(path)
        if first.startswith((b"{", b"[")) and first.endswith((b"}", b"]")) and parsed(first) is not None:
            return [_line_of_json(path, number, text) for number, text in lines]
    return _whole(path, as_written=True)


def parsed(text: bytes, **how: Any) -> Any:
    """What stands in a text of JSON; None if it is none. `how` is as `json.loads` takes it."""
    try:
        return json.loads(text, **how)
    except (ValueError, RecursionError):
        return None


def _line_of_json(path: Path, number: int, text: bytes) -> Any:
    try:
        return json.loads(text, **AS_WRITTEN)
    except (ValueError, RecursionError) as error:
        raise DataError(
            f"{path.name}: line {number:,} is not JSON. Was the file cut short? Export it again."
        ) from error


def _first_line(path: Path) -> bytes:
    block = next(_read_lines(path, longest=_MAX_WHOLE_BYTES, blocks_of=1), None)
    if block is None:
        raise DataError(f"{path.name}: the file is empty. Export it again, or leave it out.")
    line = block[0][1]
    if line.startswith((b"PK\x03\x04", b"\x1f\x8b")):
        raise DataError(f"{path.name}: the file is packed. Unpack it, or give a gzip file a name that ends in .gz.")
    if line.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise DataError(f"{path.name}: the file is not UTF-8 text, as JSON must be. Export it as UTF-8.")
    return line.strip()


def _is_bundle(line: bytes) -> bool:
    found = parsed(line) if b'"Bundle"' in line else None
    return isinstance(found, dict) and found.get("resourceType") == "Bundle"


def _unpacked(path: Path, line: Line) -> Iterator[Line]:
    """The records of a line that is a Bundle, all under its number; any other line as it is."""
    number, text = line
    if _is_bundle(text):
        yield from _as_lines((number, record) for record in _taken_apart(path, json.loads(text)))
    else:
        yield line


def _as_lines(records: Iterable[tuple[int, Any]]) -> Iterator[Line]:
    return ((number, json.dumps(record).encode()) for number, record in records)


def _whole(path: Path, *, as_written: bool = False) -> Any:
    with open_bytes(path) as stream:
        try:
            text = stream.read(_MAX_WHOLE_BYTES + 1)
        except (EOFError, zlib.error, OSError) as error:
            raise _damaged(path, 1) from error
    if len(text) > _MAX_WHOLE_BYTES:
        raise _too_large(path)
    try:
        return json.loads(text.removeprefix(_BOM), object_pairs_hook=_once, **(AS_WRITTEN if as_written else {}))
    except json.JSONDecodeError as error:
        reason = (
            f"line {error.lineno:,}, column {error.colno:,}: this is not JSON ({error.msg}). Was the file cut short?"
        )
    except UnicodeDecodeError as error:
        reason = f"byte {error.start:,} is not UTF-8, as JSON must be."
    except RecursionError:
        reason = "brackets stand within brackets too often for records."
    except _TwiceError:
        reason = "a field stands twice in one record, and which holds cannot be known."
    raise DataError(f"{path.name}: {reason} Export it again.")


def _too_large(path: Path) -> DataError:
    return DataError(
        f"{path.name}: a list or Bundle of more than {_MAX_WHOLE_BYTES // 1_000_000} MB is not read whole. Export "
        "one record a line (NDJSON, bulk data), or in several files."
    )


class _TwiceError(Exception):
    """A field stands twice in one object."""


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise _TwiceError
    return found


def _taken_apart(path: Path, found: Any) -> list[Any]:
    if isinstance(found, list):
        return [record for one in found for record in _taken_apart(path, one)] if _holds_bundles(found) else found
    if not isinstance(found, dict) or found.get("resourceType") != "Bundle":
        return [found]
    entries = found.get("entry", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise DataError(f"{path.name}: the Bundle has no list of entries. Export it again.")
    if found.get("type") in ("history", "transaction-response", "batch-response") or any(map(_changes, entries)):
        raise DataError(
            f"{path.name}: this is a Bundle of changes, with deletions or earlier versions, and not of records as they "
            "stand. Export the records anew: one a line (NDJSON, bulk data), or as a Bundle of type collection."
        )
    return [entry["resource"] for entry in entries if "resource" in entry]


def _holds_bundles(records: list[Any]) -> bool:
    return any(isinstance(one, dict) and one.get("resourceType") == "Bundle" for one in records)


def _changes(entry: dict[str, Any]) -> bool:
    request = entry.get("request")
    return isinstance(request, dict) and request.get("method") == "DELETE"


def _read_lines(path: Path, *, longest: int | None = None, blocks_of: int | None = None) -> Iterator[list[Line]]:
    longest, blocks_of = longest or _MAX_LINE_BYTES, blocks_of or _BLOCK_BYTES
    block: list[Line] = []
    size = number = 0
    with open_bytes(path) as stream:
        try:
            while line := stream.readline(longest + 1):
                number += 1
                if number == 1:
                    line = line.removeprefix(_BOM)
                if len(line) > longest:
                    raise DataError(
                        f"{path.name}: line {number:,} is longer than {longest >> 20} MB. Each record must stand on a "
                        "line of its own: export as NDJSON (bulk data)."
                    )
                if not line.isspace() and line:
                    block.append((number, line.rstrip(b"\r\n")))
                    size += len(line)
                if size > blocks_of:
                    yield block
                    block, size = [], 0
        except (EOFError, zlib.error, OSError) as error:
            raise _damaged(path, number) from error
    if block:
        yield block


def _damaged(path: Path, line: int) -> DataError:
    return DataError(f"{path.name}: the file is damaged after line {line:,}. Copy or export it again.")
