from __future__ import annotations

import datetime as dt
from decimal import Decimal
from pathlib import Path
from uuid import UUID

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.machine.errors import DataError
from pipeline.reading.sources import ReadOptions, open_source


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


DAY = dt.date(2020, 3, 1)
EARLY = dt.datetime(2020, 3, 1, 2)  # noqa: DTZ001
LATE = dt.datetime(2020, 3, 1, 23, 0)  # noqa: DTZ001
# Of each type the values as they come in, and as they are read.
AS_TEXT = {
    "null": (pa.nulls(2), [None, None]),
    "float16": (pa.array([14.0, 2.5], pa.float32()).cast(pa.float16()), ["14", "2.5"]),
    "float32": (pa.array([0.1, 1e6], pa.float32()), ["0.1", "1000000"]),
    "nan": (pa.array([float("nan"), 3.0]), [None, "3"]),
    "uint64": (pa.array([2**64 - 1, None], pa.uint64()), ["18446744073709551615", None]),
    "decimal38": (pa.array([Decimal("9" * 38), None]), ["9" * 38, None]),
    "decimal_id": (pa.array([Decimal("14.0000000000"), Decimal("0E-10")], pa.decimal128(38, 10)), ["14", "0"]),
    "decimal76": (pa.array([Decimal("1.50"), None], pa.decimal256(76, 2)), ["1.50", None]),
    "date64": (pa.array([DAY, None], pa.date64()), [DAY, None]),
    "time_s": (pa.array([dt.time(9, 30), None], pa.time32("s")), ["09:30:00", None]),
    "time_ns": (pa.array([dt.time(9, 30, 0, 250_000), None], pa.time64("us")), ["09:30:00.250000", None]),
    "moment_s": (pa.array([LATE, None], pa.timestamp("s")), [DAY, None]),
    "moment_ms": (pa.array([LATE, None], pa.timestamp("ms")), [DAY, None]),
    "moment_ns": (pa.array([LATE, None], pa.timestamp("ns")), [DAY, None]),
    "moment_offset": (pa.array([LATE, None], pa.timestamp("us", tz="+02:00")), [dt.date(2020, 3, 2), None]),
    "moment_west": (
        pa.array([EARLY, None], pa.timestamp("us", tz="America/Chicago")),
        [
            dt.date(2020, 2, 29),
            None,
        ],
    ),
    "moment_utc": (pa.array([dt.datetime(2020, 3, 1, 12), LATE], pa.timestamp("us", tz="UTC")), [DAY, DAY]),  # noqa: DTZ001
    "large_string": (pa.array(["007", None], pa.large_string()), ["007", None]),
    "string_view": (pa.array(["a", None], pa.string_view()), ["a", None]),
    "with_nul": (pa.array(["a\0b", None]), ["a\ufffdb", None]),
    "binary": (pa.array(["Köhler".encode(), None]), ["Köhler", None]),
    "large_binary": (pa.array([b"P1", None], pa.large_binary()), ["P1", None]),
    "fixed_binary": (pa.array([b"P001", None], pa.binary(4)), ["P001", None]),
    "dictionary": (pa.array(["a", None]).dictionary_encode(), ["a", None]),
    "uuid": (pa.array([UUID(int=10).bytes, None], pa.uuid()), ["00000000-0000-0000-0000-00000000000a", None]),
    "json": (pa.array(['{"a": 1}', None], pa.json_()), ['{"a": 1}', None]),
}
NO_TEXT = {
    "map": (pa.array([[("a", {"x": 1})], None], pa.map_(pa.string(), pa.struct([("x", pa.int8())]))), "map"),
    "struct": (pa.array([{"a": 1}, None]), "record"),
    "list": (pa.array([["14", "15"], None]), "list"),
    "nested_list": (pa.array([[[1]], None]), "list"),
    "fixed_list": (pa.array([[1, 2], None], pa.list_(pa.int8(), 2)), "list"),
    "span": (pa.array([dt.timedelta(1), None], pa.duration("us")), r"duration\[us\]"),
    "picture": (pa.array([b"\x89PNG\xff\x00", None]), "binary: its bytes are not UTF-8"),
    "interval": (pa.array([bytes(12), None], pa.binary(12)), "its bytes are no text"),
    "nowhere": (pa.array([LATE, None], pa.timestamp("ms", tz="Nowhere/Town")), "time zone"),
}


