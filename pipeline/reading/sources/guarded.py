"""What a reader of files does that it should not: a panic, or an error that nobody thought of, told with the file.

Libraries that read files are written in other languages too; their panics are no `Exception`, and print what they were
at to standard error before anyone can stop them, cells of patients included. So that is held back while they work, and
thrown away if they fail.
"""

import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from threading import Lock
from typing import BinaryIO

import duckdb

from pipeline.machine.errors import PipelineError, UnreadableError
from pipeline.machine.faults import as_data_error, place_of
from pipeline.reading.sources.source import Around, Batch

_STDERR = 2


@contextmanager
def reading(file: str, part: str) -> Iterator[None]:
    """Whatever goes wrong within is told of `file`; `part` names what reads it, e.g. `the reader of workbooks`. Raises
    UnreadableError in place of any error that is not meant for the user; without its text, which may quote what the
    file holds."""
    try:
        with _held_back():
            yield
    except (PipelineError, KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as error:
        told = None if isinstance(error, duckdb.Error) else as_data_error(error, name=file)
        raise told or UnreadableError(
            f"{file}: this file could not be read: {part} broke off ({place_of(error)}). Nothing was lost or "
            "half-written.\n  Open it in the program that it is from and save it again, as CSV if you can. "
            "If that does not help, report the text in the brackets; it holds nothing of your file."
        ) from error


@dataclass
class Guarded(Around):
    """A source whose failures are told with the name of its file; see `pipeline.reading.sources.source.Source`."""

    file: str
    part: str

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        with reading(self.file, self.part):
            batches = iter(self.source.batches(headings))
        while True:
            with reading(self.file, self.part):
                batch = next(batches, None)
            if batch is None:
                return
            yield batch


@dataclass
class _Held:
    """Standard error while it is held back; several threads may read at once."""

    readers: int = 0
    is_failed: bool = False
    kept: int | None = None
    file: BinaryIO | None = None
    lock: Lock = field(default_factory=Lock)


_held = _Held()


@contextmanager
def _held_back() -> Iterator[None]:
    """What is written to standard error meanwhile comes out at the end; not at all if an error ends it."""
    with _held.lock:
        if not _held.readers:
            _held.kept, _held.file = _redirected()
            _held.is_failed = False
        _held.readers += 1
    try:
        yield
    except BaseException:
        _held.is_failed = True
        raise
    finally:
        with _held.lock:
            _held.readers -= 1
            if not _held.readers:
                _let_go(_held)


def _let_go(held: _Held) -> None:
    _restore(held.kept)
    if held.file is None:
        return
    with held.file as file, suppress(OSError):
        if not held.is_failed and file.tell():
            file.seek(0)
            os.write(_STDERR, file.read())


def _redirected() -> tuple[int | None, BinaryIO | None]:
    """The true standard error, and what stands in its place; neither where there is none, or no room to hold it."""
    with suppress(OSError, ValueError, AttributeError):
        sys.stderr.flush()
    kept = None
    try:
        kept = os.dup(_STDERR)
        held = tempfile.TemporaryFile()  # noqa: SIM115
        os.dup2(held.fileno(), _STDERR)
    except OSError:
        if kept is not None:
            os.close(kept)
        return None, None
    return kept, held


def _restore(kept: int | None) -> None:
    if kept is None:
        return
    with suppress(OSError, ValueError, AttributeError):
        sys.stderr.flush()
    os.dup2(kept, _STDERR)
    os.close(kept)
