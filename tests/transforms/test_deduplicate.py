"""Rows that look alike, drawn: what stays has no verdict."""

from __future__ import annotations

import random

import polars as pl
import pytest

from pipeline.transforms.deduplicate import VERDICT_SCHEMA, deduplicate, keyed_changes


def check(drawn: str, *, table: str, new_loads: list[int]) -> None:
    """Columns: load, row, key, content, verdict; an empty cell is null. The order of the rows must not matter."""
    rows = [[cell.strip() or None for cell in line.split("|")] for line in drawn.strip().splitlines()[1:]]
    for seed in range(4):
        random.Random(seed).shuffle(rows)
        frame = pl.DataFrame(
            {
                "load_id": pl.Series([int(r[0] or 0) for r in rows], dtype=pl.Int32),
                "row_number": pl.Series([int(r[1] or 0) for r in rows], dtype=pl.Int64),
                "part": pl.Series([1] * len(rows), dtype=pl.UInt8),
                "key": pl.Series([r[2] for r in rows], dtype=pl.String),
                "content": [r[3] for r in rows],
            }
        )
        wanted = {(int(r[0] or 0), int(r[1] or 0), 1, r[4]) for r in rows if r[4]}
        got = deduplicate(frame, table=table, new_loads=new_loads)
        assert dict(got.schema) == VERDICT_SCHEMA
        assert set(got.rows()) == wanted


def test_rows_with_a_key_of_their_own():
    check(
        """
        load | row | key | content | verdict
        1    | 1   | k1  | a       |
        2    | 1   | k1  | a       | duplicate
        1    | 2   | k2  | a       | superseded
        2    | 2   | k2  | b       |
        1    | 3   | k3  | a       | superseded
        1    | 4   | k3  | b       |
        1    | 5   | k4  | a       | superseded
        1    | 6   | k4  | b       | superseded
        2    | 6   | k4  | a       |
        2    | 7   | k4  | a       | duplicate
        """,
        table="procedures",
        new_loads=[1, 2],
    )


def test_identical_rows_without_a_key_are_told_from_reposted_ones_by_their_count_in_one_file():
    check(
        """
        load | row | key | content | verdict
        1    | 1   |     | x       |
        1    | 2   |     | x       |
        2    | 1   |     | x       | duplicate
        2    | 2   |     | x       | duplicate
        2    | 3   |     | x       |
        3    | 9   |     | x       | duplicate
        1    | 4   |     | y       |
        3    | 7   |     | y       | duplicate
        3    | 8   |     | y       |
        """,
        table="procedures",
        new_loads=[1, 2, 3],
    )


def test_what_was_settled_before_stands_whatever_load_it_came_from():
    # Loads 1 and 2 were settled earlier: three x in all. Load 3 holds four, so one more is new.
    check(
        """
        load | row | key | content | verdict
        1    | 1   |     | x       |
        1    | 2   |     | x       |
        2    | 3   |     | x       |
        3    | 1   |     | x       | duplicate
        3    | 2   |     | x       | duplicate
        3    | 3   |     | x       | duplicate
        3    | 4   |     | x       |
        """,
        table="procedures",
        new_loads=[3],
    )


def test_details_are_stored_once():
    check(
        """
        load | row | key | content | verdict
        1    | 1   |     | x       |
        1    | 2   |     | x       | duplicate
        2    | 1   |     | x       | duplicate
        2    | 2   |     | y       |
        """,
        table="findings",
        new_loads=[1, 2],
    )


@pytest.mark.parametrize("table", ["procedures", "patients", "findings"])
def test_nothing_alike(table: str):
    assert deduplicate(keyed(), table=table, new_loads=[1]).is_empty()


def test_one_after_another_or_all_at_once_comes_to_the_same():
    # Whole files, one load at a time against what stands, or together.
    generator = random.Random(3)
    rows = [
        (load, n, generator.choice(["k1", "k2", None]), generator.choice("ab"))
        for load in (1, 2, 3)
        for n in range(1, 9)
    ]
    frame = keyed(*rows)

    def stands(new_loads: list[list[int]]) -> set[tuple[int, int]]:
        kept = frame.clear()
        for loads in new_loads:
            kept = pl.concat([kept, frame.filter(pl.col("load_id").is_in(loads))])
            gone = deduplicate(kept, table="procedures", new_loads=loads)
            kept = kept.join(gone, on=["load_id", "row_number", "part"], how="anti")
        return set(kept.select("load_id", "row_number").rows())

    assert stands([[1, 2, 3]]) == stands([[1], [2], [3]])


def keyed(*rows: tuple[int, int, str | None, str]) -> pl.DataFrame:
    """load, row, key, content."""
    schema = {"load_id": pl.Int32, "row_number": pl.Int64, "key": pl.String, "content": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(part=pl.lit(1, pl.UInt8))


def test_the_row_that_takes_the_place_of_a_superseded_one_is_named():
    rows = keyed(
        (1, 1, "k", "a"), (2, 1, "k", "b"), (3, 1, "k", "c"), (3, 2, "k", "c"), (1, 2, "m", "a"), (2, 2, "m", "a")
    )
    for seed in range(3):
        mixed = rows.sample(fraction=1, shuffle=True, seed=seed)
        verdicts = deduplicate(mixed, table="procedures", new_loads=[1, 2, 3])
        assert keyed_changes(mixed, verdicts).rows() == [(1, 1, 1, 3, 1, 1), (2, 1, 1, 3, 1, 1)]


def test_of_keyed_rows_the_one_of_the_later_export_stays_whatever_its_number():
    rows = keyed((1, 1, "k", "new"), (2, 1, "k", "old"))
    by_load = deduplicate(rows, table="procedures", new_loads=[1, 2])
    assert by_load.rows() == [(1, 1, 1, "superseded")]
    by_reach = deduplicate(rows, table="procedures", new_loads=[1, 2], later={1: 1, 2: 0})
    assert by_reach.rows() == [(2, 1, 1, "superseded")]
