"""Cells as they were meant: without the signs that a spreadsheet or a copied web page leaves in or around a text.

What is taken away is a row of `pipeline.transforms.cell_forms.FORMS`, with the fields `any`; this module does it to
every text column of a source, at the cost of one look where there is nothing of the kind.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.headings import are_headings
from pipeline.reading.sources.source import SHEET, Around, Batch, unique_headings
from pipeline.transforms.cell_forms import columns_with_marks, has_marks, is_ditto, plain_cells, without_marks

_MANY_COLUMNS = 3
_LOOK_AT = 200


@dataclass
class PlainCells(Around):
    """A source whose headings and text cells come without such signs; see `pipeline.reading.sources.source.Source`."""

    file: str = ""
    watch: bool = False  # refuse headings of another table among the rows
    renamed: Mapping[str, str] = field(default_factory=dict)  # for what it calls otherwise
    repeats: bool = False  # a mark for the same again stands for the cell above it
    _dittos: Counter[str] = field(default_factory=Counter, repr=False)

    def __post_init__(self) -> None:
        headings = pl.Series(self.source.headings, dtype=pl.String)
        names = unique_headings([h or "" for h in _plain(headings)])
        self._names = [new if (new := self.renamed.get(h, h)) not in names else h for h in names]
        self._called = {new: own for new, own in zip(self._names, names, strict=True) if new != own}

    @property
    def called(self) -> Mapping[str, str]:
        """See `Around.called`."""
        return self._called

    @property
    def dittos(self) -> Mapping[str, int]:
        """See `Around.dittos`."""
        return self._dittos

    @property
    def headings(self) -> Sequence[str]:
        """See `Source.headings`."""
        return self._names

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        there = dict(zip(self._names, self.source.headings, strict=True))
        wanted = None if headings is None else [there[h] for h in headings]
        self._dittos = Counter()
        above: dict[str, str | None] = {}
        sheet = ""
        for batch in self.source.batches(wanted):
            if self.watch:
                _refuse_other_table(batch.rows, batch.numbers, file=self.file)
            if batch.rows.height and SHEET in batch.rows.columns and batch.rows[SHEET][0] != sheet:
                sheet = batch.rows[SHEET][0]
                above.clear()
            rows = self._plain_rows(batch.rows, there, above)
            yield replace(batch, rows=rows)

    def _plain_rows(self, rows: pl.DataFrame, there: dict[str, str], above: dict[str, str | None]) -> pl.DataFrame:
        """The rows without marks; `above` holds the last cell of each column that a mark may stand for."""
        called = {heading: name for name, heading in there.items()}
        columns, with_marks = [], columns_with_marks(rows)
        for cells in rows.get_columns():
            column, name = cells, called[cells.name]
            if cells.name in with_marks:
                marks = _dittos(column)
                plain = plain_cells(column)
                if marks.any() and self.repeats:
                    plain = _from_above(plain, marks, above.get(name))
                elif marks.any():
                    self._dittos[name] += int(marks.sum())
                column = plain
            if self.repeats and column.dtype == pl.String and column.len():
                above[name] = column[-1]
            columns.append(column.alias(name))
        return pl.DataFrame(columns) if columns else rows


def _dittos(cells: pl.Series) -> pl.Series:
    """Which cells hold a mark for the same again; two apostrophes are an empty cell where others stand between two."""
    text = pl.col("text")
    quoted = text.str.contains(r"^\s*'.+'\s*$").any() & (text.str.strip_chars() == "''")
    return cells.to_frame("text").select(is_ditto(text) & ~quoted.fill_null(False)).to_series()


def _from_above(cells: pl.Series, marks: pl.Series, before: str | None) -> pl.Series:
    """Cells, those with a mark as the last cell above that has none; `before` is the one above them all."""
    own = pl.when(~pl.col("mark")).then(pl.col("cell").fill_null(""))
    first = pl.when(pl.int_range(pl.len()) == 0).then(pl.coalesce(own, pl.lit(before or ""))).otherwise(own)
    frame = pl.DataFrame({"cell": cells, "mark": marks})
    return frame.select(first.forward_fill().replace("", None)).to_series()


def _refuse_other_table(rows: pl.DataFrame, numbers: pl.Series, *, file: str) -> None:
    """Refuse a table below another one: its rows would be read by the headings of the first. Raises DataError if the
    cells of a row are headings."""
    left = rows.select(pl.all().exclude(r"^\(.*\)$")) if rows.width else rows
    if left.width < _MANY_COLUMNS or any(dtype != pl.String for dtype in left.dtypes):
        return
    places = pl.Series(range(rows.height), dtype=pl.Int64)
    for name in left.columns:
        found = left.get_column(name).gather(places).str.contains(r"\d").fill_null(False)
        places = places.filter(~found)
        if not len(places):
            return
    for place in places.head(_LOOK_AT):
        if are_headings([t.strip() for t in left.row(place) if t and t.strip()]):
            raise DataError(
                f"{file}: row {numbers[place]:,} holds the headings of another table, which stands below the first.\n"
                "  Write stacked_tables = true under its table to read every part that has the headings that are "
                "mapped, and to set the others aside; or cut the file in two there."
            )


def _plain(texts: pl.Series) -> pl.Series:
    return without_marks(texts) if has_marks(texts) else texts
