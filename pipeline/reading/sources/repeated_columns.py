"""Several rows side by side in one: `Proc1, Tooth1, Proc2, Tooth2`, or two tables beside each other on a sheet.

Each set of columns gives a row of its own, with the columns that stand once on every one of them. A set in which
nothing stands gives none, but for the first where no other does, so that no row is lost.

Where each set is one column, its heading says what was done and its cells when: a log with a line a tooth, `RCT date,
Crown seated, Ext date`. The heading is then the text of a further column, `treatment`.
"""

import functools
import operator
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.practice.counts import count
from pipeline.reading.sources.source import ROW, Around, Batch, refuse_absent

Sets = tuple[tuple[str, ...], ...]
WORK = "treatment"


@dataclass
class RepeatedColumns(Around):
    """A source with a row for each set of its columns; see `pipeline.reading.sources.source.Source`. The columns are
    called as in the first set. Rows are counted on: of the first row of a file with three sets the rows have the
    numbers 1 to 3, of the second 4 to 6."""

    sets: Sets
    file: str
    _made: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        sets = [h for one in self.sets for h in one]
        refuse_absent(sets, self.source.headings, "repeated_columns", file=self.file)

    @property
    def headings(self) -> Sequence[str]:
        """Those that stand once, and those of the first set."""
        later = {h for one in self.sets[1:] for h in one}
        own = [h for h in self.source.headings if h not in later]
        return [*own, WORK] if self._says_work else own

    @property
    def _says_work(self) -> bool:
        return all(len(one) == 1 for one in self.sets) and WORK not in self.source.headings

    def done(self) -> Sequence[str | None]:
        """How many rows were made."""
        return [f"{count(self._made, 'row')} from sets of columns side by side" if self._made else None]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        self._made = 0
        sets = len(self.sets)
        for batch in self.source.batches():
            filled = [_filled(batch.rows, one) for one in self.sets]
            none = ~functools.reduce(operator.or_, filled)
            pieces = [
                self._piece(batch, one, has | none if n == 0 else has, n)
                for n, (one, has) in enumerate(zip(self.sets, filled, strict=True))
            ]
            together = pl.concat(pieces, how="vertical_relaxed").sort(ROW)
            self._made += together.height
            malformed = batch.malformed.with_columns((pl.col(ROW) - 1) * sets + 1)
            yield Batch(together[ROW], together.drop(ROW), malformed).only(
                self.headings if headings is None else headings
            )

    def _piece(self, batch: Batch, one: Sequence[str], has: pl.Series, number: int) -> pl.DataFrame:
        names = dict(zip(one, self.sets[0], strict=True))
        once = [h for h in self.source.headings if h in self.headings and h not in self.sets[0]]
        later = [pl.col(h).cast(pl.String).alias(name) for h, name in names.items()]
        numbers = ((batch.numbers - 1) * len(self.sets) + number + 1).alias(ROW)
        work = [pl.lit(one[0]).alias(WORK)] if self._says_work else []
        return batch.rows.select(*(pl.col(h) for h in once), *later, *work).with_columns(numbers).filter(has)


def _filled(rows: pl.DataFrame, columns: Sequence[str]) -> pl.Series:
    texts = (pl.col(h).cast(pl.String).str.strip_chars().fill_null("") != "" for h in columns)
    return rows.select(pl.any_horizontal(texts).alias("has")).to_series()


# The strongest separator that a cell holds parts it; blanks only where nothing else does and no part has any.
_CUTS = (r"\s*\n\s*", r"\s*[;|]\s*", r"\s*,\s*", r"\s+")
PARTED = r"\S\s*[\n;|,]\s*\S"  # a cell that may hold several
_MOST = 40


@dataclass
class CellLists(Around):
    """A source with a row for each part of cells that hold lists; see `pipeline.reading.sources.source.Source`.
    `columns` hold the lists, that of the codes first; `alone` are columns whose single part is not repeated. Rows are
    counted on."""

    columns: tuple[str, ...]
    file: str
    alone: tuple[str, ...] = ()
    _made: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        refuse_absent(self.columns, self.source.headings, "cell_lists", file=self.file)

    def done(self) -> Sequence[str | None]:
        """How many rows were made."""
        return [f"{self._made:,} more rows from lists within cells" if self._made else None]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        self._made, before = 0, 0
        for batch in self.source.batches(self.within(headings, *self.columns)):
            rows = self._parted(batch.rows.with_columns(batch.numbers.alias(ROW)))
            self._made += rows.height - batch.rows.height
            # The rows and the lines that are none, in their order, counted on.
            order = pl.concat([rows.select(ROW, kind=pl.lit(0)), batch.malformed.select(ROW, kind=pl.lit(1))])
            order = order.with_columns(place=pl.int_range(pl.len())).sort(ROW, "place")
            order = order.with_columns(number=pl.int_range(1, pl.len() + 1, dtype=pl.Int64) + before).sort("place")
            before += order.height
            numbers, other = order.filter(pl.col("kind") == 0)["number"], order.filter(pl.col("kind") == 1)["number"]
            malformed = batch.malformed.with_columns(other.cast(batch.malformed.schema[ROW]).alias(ROW))
            yield replace(batch, numbers=numbers, rows=rows.drop(ROW), malformed=malformed).only(headings)

    def _parted(self, rows: pl.DataFrame) -> pl.DataFrame:
        lists = [
            [parts_of(text, is_fee=h in self.alone) for text in rows[h].cast(pl.String).to_list()] for h in self.columns
        ]
        times = [_times(parts) for parts in zip(*lists, strict=True)]
        if all(n == 1 for n in times):
            return rows
        made = [
            pl.Series(
                f"made {h}",
                [
                    _shared(parts, text, n, alone=h in self.alone)
                    for parts, text, n in zip(of, rows[h].cast(pl.String).to_list(), times, strict=True)
                ],
                dtype=pl.List(pl.String),
            )
            for h, of in zip(self.columns, lists, strict=True)
        ]
        names = [column.name for column in made]
        parted = rows.hstack(made).explode(names)
        parted = parted.with_columns(pl.col(f"made {h}").alias(h) for h in self.columns)
        # A fee that no list holds is of all parts together.
        several = pl.Series("several", [n > 1 for n in times for _ in range(n)], dtype=pl.Boolean)
        whole = [h for h in self.alone if h in rows.columns and h not in self.columns]
        parted = parted.with_columns(pl.when(~several).then(pl.col(h)).alias(h) for h in whole)
        return parted.select(pl.col(h) for h in rows.columns)


def parts_of(text: str | None, *, is_fee: bool = False) -> list[str]:
    """The parts of a cell; the cell itself where it is one."""
    bare = (text or "").strip()
    for cut in _CUTS[:2] + _CUTS[3:] if is_fee else _CUTS:  # a comma is of the fee itself
        parts = [part.strip() for part in re.split(cut, bare)]
        if len(parts) > 1 and all(parts):
            return parts
    return [bare]


def _times(lists: Sequence[list[str]]) -> int:
    """How many rows a row gives: as many as each list has parts, if all with several have as many."""
    several = {len(parts) for parts in lists if len(parts) > 1}
    first = len(lists[0])
    return first if several == {first} and first <= _MOST else 1


def _shared(parts: list[str], text: str | None, times: int, *, alone: bool) -> list[str | None]:
    if times == 1:
        return [text]
    if len(parts) == times:
        return [*parts]
    return [None] * times if alone else [text] * times
