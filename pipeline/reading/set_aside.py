"""Rows that were set aside, written out to be mended in a spreadsheet, and the mended files read back.

A spreadsheet takes text that begins with = + - @ for a formula, and rewrites dates, long numbers and leading zeros as
it likes. Such texts get an apostrophe in front, which is taken off again when the file is read back.
"""

import csv
import io
import json
import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.machine.private_files import MARK, MARK_IN_WORDS, private_folder, write_private_files
from pipeline.practice.read_tables import MENDED_SCHEMA
from pipeline.practice.reasons import Reason
from pipeline.reading.sources.source import MALFORMED_SCHEMA, Batch, Source, Spoken

FILE, ROW, WHY, WHAT_TO_DO, LINE = "set_aside_file", "set_aside_row", "why", "what_to_do", "set_aside_line"
HEADINGS = (FILE, ROW, WHY, WHAT_TO_DO)
# Reasons that leave nothing to mend: another row counts instead.
SETTLED = ("corrected", "superseded", "in_other_file")
HASH_LETTERS = 12

_PLAIN_NUMBER = re.compile(r"-?(0|[1-9][0-9]{0,10})([.,][0-9]+)?")
# Text that a spreadsheet would change when it opens or saves the file: 007, 3-5, 01/02/2020, 1E5, long numbers.
_REWRITTEN = re.compile(r"0\d+|\d{12,}|\d+[-/.:]\d+([-/.:T ].*)?|\d+(\.\d+)?[eE]\d+")


def armed(text: str) -> str:
    """`text` as it may stand in a spreadsheet: with an apostrophe in front where it would be run or rewritten."""
    seen = "".join(c for c in unicodedata.normalize("NFKC", text) if unicodedata.category(c) != "Cf")
    first = seen.lstrip(" ")[:1]
    if _PLAIN_NUMBER.fullmatch(text):
        return text
    unsafe = first and first in "=+-@\t\r\n\0'"
    return f"'{text}" if unsafe or text.startswith("'") or _REWRITTEN.fullmatch(seen.strip()) else text


def disarmed(text: pl.Expr) -> pl.Expr:
    """The text without the one apostrophe that `armed` put in front."""
    return text.str.replace("^'", "")


def write_set_aside(
    rows: pl.DataFrame, out: Path, reasons: Mapping[str, Reason], *, originals: Mapping[str, Source]
) -> list[Path]:
    """Write the rows set aside as CSV (UTF-8 with a byte order mark), one file per source file, for the owner alone.

    `rows` has `file, hash, table_name, row_number, reason`, one row per row set aside. `originals` are the opened
    source files by the SHA-256 of their bytes: rows are taken from them as they stand there, and those of other files
    left out. Returns the files written, by name, which says as their first line does that they hold patient data. Below
    it each has `set_aside_file`, `set_aside_row`, `why`, `what_to_do` and the file's own columns in their order. Rows
    whose reason leaves nothing to mend are left out. Raises DataError if the folder cannot be written.
    """
    open_rows = rows.filter(~pl.col("reason").is_in(SETTLED)).sort("table_name", "file", "hash", "row_number", "reason")
    open_rows = open_rows.unique(["table_name", "hash", "row_number"], keep="first", maintain_order=True)
    contents: dict[Path, bytes | str] = {}
    for (table, file, digest), of_file in open_rows.group_by("table_name", "file", "hash", maintain_order=True):
        if (original := originals.get(str(digest))) is None:
            continue
        found = _rows_of(original, of_file["row_number"])
        said = of_file.select("row_number", "reason").rows()
        lines = [(n, reason, found[n]) for n, reason in said if n in found]
        path = out / f"{table}-{_safe_name(str(file))}-{str(digest)[:HASH_LETTERS]}-{MARK}.csv"
        name = f"{file} {str(digest)[:HASH_LETTERS]}"
        contents[path] = _as_csv(name, original.headings, lines, reasons).encode("utf-8-sig")
    try:
        private_folder(out)
        write_private_files(contents)
    except OSError as error:
        raise DataError(f"{out.name}: cannot be written. Choose another folder with --out, or make room.") from error
    return sorted(contents)


