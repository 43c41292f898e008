"""Zip archives: each file in one is read like a file beside it, one after the other.

An archive is unpacked into a folder of its owner's alone, which goes when the command ends. The names in it are only
names: nothing is written where they point to. The sizes that it states are not believed.
"""

import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.sources.excel_safety import MAX_RATIO, MAX_UNPACKED
from pipeline.reading.sources.kinds import ARCHIVE, kind_of
from pipeline.reading.sources.safe_path import Key, key_of, refuse_known_as_too_large, too_large_inside
from pipeline.reading.sources.source import SHEET, Batch, ReadOptions, Source, Spoken, aside, lines_alone

_MOST_FILES = 5_000
_SMALL = 100_000_000  # what unpacks to no more than this is no bomb, whatever the ratio
_CHUNK = 1 << 20
# What some systems put into every archive.
_NOT_MEANT = ("__MACOSX", ".DS_Store", "Thumbs.db", "desktop.ini")

_UNPACKED: dict[Key, tuple[tempfile.TemporaryDirectory[str], dict[str, Path]]] = {}


def members(path: Path) -> dict[str, Path]:
    """The files in an archive by their names there, unpacked; once in a command. Raises DataError if it is damaged,
    locked or empty, or unpacks to more than an export does."""
    key = key_of(path)
    refuse_known_as_too_large(path)
    if key not in _UNPACKED:
        folder = tempfile.TemporaryDirectory(prefix="toothyears-")
        try:
            _UNPACKED[key] = folder, _unpack(path, Path(folder.name))
        except BaseException:
            folder.cleanup()
            raise
    return _UNPACKED[key][1]


