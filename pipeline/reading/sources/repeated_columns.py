"""Several rows side by side in one: `Proc1, Tooth1, Proc2, Tooth2`, or two tables beside each other on a sheet.

Each set of columns gives a row of its own, with the columns that stand once on every one of them. A set in which
nothing stands gives none, but for the first where no other does, so that no row is lost.

Where each set is one column, its heading says what was done and its cells when: a log with a line a tooth, `RCT date,
Crown seated, Ext date`. The heading is then the text of a further column, `treatment`.
"""

import functools
import operator
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

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