@pytest.mark.parametrize("kind", AS_TEXT)
def test_each_type_reads_as_a_person_would_write_it(tmp_path: Path, kind: str):
    column, expected = AS_TEXT[kind]
    pq.write_table(pa.table({"x": column}), tmp_path / "l.parquet")
    (batch,) = open_source(tmp_path / "l.parquet", ReadOptions(wanted=("x",))).batches()
    assert batch.rows["x"].to_list() == expected


@pytest.mark.parametrize("kind", NO_TEXT)
def test_a_column_without_text_matters_only_if_it_is_mapped(tmp_path: Path, kind: str):
    column, said = NO_TEXT[kind]
    pq.write_table(pa.table({"x": column, "patient_id": pa.array(["P1", "P2"])}), tmp_path / "l.parquet")
    source = open_source(tmp_path / "l.parquet", ReadOptions())
    (batch,) = source.batches()
    assert batch.rows.to_dict(as_series=False) == {"patient_id": ["P1", "P2"]}
    assert "x (" in str(getattr(source, "remark"))  # noqa: B009
    with pytest.raises(DataError, match=rf'l\.parquet: the column "x" is of the type .*{said}'):
        open_source(tmp_path / "l.parquet", ReadOptions(wanted=("x",)))


def test_all_types_side_by_side_and_names_that_are_there_twice_or_hold_dots(tmp_path: Path):
    all_columns = {name: column for name, (column, _) in (AS_TEXT | NO_TEXT).items()}
    names = [*all_columns, "a", "a", "a.b", "", " padded "]
    columns = [*all_columns.values(), *(pa.array([f"{n}", f"{n}'"]) for n in range(5))]
    pq.write_table(pa.Table.from_arrays(columns, names), tmp_path / "l.parquet")
    source = open_source(tmp_path / "l.parquet", ReadOptions())
    (batch,) = source.batches(["a.b", "a (2)", "padded", "a", f"column {len(columns) - 1}"])
    assert batch.rows.rows() == [("2", "1", "4", "0", "3"), ("2'", "1'", "4'", "0'", "3'")]
    (whole,) = source.batches()
    assert whole.rows.width == len(AS_TEXT) + 5


def test_bytes_that_turn_out_to_be_no_text_far_below(tmp_path: Path):
    column = pa.array([b"P1"] * 150_000 + [b"\xff"])
    pq.write_table(pa.table({"x": column, "y": column}), tmp_path / "l.parquet")
    with pytest.raises(DataError, match=r'"x" .*not UTF-8 text in rows 100,001 to 150,001'):
        list(open_source(tmp_path / "l.parquet", ReadOptions(wanted=("x",))).batches(["x"]))
    batches = list(open_source(tmp_path / "l.parquet", ReadOptions()).batches())
    assert batches[1].rows["y"][-1] == "ff"


def test_moments_in_utc_at_a_midnight_elsewhere_keep_their_hour(tmp_path: Path):
    """So that it is asked which day is meant, as it is of text."""
    column = pa.array([LATE, None], pa.timestamp("ms", tz="UTC"))
    pq.write_table(pa.table({"x": column}), tmp_path / "l.parquet")
    (batch,) = open_source(tmp_path / "l.parquet", ReadOptions()).batches()
    assert batch.rows["x"].to_list() == ["2020-03-01T23:00:00Z", None]


def test_a_file_damaged_within_is_told_with_the_row(tmp_path: Path):
    path = tmp_path / "l.parquet"
    texts = pa.array([f"{n:09d}" for n in range(250_000)])
    pq.write_table(pa.table({"x": texts}), path, row_group_size=100_000, compression="zstd", use_dictionary=False)
    content = bytearray(path.read_bytes())
    middle = len(content) * 2 // 3
    content[middle : middle + 400] = bytes(400)
    path.write_bytes(content)
    with pytest.raises(DataError, match=r"l\.parquet: the file is damaged in or after row (1|2)00,001"):
        list(open_source(path, ReadOptions()).batches())


def test_a_file_without_rows_or_columns(tmp_path: Path):
    pq.write_table(pa.table({"x": pa.array([], pa.string())}), tmp_path / "l.parquet")
    source = open_source(tmp_path / "l.parquet", ReadOptions(wanted=("x",)))
    assert list(source.headings) == ["x"]
    assert sum(b.rows.height for b in source.batches()) == 0