@dataclass
class Archive:
    """The files of an archive that are read; see `pipeline.reading.sources.source.Source`. Row numbers run on."""

    headings: list[str]
    spoken: Spoken
    parts: list[tuple[str, Source]] = field(repr=False)
    not_read: list[str] = field(repr=False)

    @property
    def remark(self) -> str | None:
        """What the files remark, each with its name, once all batches have been taken."""
        told = [f"{name}: {said}" for name, source in self.parts if (said := getattr(source, "remark", None))]
        return "; ".join(told) or None

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Rows of one file after the other; see `Source.batches`."""
        wanted = self.headings if headings is None else list(headings)
        before = last = 0
        for name, source in self.parts:
            there = [h for h in wanted if h in source.headings]
            inner = [SHEET] if SHEET in source.headings and SHEET not in there else []
            for batch in source.batches([*there, *inner]):
                numbers, malformed = batch.numbers + before, batch.malformed
                malformed = malformed.with_columns(pl.col("row_number") + before)
                claims = None if batch.claims is None else batch.claims.with_columns(pl.col("row_number") + before)
                last = max([last, *(n for n in (numbers.max(), malformed["row_number"].max()) if isinstance(n, int))])
                yield Batch(numbers, _as_wanted(batch.rows, name, wanted), malformed, claims, batch.section)
            before = last
        if self.not_read:
            numbers_of_them = range(before + 1, before + len(self.not_read) + 1)
            yield lines_alone(wanted, aside(numbers_of_them, self.not_read, "sheet_not_read"))


def open_archive(path: Path, options: ReadOptions, open_one: Callable[[Path, ReadOptions], Source]) -> Archive:
    """The files of an archive that have all the headings that are wanted; `sheets` names them instead. Raises DataError
    if none of them can be read, one that is named is not there, or one has some of the headings only."""
    inside = members(path)
    if lacking := [name for name in options.sheets if name not in inside]:
        known = ", ".join(f'"{name}"' for name in inside)
        raise DataError(f'{path.name}: has no file "{lacking[0]}" in it. There: {known}. Correct sheets = [...].')
    needed = set(options.needed)
    opened: list[tuple[str, Source]] = []
    faults: dict[str, DataError] = {}
    for name in [n for n in inside if not options.sheets or n in options.sheets]:
        try:
            opened.append((name, open_one(inside[name], replace(options, sheets=(), within=_within(path, name)))))
        except DataError as error:
            faults[name] = error
    if faults and (options.sheets or not opened):
        fault = next(iter(faults.values()))
        raise DataError(f"{path.name}: in it, {fault}") from fault
    there = {n: len(needed & set(s.headings)) if not s.spoken.fields else len(needed) for n, s in opened}
    chosen = opened if options.sheets else [(n, s) for n, s in opened if there[n] == len(needed)]
    if chosen and not options.sheets and (half := [n for n, count in there.items() if 0 < count < len(needed)]):
        raise DataError(
            f'{path.name}: "{half[0]}" in it has only some of the headings that "{chosen[0][0]}" has.\n'
            f'  Say which are to be read with sheets = ["{chosen[0][0]}"] under [tables.{options.table}].'
        )
    chosen = chosen or [max(opened, key=lambda one: there[one[0]])]
    if len({(s.spoken.fields, s.spoken.notation) for _, s in chosen}) > 1:
        raise DataError(
            f"{path.name}: the files in it are of several kinds. Say which are to be read with sheets = [...] under "
            f"[tables.{options.table}]."
        )
    spoken = chosen[0][1].spoken
    headings = list(dict.fromkeys(h for _, s in chosen for h in s.headings))
    headings += [] if SHEET in headings or spoken.fields else [SHEET]
    read = {name for name, _ in chosen}
    return Archive(headings, spoken, chosen, [n for n in inside if n not in read and not options.sheets])


def _within(path: Path, name: str) -> tuple[str, ...]:
    """The names of what a file in an archive stands in: the archive, and the folders in it."""
    return (path.name, *PurePosixPath(name.replace("\\", "/")).parts[:-1])


def _as_wanted(rows: pl.DataFrame, name: str, wanted: list[str]) -> pl.DataFrame:
    sheet = pl.format("{}, {}", pl.lit(name), pl.col(SHEET)) if SHEET in rows.columns else pl.lit(name)
    rows = rows.with_columns(sheet.alias(SHEET))
    lacking = (pl.lit(None, pl.String).alias(h) for h in wanted if h not in rows.columns)
    return rows.with_columns(lacking).select(wanted)


def _unpack(path: Path, folder: Path) -> dict[str, Path]:
    found: dict[str, Path] = {}
    size, total = path.stat().st_size, 0
    try:
        with zipfile.ZipFile(path) as packed:
            inside = [m for m in packed.infolist() if not m.is_dir() and not _is_litter(m.filename)]
            if any(m.flag_bits & 1 for m in inside):
                raise DataError(f"{path.name}: the archive is locked with a password. Unpack it and name its files.")
            if len(inside) > _MOST_FILES:
                raise DataError(f"{path.name}: more than {_MOST_FILES:,} files are in it. Unpack it and name them.")
            for number, member in enumerate(inside):
                name = PurePosixPath(member.filename.replace("\\", "/")).name
                target = folder / str(number) / (name if name not in ("", ".", "..") else "file")
                target.parent.mkdir()
                member.file_size = 2 * MAX_UNPACKED  # read to the true end, not to the one that is stated
                with packed.open(member) as stream, target.open("wb") as out:
                    while piece := stream.read(_CHUNK):
                        total += len(piece)
                        if total > MAX_UNPACKED or (total > _SMALL and total > MAX_RATIO * size):
                            raise too_large_inside(
                                path,
                                f"{path.name}: it unpacks to far more than an export holds, so it is not opened. If "
                                "it is yours, unpack it and name the files that were in it.",
                            )
                        out.write(piece)
                found[_free(member.filename, found)] = target
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ValueError) as error:
        raise DataError(
            f"{path.name}: the archive is damaged or packed in a rare way. Copy or pack it anew."
        ) from error
    if not found:
        raise DataError(f"{path.name}: the archive is empty. Export it again, or leave it out.")
    if any(kind_of(inner) == ARCHIVE for inner in found.values()):
        raise DataError(f"{path.name}: an archive is in this archive. Unpack it and name the files that were in it.")
    return found


def _free(name: str, taken: dict[str, Path]) -> str:
    while name in taken:
        name += " (2)"
    return name


def _is_litter(name: str) -> bool:
    return any(part in _NOT_MEANT or part.startswith("._") for part in name.split("/"))
