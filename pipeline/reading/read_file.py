"""One file on its way into the database: its batches typed, counted, and what is set aside kept for later.

The typed rows are handed on as a stream, so that the database stores one batch while the next one is read. What goes
elsewhere (rows set aside, what claims do) is few as a rule; where it is much it waits in a file of the owner's.
"""

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from dataclasses import fields as dataclass_fields
from functools import cached_property, partial
from pathlib import Path

import polars as pl

from pipeline.machine.in_turn import InTurn
from pipeline.machine.progress import Progress
from pipeline.practice.pseudonyms import Pseudonyms
from pipeline.practice.read_tables import READ_VALUES, STORED_QUARANTINE
from pipeline.practice.tables import CLAIMS, Table
from pipeline.reading.column_forms import ColumnForms, part_names
from pipeline.reading.doubts import Seen
from pipeline.reading.doubts.look import OfTable
from pipeline.reading.sources import Batch, Source, reading
from pipeline.reading.sources.source import in_few
from pipeline.transforms.clean import DONE_ON, NOTE_SCHEMA, Cleaned, Reading, clean

TYPING = "the typing of its cells"
# In place of the row where a chart note is set aside: it is mended from the file itself.
NOT_KEPT = "{}"
_MOST_WAITING = 200_000


def clean_by_part(fields: pl.DataFrame, batch: Batch, reading: Reading, forms: ColumnForms) -> Cleaned:
    """Type the fields of a batch, those of each part of the file by the forms of its own, if it has such."""
    numbered = fields.insert_column(0, batch.numbers.alias("row_number"))
    if not forms.by_part:
        return clean(numbered, reading)
    part = part_names(batch.rows, forms.parted_by)
    pieces = [clean(numbered.clear(), reading)]
    for name in part.unique(maintain_order=True):
        own = replace(reading, dates={**reading.dates, **forms.by_part.get(name, {})})
        pieces.append(clean(numbered.filter(part == name), own))
    return Cleaned(*(pl.concat([getattr(piece, f.name) for piece in pieces]) for f in dataclass_fields(Cleaned)))


@dataclass
class Waiting:
    """Rows of one declared table that are stored after the file is read; many of them wait in files of `folder`."""

    table: Table
    folder: Path
    _frames: list[pl.DataFrame] = field(default_factory=list)
    _files: list[Path] = field(default_factory=list)

    def add(self, frame: pl.DataFrame) -> None:
        """Keep some rows."""
        if frame.height:
            self._frames.append(frame.select(*self.table.columns))
        if sum(f.height for f in self._frames) > _MOST_WAITING:
            self.folder.mkdir(parents=True, exist_ok=True)
            path = self.folder / f"{self.table.name}-{len(self._files)}.parquet"
            pl.concat(self._frames).write_parquet(path)
            self._files.append(path)
            self._frames.clear()

    def pieces(self) -> Iterator[pl.DataFrame]:
        """All rows kept, in pieces."""
        for path in self._files:
            yield pl.read_parquet(path)
            path.unlink()
        yield from self._frames


def in_bulk(pieces: Iterable[pl.DataFrame]) -> Iterator[pl.DataFrame]:
    """The rows of pieces of one table, many small pieces as one."""
    held: list[pl.DataFrame] = []
    for piece in pieces:
        held.append(piece)
        if sum(rows.height for rows in held) > _MOST_WAITING:
            yield pl.concat(held)
            held.clear()
    if held:
        yield pl.concat(held)