@dataclass(frozen=True)
class MendedFile:
    """A file of mended rows as a source: its rows without our columns and apostrophes. It is read as `original` is:
    what that file says about itself holds for its mended rows too. See `Source`."""

    source: Source
    original: Source
    digest: str
    name: str

    @property
    def root(self) -> Source:
        """The file of the practice's software that the rows were in first; its dates show how they are written."""
        return self.original.root if isinstance(self.original, MendedFile) else self.original

    @property
    def root_name(self) -> str:
        """The name of that file."""
        return self.original.root_name if isinstance(self.original, MendedFile) else getattr(self.original, "file", "")

    @property
    def headings(self) -> Sequence[str]:
        """The headings of the original file."""
        return [_disarm(h) for h in self.source.headings if h not in (*HEADINGS, LINE)]

    @property
    def spoken(self) -> Spoken:
        """What the original file says about itself."""
        return self.original.spoken

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """The mended rows. A row that does not say which row it mends comes out as malformed."""
        for batch in self.source.batches():
            said = batch.rows.select(_row_said().alias("of_row"))["of_row"]
            rows = batch.rows.select(
                disarmed(pl.col(h).cast(pl.String)).alias(_disarm(h))
                for h in batch.rows.columns
                if h not in (*HEADINGS, LINE) and (headings is None or _disarm(h) in headings)
            )
            whole = batch.rows.select(pl.struct(pl.all()).struct.json_encode().alias("raw_row"))["raw_row"]
            lost = pl.DataFrame({"row_number": batch.numbers, "raw_row": whole}).filter(said.is_null())
            lost = lost.with_columns(field=pl.lit(ROW), reason=pl.lit("mended_row_unknown"))
            malformed = pl.concat([batch.malformed, lost], how="diagonal").select(
                pl.col(n).cast(t) for n, t in MALFORMED_SCHEMA.items()
            )
            keep = said.is_not_null()
            yield Batch(batch.numbers.filter(keep), rows.filter(keep), malformed)

    def mended(self) -> pl.DataFrame:
        """Which row of which file each row mends (`MENDED_SCHEMA`); `of_hash` is that file's SHA-256."""
        pieces = [
            batch.rows.select(
                batch.numbers.alias("row_number"), pl.lit(self.digest).alias("of_hash"), _row_said().alias("of_row")
            )
            for batch in self.source.batches([ROW])
        ]
        return pl.concat([pl.DataFrame(schema=MENDED_SCHEMA), *pieces]).drop_nulls()


def open_mended(source: Source, originals: Mapping[str, Source], *, name: str) -> MendedFile:
    """Take an opened file for a file of mended rows; `originals` are the opened files of its table by the SHA-256 of
    their bytes. Raises DataError if it lacks our columns, or its rows are not of exactly one file that is listed."""
    if missing := [h for h in (FILE, ROW) if h not in source.headings]:
        raise DataError(
            f"{name}: is listed under corrected, but has no column {missing[0]}. "
            "List files that `toothyears set-aside` wrote and you have mended, with all their columns."
        )
    of = _files_said(source)
    found = [digest for digest in originals if digest[:HASH_LETTERS] in of]
    if len(of) != 1 or len(found) != 1:
        raise DataError(
            f"{name}: its rows are of {len(of)} files, {len(found)} of which are listed under files of this table. "
            "Keep the mended rows of each file in a file of their own, and keep that file listed under files."
        )
    return MendedFile(source, originals[found[0]], found[0], name)


def mends_one_of(source: Source, originals: Mapping[str, Source]) -> bool:
    """Whether a file says of some row that it is of one of these files."""
    return {digest[:HASH_LETTERS] for digest in originals} & _files_said(source) != set()


