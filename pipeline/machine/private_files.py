"""Files that only their owner may read, each put in place in one step: a reader sees the former file or the new one.

Results say how a practice's patients fared, and worksheets and keys name them; so no output is readable by others,
whatever the computer's default is. On Windows the folder's own rights hold instead.
"""

import contextlib
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

# What stands in the name of every file that names patients, and in words in the file itself.
MARK = "holds-patient-data"
MARK_IN_WORDS = "HOLDS PATIENT DATA - for use inside the practice only; do not send or copy it"


def write_private(path: Path, content: bytes | str) -> Path:
    """Put `content` (text in UTF-8) at `path`, readable by its owner alone, and return the path.

    Raises OSError where that cannot be done. The former file is then as it was, and nothing new lies beside it.
    """
    write_private_files({path: content})
    return path


def write_private_files(contents: Mapping[Path, bytes | str]) -> None:
    """Put several files in place, none before all of them lie complete on the disk; in the order given.

    Raises OSError where one cannot be written. All former files are then as they were.
    """
    made: list[tuple[str, Path]] = []
    try:
        for path, content in contents.items():
            if path.is_dir():
                raise IsADirectoryError(f"{path.name} is a folder")
            made.append((_complete_beside(path, content.encode() if isinstance(content, str) else content), path))
        for name, path in made:
            os.replace(name, path)
    except BaseException:
        for name, _ in made:
            with contextlib.suppress(OSError):
                os.unlink(name)
        raise
    for folder in {path.parent for path in contents}:
        keep_folder(folder)


def make_private(path: Path, content: bytes) -> bool:
    """Put `content` at `path` unless something is there; whether it was put. It never stands there in part.

    Raises OSError where that cannot be done.
    """
    name = _complete_beside(path, content)
    try:
        os.link(name, path)  # unlike a rename, this never takes the place of a file
    except FileExistsError:
        return False
    except OSError:  # a disk without hard links, such as a memory stick
        return _put_exclusively(path, content)
    finally:
        os.unlink(name)
    keep_folder(path.parent)
    return True


def private_folder(path: Path) -> Path:
    """Make a folder and those above it that are missing, for their owner alone; one that is there is left as it is."""
    missing = [folder for folder in (path, *path.parents) if not folder.exists()]
    for folder in reversed(missing):
        folder.mkdir(mode=0o700, exist_ok=True)
    if not path.is_dir():
        raise NotADirectoryError(f"{path.name} is a file, not a folder")
    return path


def keep_folder(folder: Path) -> None:
    """Have the disk keep which files lie in a folder, where the system can be asked to."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _complete_beside(path: Path, content: bytes) -> str:
    """The name of a new file beside `path` that holds `content` and is safe on the disk."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".tmp")  # 0600 from the start
    _fill(handle, name, content)
    return name


def _put_exclusively(path: Path, content: bytes) -> bool:
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
    except FileExistsError:
        return False
    _fill(handle, path, content)
    return True


def _fill(handle: int, path: Path | str, content: bytes) -> None:
    """Write a new file and see it safe on the disk; gone again where that fails."""
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
    except BaseException:
        os.unlink(path)
        raise
