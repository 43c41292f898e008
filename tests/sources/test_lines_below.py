"""A line below a row is about that row, also where the row ended the batch before."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl

from pipeline.reading.sources.sections import LINE_BELOW, LinesBelow
from pipeline.reading.sources.source import Batch, Spoken, aside

LINE = "** VOIDED **"


class Parts:
    """Rows `P1` and so on, and lines, as `numbers of rows, numbers of lines` a batch."""

    headings = ("Chart",)
    spoken = Spoken()

    def __init__(self, *parts: tuple[Sequence[int], Sequence[int]]) -> None:
        self.parts = parts

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        for rows, lines in self.parts:
            frame = pl.DataFrame({"Chart": [f"P{n}" for n in rows]}, schema={"Chart": pl.String()})
            noted = aside(lines, [LINE] * len(lines), "note_line")
            numbers = pl.Series("row_number", list(rows), dtype=pl.Int64)
            yield Batch(numbers, frame if headings is None else frame.select(headings), noted)


def struck(*parts: tuple[Sequence[int], Sequence[int]], told: str = "*voided*") -> list[str]:
    batches = list(LinesBelow(Parts(*parts), (told,)).batches())
    rows = pl.concat([batch.rows for batch in batches])
    assert sum(batch.malformed.height for batch in batches) == sum(len(lines) for _, lines in parts)
    return rows.filter(pl.col(LINE_BELOW).is_not_null())["Chart"].to_list()


def test_a_line_is_about_the_row_above_it():
    assert struck(([1, 3, 4], [2])) == ["P1"]
    assert struck(([2, 3], [1])) == []


def test_also_where_that_row_ended_the_batch_before():
    assert struck(([1, 2], []), ([4, 5], [3])) == ["P2"]


def test_also_where_a_batch_of_lines_stands_between():
    assert struck(([1, 2], []), ([], [3]), ([5], [4])) == ["P2"]


def test_lines_that_are_not_told_are_about_nothing():
    assert struck(([1, 3], [2]), told="*planned*") == []


def test_columns_that_are_asked_for_alone_come_without_lines():
    batches = list(LinesBelow(Parts(([1], [2])), ("*voided*",)).batches(["Chart"]))
    assert [batch.rows.columns for batch in batches] == [["Chart"]]