def not_mended(mended: pl.DataFrame, originals: pl.DataFrame) -> pl.DataFrame:
    """Of the mended rows that were set aside again, those in which nothing was changed.

    `mended` has `row_number, raw_row, reason, of_row` and `originals`, the rows set aside of the file that they mend,
    `row_number, raw_row, reason`. Returns the `row_number` of `mended`. Empty text, blanks around a text and the order
    of columns do not matter. A line that could not be split is unchanged as long as its columns are empty.
    """
    before = {
        n: (_filled(raw), reason) for n, raw, reason in originals.select("row_number", "raw_row", "reason").rows()
    }
    same = []
    for n, raw, of_row in mended.select("row_number", "raw_row", "of_row").rows():
        was, reason = before.get(of_row, ({}, ""))
        now = _filled(raw)
        if of_row in before and (now == was or (not now and reason == "malformed_line")):
            same.append(n)
    return pl.DataFrame({"row_number": same}, schema={"row_number": pl.Int64})


def _files_said(source: Source) -> set[str]:
    """The beginnings of the SHA-256 of the files that the rows of a file of mended rows are of."""
    if FILE not in source.headings:
        return set()
    pieces = [batch.rows.select(pl.col(FILE).cast(pl.String)) for batch in source.batches([FILE])]
    said = pl.concat([pl.DataFrame(schema={FILE: pl.String}), *pieces])[FILE].str.strip_chars()
    return set(said.str.extract(rf"([0-9a-f]{{{HASH_LETTERS}}})$").drop_nulls())


def _rows_of(original: Source, numbers: pl.Series) -> dict[int, dict[str, str | None]]:
    """Row number to the row under the file's own headings; a line that could not be split stands under `LINE`."""
    found: dict[int, dict[str, str | None]] = {}
    for batch in original.batches():
        rows = batch.rows.with_columns(pl.all().cast(pl.String), batch.numbers.alias(ROW))
        for row in rows.filter(pl.col(ROW).is_in(numbers.implode())).iter_rows(named=True):
            found[row.pop(ROW)] = row
        lines = batch.malformed.filter(pl.col("row_number").is_in(numbers.implode()))
        found |= {n: {LINE: line} for n, line in lines.select("row_number", "raw_row").iter_rows()}
    return found


def _parsed(raw: str) -> dict[str, str | None]:
    row = {str(k): None if v is None else str(v) for k, v in json.loads(raw).items()}
    return {LINE: row["line"]} if list(row) == ["line"] else row


def _filled(raw: str) -> dict[str, str]:
    return {k: v.strip() for k, v in _parsed(raw).items() if v is not None and v.strip()}


def _as_csv(
    file: str,
    headings: Sequence[str],
    lines: Sequence[tuple[int, str, Mapping[str, str | None]]],
    reasons: Mapping[str, Reason],
) -> str:
    names = [*headings, *([LINE] if any(LINE in row for _, _, row in lines) else [])]
    text = io.StringIO()
    writer = csv.writer(text, quoting=csv.QUOTE_ALL)  # a sign that parts cells elsewhere parts none then
    writer.writerow([MARK_IN_WORDS])
    writer.writerow([*HEADINGS, *map(armed, names)])
    for number, code, row in lines:
        reason = reasons.get(code, Reason(code, ""))
        writer.writerow(
            [armed(file), number, reason.meaning, reason.what_to_do, *(armed(row.get(name) or "") for name in names)]
        )
    return text.getvalue()


def _safe_name(file: str) -> str:
    return re.sub(r"[^\w.-]+", "_", Path(file).name).strip("._") or "file"


def _row_said() -> pl.Expr:
    return pl.col(ROW).cast(pl.String).str.strip_chars().str.replace(r"\.0+$", "").cast(pl.Int64, strict=False)


def _disarm(heading: str) -> str:
    return heading.removeprefix("'")
