from __future__ import annotations

import datetime as dt
from decimal import Decimal
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import DataError
from pipeline.sources import ReadOptions, open_source


def test_types_become_text_and_dates_stay_dates(tmp_path: Path):
    path = tmp_path / "ledger.parquet"
    noon = dt.datetime(2020, 3, 1, 12, 30)  # noqa: DTZ001
    pl.DataFrame(
        {
            "text": ["007", None],
            "whole": [14, None],
            "float": [14.0, 2.5],
            "money": [Decimal("-12.50"), None],
            "flag": [True, False],
            "date": [dt.date(2020, 3, 1), None],
            "time": [noon, None],
            "kind": pl.Series(["x", "y"], dtype=pl.Categorical),
            "list": [[1, 2], []],
        }
    ).with_columns(pl.col("time").dt.replace_time_zone("America/Chicago")).write_parquet(path)
    source = open_source(path, ReadOptions())
    (batch,) = source.batches()
    assert batch.numbers.to_list() == [1, 2]
    assert batch.malformed.is_empty()
    assert batch.rows.to_dict(as_series=False) == {
        "text": ["007", None],
        "whole": ["14", None],
        "float": ["14", "2.5"],
        "money": ["-12.50", None],
        "flag": ["true", "false"],
        "date": [dt.date(2020, 3, 1), None],
        "time": [dt.date(2020, 3, 1), None],
        "kind": ["x", "y"],
        "list": ['{"list":[1,2]}', '{"list":[]}'],
    }


def test_rows_are_numbered_through_all_batches_and_columns_chosen(tmp_path: Path):
    path = tmp_path / "big.parquet"
    pl.DataFrame({"a": range(250_000), "b": "x"}).write_parquet(path, row_group_size=60_000)
    batches = list(open_source(path, ReadOptions()).batches(["a"]))
    assert len(batches) > 1
    numbers = pl.concat([batch.numbers for batch in batches])
    rows = pl.concat([batch.rows for batch in batches])
    assert numbers.to_list() == list(range(1, 250_001))
    assert rows.columns == ["a"]
    assert (rows["a"].cast(pl.Int64) + 1 == numbers).all()


def test_what_is_no_parquet_is_refused(tmp_path: Path):
    path = tmp_path / "ledger.parquet"
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(DataError, match=r"ledger\.parquet: this is no Parquet file"):
        open_source(path, ReadOptions())
