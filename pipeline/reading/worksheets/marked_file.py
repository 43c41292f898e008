"""Files that say in their name that they hold patient data, readable by their owner alone."""

import csv
import datetime as dt
import io
from collections.abc import Sequence
from pathlib import Path

from pipeline.machine.errors import DataError
from pipeline.machine.private_files import MARK, make_private, private_folder, write_private
from pipeline.reading.set_aside import armed


def write_marked(folder: Path, name: str, suffix: str, content: bytes, *, keep_former: bool = False) -> Path:
    """Put `content` into `folder` as `<name>-holds-patient-data<suffix>`; returns the path. With `keep_former`, a file
    that is there stays, and the new one gets the first free of `-2`, `-3` and so on. Raises DataError if the folder
    cannot be written to, or the file is open elsewhere."""
    path = folder / f"{name}-{MARK}{suffix}"
    try:
        private_folder(folder)
        if not keep_former:
            return write_private(path, content)
        free, number = path, 1
        while not make_private(free, content):
            number += 1
            free = path.with_name(f"{path.stem}-{number}{suffix}")
        return free
    except OSError as error:
        raise DataError(
            f"{path.name}: cannot be written to the folder {folder.name}. Close it if it is open elsewhere, or give "
            "another folder with --out."
        ) from error


def csv_bytes(headings: Sequence[str], rows: Sequence[Sequence[object]]) -> bytes:
    """CSV in UTF-8 with a byte order mark, which spreadsheets need. A text that they would run or rewrite is armed."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, quoting=csv.QUOTE_ALL)  # a sign that parts cells elsewhere parts none then
    writer.writerow(headings)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue().encode("utf-8-sig")


def _cell(value: object) -> str:
    if value is None:
        return ""
    return str(value) if isinstance(value, dt.date | int) else armed(str(value))
