"""What the texts of a column were read as, remembered from batch to batch of one file.

A ledger repeats few texts many times. Each distinct text is read once a file, and every row gets its result by number.
"""

from collections.abc import Callable, Mapping

import polars as pl

# Texts of one column that are remembered; a column with more of them is read batch by batch.
MAX_TEXTS = 300_000


class TextCache:
    """The results of `parse` for the texts of one column met so far.

    `parse` takes a column of texts, none of them null, and gives a frame with one row per text, in the same order.
    """

    def __init__(self, parse: Callable[[pl.Series], pl.DataFrame]) -> None:
        self._parse = parse
        self._found: pl.DataFrame | None = None
        self._start()

    def numbering(self, column: str) -> pl.Expr:
        """The number of each text of a column; null and empty text are the same. Give it to `numbered` after."""
        if self._found is not None and self._found.height > MAX_TEXTS:
            self._start()
        return pl.col(column).fill_null("").cast(pl.Categorical(self._categories))

    def numbered(self, texts: pl.Series) -> pl.Series:
        """Read the texts that are new; returns the number of each row's text."""
        self._kept_alive = texts.clear()
        numbers = texts.to_physical()
        known = 0 if self._found is None else self._found.height
        highest = numbers.max()
        if self._found is None or (isinstance(highest, int) and highest >= known):
            fresh = pl.DataFrame({"number": numbers, "text": texts}).filter(pl.col("number") >= known)
            fresh = fresh.unique("number").sort("number")
            if fresh.height and fresh["number"].to_list() != list(range(known, known + fresh.height)):
                raise AssertionError("the numbers of new texts do not follow on")
            read = self._parse(fresh["text"].cast(pl.String))
            self._found = read if self._found is None else pl.concat([self._found, read])
        return numbers

    def get(self, numbers: pl.Series, named: Mapping[str, str]) -> list[pl.Series]:
        """Columns of the results, row by row, under other names; none of a column without any result."""
        if self._found is None:
            raise AssertionError("nothing has been read yet")
        some = max(self._found.height, 1)
        there = [c for c in named if c in self._found.columns and self._found[c].null_count() < some]
        return self._found.select(pl.col(c).gather(numbers).alias(named[c]) for c in there).get_columns()

    def _start(self) -> None:
        self._categories = pl.Categories.random()
        # The numbers of the texts are forgotten once no column refers to them.
        self._kept_alive = pl.Series([], dtype=pl.Categorical(self._categories))
        self._found = None