@dataclass
class FileRead:
    """What reading one file comes to; complete once `rows` is used up. `dated` counts rows with a readable date of
    work, `ahead` those of them after today."""

    source: Source
    seen: Seen
    reading: Reading
    load_id: int
    pseudonyms: Pseudonyms | None
    folder: Path
    progress: Progress
    forms: ColumnForms
    looks: InTurn  # looks for doubts are gone through one after the other, beside the reading of what follows
    held: OfTable
    refuse: Callable[[pl.DataFrame], None] = lambda _: None  # looks at the text of each batch before it is typed
    take_notes: Callable[[pl.DataFrame], pl.DataFrame] | None = None  # chart notes to values, where the file holds them
    rows_read: int = 0
    dated: int = 0
    ahead: int = 0
    aside: Waiting = field(init=False)
    claims: Waiting = field(init=False)
    values: Waiting = field(init=False)
    _notes: list[pl.DataFrame] = field(default_factory=list)

    def __post_init__(self) -> None:
        folder = self.folder / str(self.load_id)  # rows of several files wait at once
        self.aside, self.claims, self.values = (Waiting(t, folder) for t in (STORED_QUARANTINE, CLAIMS, READ_VALUES))

    def rows(self) -> Iterator[pl.DataFrame]:
        """The typed rows of the file's table, batch by batch; everything else is counted or kept on the way."""
        table = self.reading.table
        load_id = pl.lit(self.load_id, pl.Int32).alias("load_id")
        self.looks.do(partial(self.held.begin, self.seen))
        for batch in in_few(self.source.batches()):
            self.refuse(batch.rows)
            with reading(self.seen.file, TYPING):
                fields = self.seen.answers.fields(batch.rows)
                cleaned = clean_by_part(fields, batch, self.reading, self.forms)
            self.looks.do(partial(self._look, batch, fields, cleaned))
            self._count(batch, cleaned)
            if cleaned.rejects.height or batch.malformed.height:
                kept = (
                    {} if self.take_notes is None else {"raw_row": pl.lit(NOT_KEPT), "value": pl.lit(None, pl.String)}
                )
                self.aside.add(_quarantined(batch, cleaned).with_columns(load_id, **kept))
            if batch.claims is not None:
                self.claims.add(self._named(batch.claims, "claim", "replaces").with_columns(load_id))
            rows = cleaned.rows.with_columns(load_id)
            if self.pseudonyms:
                rows = rows.with_columns(self.pseudonyms.of(rows["patient_id"]))
            if self.take_notes is not None:
                self.values.add(self.take_notes(rows))
                rows = rows.with_columns(self._digest(rows["text"]))
            yield (rows if batch.claims is None else self._named(rows, "procedure_id")).select(*table.columns)

        self.looks.do(partial(self._end, dict(getattr(self.source, "dittos", {}))))

    def _look(self, batch: Batch, fields: pl.DataFrame, cleaned: Cleaned) -> None:
        with reading(self.seen.file, TYPING):
            self.seen.add(batch.rows, fields, cleaned=cleaned.rows, rejects=cleaned.rejects, section=batch.section)
            self.seen.add_lines(batch.malformed)

    def _end(self, dittos: Mapping[str, int]) -> None:
        self.seen.dittos.update(dittos)
        self.seen.end(is_whole=True)

    @cached_property
    def notes(self) -> pl.DataFrame:
        """Counts of optional fields whose text was left out: field, note, rows."""
        counted = pl.concat([pl.DataFrame(schema=NOTE_SCHEMA), *self._notes])
        return counted.group_by("field", "note").agg(pl.col("rows").sum()).sort("field", "note")

    def _count(self, batch: Batch, cleaned: Cleaned) -> None:
        before = self.rows_read
        # A row that names several teeth counts once for each.
        self.rows_read += cleaned.rows.height + cleaned.rejects.height + batch.malformed.height
        if batch.claims is not None:
            self.rows_read += batch.claims.filter(pl.col("action") == "reversal").height
        self.progress.step(0, rows=self.rows_read - before)
        if cleaned.notes.height:
            self._notes.append(cleaned.notes)
        if day := DONE_ON.get(self.reading.table.name):
            not_yet = cleaned.rejects.filter(pl.col("reason") == "date_in_future").height
            self.dated += cleaned.rows[day].count() + not_yet
            self.ahead += not_yet

    def _digest(self, texts: pl.Series) -> pl.Series:
        """What is stored in place of notes: enough to know one again, and nothing of what it says."""
        plain = texts.map_elements(lambda t: hashlib.sha256(t.encode()).hexdigest(), return_dtype=pl.String)
        # The pseudonyms remember what they were given: a digest, so that no text is kept in memory either.
        return plain if self.pseudonyms is None else self.pseudonyms.of(plain, namespace="note")

    def _named(self, frame: pl.DataFrame, *columns: str) -> pl.DataFrame:
        # A claim's number is often the patient's.
        if self.pseudonyms is None:
            return frame
        return frame.with_columns(self.pseudonyms.of(frame[c], namespace="claim") for c in columns)


def _quarantined(batch: Batch, cleaned: Cleaned) -> pl.DataFrame:
    """Rows set aside and malformed lines of a batch, with the whole row as JSON."""
    aside = batch.rows.select(batch.numbers.alias("row_number"), pl.struct(pl.all()).alias("raw_row")).filter(
        pl.col("row_number").is_in(cleaned.rejects["row_number"].implode())
    )
    rows = cleaned.rejects.join(aside.with_columns(pl.col("raw_row").struct.json_encode()), on="row_number", how="left")
    line = pl.struct(pl.col("raw_row").alias("line")).struct.json_encode()
    malformed = batch.malformed.with_columns(line.alias("raw_row"), pl.col("reason").fill_null("malformed_line"))
    return pl.concat([rows, malformed], how="diagonal")
