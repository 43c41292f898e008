"""Tables on their side: each line begins with the name of a field, and every column is a record."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.sources.excel_safety import MAX_COLUMNS
from pipeline.reading.sources.source import MALFORMED_SCHEMA, SHEET, SHEET_ROW, Around, Batch, unique_headings


@dataclass
class Transposed(Around):
    """The records of a source that was opened without headings; see `pipeline.reading.sources.source.Source`. Row 1 is
    the first column behind the names."""

    file: str
    _lines: list[list[str | None]] = field(default_factory=list, init=False)
    _aside: list[pl.DataFrame] = field(default_factory=list, init=False)

    def __post_init__(self) -> None:
        """Read the whole file, which is no longer than any table is wide."""
        for batch in self.source.batches():
            rows = batch.rows.select(pl.all().exclude(SHEET, SHEET_ROW).cast(pl.String))
            self._lines += [list(row) for row in rows.rows() if any((c or "").strip() for c in row)]
            self._aside.append(batch.malformed)
            if len(self._lines) > MAX_COLUMNS:
                raise DataError(
                    f"{self.file}: transposed = true, and it has more than {MAX_COLUMNS:,} lines, which would be as "
                    "many fields. Take it out of the TOML."
                )
        if not self._lines:
            raise DataError(f"{self.file}: nothing is in it that could be turned. Take transposed out of the TOML.")

    @property
    def headings(self) -> Sequence[str]:
        """What the lines begin with."""
        return unique_headings([line[0] or "" for line in self._lines])

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        columns = {
            h: pl.Series(h, line[1:], dtype=pl.String) for h, line in zip(self.headings, self._lines, strict=True)
        }
        rows = pl.DataFrame(columns)
        numbers = pl.int_range(1, rows.height + 1, dtype=pl.Int64, eager=True)
        some = ~rows.select(pl.all_horizontal(pl.all().str.strip_chars().fill_null("") == "")).to_series()
        aside = pl.concat([pl.DataFrame(schema=MALFORMED_SCHEMA), *self._aside])
        aside = aside.with_columns(pl.col("row_number") + rows.height)
        yield Batch(numbers.filter(some), rows.filter(some), aside).only(headings)
