"""Rows of a table whose cells may reach over several columns and rows, as web pages and spreadsheets write them."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from pipeline.machine.errors import DataError
from pipeline.reading.sources.excel_safety import MAX_COLUMNS
from pipeline.reading.sources.found_tables import MAX_CELLS, too_large

_MOST_DOWN = 1_000_000


@dataclass
class SpanRows:
    """Rows as they are built, cell by cell. A cell that reaches down stands in every row that it covers, for it is all
    of theirs; one that reaches across stands in its first column only. Nothing is made of a span but where rows are."""

    file: str
    rows: list[list[str]] = field(default_factory=list)
    _row: list[str] | None = None
    _below: dict[int, tuple[int, str]] = field(default_factory=dict)  # column: rows still covered, and the text
    _cells: int = 0

    def begin(self) -> None:
        """Begin a row."""
        self.end()
        self._row = []
        self._covered()

    def add(self, text: str, *, across: int = 1, down: int = 1, at: int | None = None) -> None:
        """Add a cell that covers so many columns and rows; `at` is its column, from 1, where the file says it. Raises
        DataError if the row has more columns than any table."""
        if self._row is None:
            self.begin()
        row = self._row
        assert row is not None
        self._covered()
        if at is not None:
            if at - 1 > MAX_COLUMNS:
                raise self._too_wide()
            row += [""] * (at - 1 - len(row))
        # What is claimed beyond any table is cut: the last cell of a title is often given a great span.
        across = max(1, min(across, MAX_COLUMNS - len(row))) if len(row) < MAX_COLUMNS else MAX_COLUMNS
        if len(row) + across > MAX_COLUMNS:
            raise self._too_wide()
        for n in range(across):
            if down > 1:
                self._below[len(row)] = min(down, _MOST_DOWN), text if n == 0 else ""
            row.append(text if n == 0 else "")

    def end(self) -> None:
        """End the row, if one is begun. Raises DataError if the table has more cells than can be read."""
        if self._row is None:
            return
        self._covered(to_end=True)
        while self._row and not self._row[-1]:
            self._row.pop()
        self.rows.append(self._row)
        self._cells += len(self._row) + 1
        if self._cells > MAX_CELLS:
            raise too_large(self.file)
        self._row = None
        self._below = {c: (n - 1, text) for c, (n, text) in self._below.items() if n > 1}

    def skip_to(self, row: int) -> None:
        """Add empty rows so that the next one is the row `row`, from 1, up to a bound that no gap exceeds."""
        self.end()
        self.rows += [[] for _ in range(min(row - 1 - len(self.rows), 10_000))]

    def _covered(self, *, to_end: bool = False) -> None:
        """What cells above put into the next columns of the row; to its end if all its own cells are there."""
        row = self._row
        assert row is not None
        fresh = {c for c, (n, _) in self._below.items() if c >= len(row)}
        for column in sorted(fresh):
            if column > len(row) and not to_end:
                return
            row += [""] * (column - len(row))
            row.append(self._below[column][1])

    def _too_wide(self) -> DataError:
        return DataError(f"{self.file}: a row has more than {MAX_COLUMNS:,} columns. Delete those that are not needed.")


def filled(rows: list[list[str]]) -> Iterator[list[str]]:
    """The rows without those in which nothing stands."""
    return (row for row in rows if any(cell.strip() for cell in row))
