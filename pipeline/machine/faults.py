"""What went wrong outside our own code, in words that one can act on: a full disk, a closed folder, too little memory.

The texts of such errors quote paths and values, so only their kind is told.
"""

import errno
import os
import shutil
import traceback
from pathlib import Path

import duckdb

from pipeline.machine.errors import DataError

_NOTHING_LOST = "Nothing was lost or half-written."
_FULL = (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC))
_FULL_WORDS = ("no space left", "file too large", "quota exceeded", "not enough space", "max_temp_directory_size")
_MEMORY_WORDS = ("out of memory", "could not allocate", "failed to allocate", "failed to pin")
_DAMAGED_WORDS = ("read enough bytes", "checksum", "corrupt", "failed to deserialize", "serialization error")
_CLOSED_WORDS = ("permission denied", "access is denied", "read-only", "read only", "failed to create directory")


def as_data_error(error: BaseException, *, name: str) -> DataError | None:
    """What to tell of an error of the database, of a file or of memory; None for any other.

    `name` is the file that was worked on, where the error names none.
    """
    if isinstance(error, duckdb.Error):
        return DataError(_of_database(_first(error), name))
    if isinstance(error, OSError):
        return DataError(_of_file(error, name))
    if isinstance(error, MemoryError):
        return DataError(_too_little_memory(name))
    return None


def need_room(need: float, folder: Path, *, what: str, instead: str) -> None:
    """Refuse to begin what needs so many bytes of the disk of a folder.

    Raises DataError where fewer are free; `instead` says what to do.
    """
    free = shutil.disk_usage(folder).free
    if free < need:
        raise DataError(
            f"{what} about {need / 1e6:,.0f} MB, and {free / 1e6:,.0f} MB are free. {instead}; nothing was changed."
        )


def our_fault(error: BaseException) -> str:
    """An error that should not be, for whoever mends it: its kind and where it arose, without its text.

    The text may quote what the files hold.
    """
    return (
        f"this is a fault of toothyears, not of your data ({place_of(error)}). {_NOTHING_LOST} "
        "Please report the text in the brackets; it holds nothing of your files."
    )


def place_of(error: BaseException) -> str:
    """The kind of an error and where it arose, without its text."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if Path(f.filename).parent.name != "click"][-6:]
    places = " > ".join(f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in ours)
    return f"{type(error).__name__} at {places}"


def is_damaged(text: str) -> bool:
    """Whether an error of the database says that its file is cut short or holds other bytes than were written."""
    return any(word in text.lower() for word in _DAMAGED_WORDS)


def damaged(name: str) -> str:
    """What to do with a database that is cut short or holds other bytes than were written."""
    return (
        f"{name}: the database is damaged: it was cut short, or holds other bytes than were written, as after a copy "
        "that did not end or a disk that fails. Put back the last whole copy; or move it away, keep the key of the "
        "pseudonyms beside it, and run `toothyears run`, which makes it anew from all files that are listed."
    )


def _first(error: duckdb.Error) -> duckdb.Error:
    """The database's first error: after it every other step fails too, those that tidy up included."""
    first, now = error, error.__context__
    while now is not None:
        first = now if isinstance(now, duckdb.Error) else first
        now = now.__context__
    return first


def _of_database(error: duckdb.Error, name: str) -> str:
    text = str(error).lower()
    if any(word in text for word in _FULL_WORDS):
        return _full(name)
    if isinstance(error, duckdb.OutOfMemoryException) or any(word in text for word in _MEMORY_WORDS):
        return _too_little_memory(name)
    if any(word in text for word in _CLOSED_WORDS):
        return _closed(name)
    if is_damaged(text):
        return damaged(name)
    kind = type(error).__name__
    if isinstance(error, (duckdb.IOException, duckdb.FatalException, duckdb.SerializationException)):
        return (
            f"{name}: the database cannot be read or written ({kind}). {_NOTHING_LOST} Check that the disk is "
            "connected and sound, then run again; if it goes on, put back the last copy of the database."
        )
    return f"{name}: the database refused a step ({kind}); this is a fault of toothyears. {_NOTHING_LOST}"


def _of_file(error: OSError, name: str) -> str:
    named = Path(error.filename).name if isinstance(error.filename, str | Path) else name
    if error.errno in _FULL:
        return _full(named)
    if isinstance(error, FileNotFoundError):
        return f"{named}: is not there any more. Run again when it is. {_NOTHING_LOST}"
    if isinstance(error, PermissionError) or error.errno == errno.EROFS:
        return _closed(named)
    reason = os.strerror(error.errno) if error.errno else "an error of the system"
    return f"{named}: cannot be read or written ({reason}). {_NOTHING_LOST} Check the file and the disk, and run again."


def _full(name: str) -> str:
    return f"{name}: the disk is full. {_NOTHING_LOST} Make room on the disk and run again."


def _closed(name: str) -> str:
    return f"{name}: you may not read or write it. {_NOTHING_LOST} Check your rights to the file and its folder."


def _too_little_memory(name: str) -> str:
    return (
        f"{name}: there is not enough memory for this step. {_NOTHING_LOST} Close other programs and run again, or use "
        "a computer with more memory."
    )
