"""Which files may be opened at all: ordinary ones, and none that a link in the practice's folder leads away to."""

import os
import stat
from pathlib import Path

from pipeline.machine.errors import DataError

# A file as it is now: its place, and what changes when it is written again.
Key = tuple[str, int, int, int]


_TOO_LARGE: dict[Key, str] = {}


def too_large_inside(path: Path, message: str) -> DataError:
    """The refusal of a packed file that unpacks to too much; it is told again without unpacking it again."""
    _TOO_LARGE[key_of(path)] = message
    return DataError(message)


def refuse_known_as_too_large(path: Path) -> None:
    """Refuse (`DataError`) a packed file that was found to unpack to too much, as long as it is the same file."""
    if _TOO_LARGE and (message := _TOO_LARGE.get(key_of(path))):
        raise DataError(message)


def refuse_outside(path: Path, folder: Path) -> None:
    """Refuse a path that does not end where it says: a link in `folder` that leads out of it.

    A file that PRACTICE.toml names by its own place elsewhere is meant to be read; there, only a link in that place
    that leads out of it is refused. `folder` is the folder of PRACTICE.toml.

    Raises DataError if a link leads out, or leads nowhere, or the path is no ordinary file.
    """
    said, inside = Path(os.path.abspath(path)), Path(os.path.abspath(folder))
    base = inside if said.is_relative_to(inside) else said.parent
    try:
        leads_out = not said.resolve(strict=True).is_relative_to(base.resolve())
    except FileNotFoundError as error:
        raise DataError(f"{path.name}: there is no such file, or it is a link to one that is gone.") from error
    except (OSError, RuntimeError) as error:
        raise cannot_open(path) from error
    if leads_out:
        raise DataError(
            f"{path.name}: this is a link that leads out of the folder it is in, so it is not followed.\n"
            "  Put the file itself there, or write where it really is in PRACTICE.toml."
        )
    refuse_irregular(path)


def refuse_irregular(path: Path) -> None:
    """Refuse what is no ordinary file: a folder, a device, a pipe; and what cannot be seen. Raises DataError if it is
    one of these."""
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise cannot_open(path) from error
    if stat.S_ISDIR(mode):
        raise DataError(f"{path.name}: this is a folder, not a file. Name the files in it, e.g. {path.name}/*.csv.")
    if not stat.S_ISREG(mode):
        raise DataError(
            f"{path.name}: this is a device or a pipe, not a file. Save the export as a file and name that."
        )


def cannot_open(path: Path) -> DataError:
    """What to say of a file that is there and cannot be opened."""
    return DataError(f"{path.name}: the file cannot be opened. Close it elsewhere, or check that you may read it.")


def key_of(path: Path) -> Key:
    """By what a file is known again that was looked at before; one that cannot be seen has a place alone."""
    try:
        status = path.stat()
    except OSError:
        return str(path), 0, 0, 0
    return str(path.absolute()), status.st_ino, status.st_size, status.st_mtime_ns
