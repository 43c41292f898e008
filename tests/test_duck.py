from __future__ import annotations

import duckdb
import pytest

from pipeline.machine.duck import connect_closed


@pytest.fixture
def folder(tmp_path):
    for name in ("told.csv", "other.csv"):
        (tmp_path / name).write_text("a\n1\n")
    return tmp_path


def test_only_the_named_file_can_be_read(folder):
    connection = connect_closed(memory_limit="200MB", files=[folder / "told.csv"])
    assert connection.execute("SELECT * FROM read_csv(?)", [str(folder / "told.csv")]).fetchall() == [(1,)]
    with pytest.raises(duckdb.PermissionException):
        connection.execute("SELECT * FROM read_csv(?)", [str(folder / "other.csv")])


@pytest.mark.parametrize(
    "statement", ["INSTALL httpfs", "LOAD httpfs", "SET memory_limit = '9GB'", "SET enable_external_access = true"]
)
def test_nothing_is_loaded_or_changed(statement):
    with pytest.raises(duckdb.Error):
        connect_closed(memory_limit="200MB").execute(statement)


def test_memory_is_limited_and_nothing_is_written_without_a_scratch_folder():
    small = connect_closed(memory_limit="20MB", threads=2)
    with pytest.raises(duckdb.OutOfMemoryException):
        small.execute("SELECT count(DISTINCT i::VARCHAR) FROM range(5000000) t(i)")
