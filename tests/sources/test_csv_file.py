"""Each odd file beside what comes of it: rows with their numbers, and the lines that are no rows."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.machine.errors import DataError
from pipeline.reading.sources import ReadOptions, open_source
from pipeline.reading.sources.csv_file import CsvFile, open_csv

HEAD = "a,b,c\n"
ABC = ReadOptions(wanted=("a", "b", "c"), delimiter=",")


def written(folder: Path, content: str | bytes, name: str = "ledger.csv") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def read(file: CsvFile) -> tuple[dict[int, tuple[str, ...]], dict[int, str]]:
    """Rows by row number, malformed lines by row number."""
    rows: dict[int, tuple[str, ...]] = {}
    malformed: dict[int, str] = {}
    for batch in file.batches():
        rows |= dict(zip(batch.numbers, batch.rows.rows(), strict=True))
        malformed |= dict(batch.malformed.select("row_number", "raw_row").rows())
    return rows, malformed


@pytest.mark.parametrize(
    ("content", "rows", "malformed"),
    [
        pytest.param(HEAD + "1,2,3\n4,5,6\n", {1: ("1", "2", "3"), 2: ("4", "5", "6")}, {}, id="plain"),
        pytest.param(HEAD + "1,2,3", {1: ("1", "2", "3")}, {}, id="no line break at the end"),
        pytest.param(HEAD, {}, {}, id="heading alone"),
        pytest.param("a,b,c", {}, {}, id="heading alone, no line break"),
        pytest.param(HEAD + "\n1,2,3\n \n", {1: ("1", "2", "3")}, {}, id="blank lines are no rows"),
        pytest.param(HEAD + ",,\n", {1: ("", "", "")}, {}, id="a row of nothing is a row"),
        pytest.param(
            HEAD.replace("\n", "\r") + "1,2,3\r4,5,6\r", {1: ("1", "2", "3"), 2: ("4", "5", "6")}, {}, id="CR"
        ),
        pytest.param("\r\n" + HEAD + "1,2,3\r\n", {1: ("1", "2", "3")}, {}, id="blank line before the heading"),
        pytest.param(HEAD + '1,"2,5",3\n', {1: ("1", "2,5", "3")}, {}, id="quoted delimiter"),
        pytest.param(HEAD + '1,"say ""no""",3\n', {1: ("1", 'say "no"', "3")}, {}, id="doubled quotation marks"),
        pytest.param(HEAD + '1,6" long,3\n', {1: ("1", '6" long', "3")}, {}, id="quotation mark inside plain text"),
        pytest.param(
            HEAD + '1,"x\ny",3\n4,5,6\n', {1: ("1", "x\ny", "3"), 2: ("4", "5", "6")}, {}, id="line break in field"
        ),
        pytest.param(HEAD + "1,2\n3,4,5\n", {2: ("3", "4", "5")}, {1: "1,2"}, id="too few"),
        pytest.param(HEAD + "1,2,3,4\n5,6,7\n", {2: ("5", "6", "7")}, {1: "1,2,3,4"}, id="too many"),
        pytest.param(HEAD + '1,"x,3\n4,5,6\n', {2: ("4", "5", "6")}, {1: '1,"x,3'}, id="never closed, to the end"),
        # Read by the letter, the first three lines are one row of three fields.
        pytest.param(
            HEAD + '1,"abc,D1\n2,def,D2\n3,"x",D3\n4,5,6\n',
            {2: ("2", "def", "D2"), 3: ("3", "x", "D3"), 4: ("4", "5", "6")},
            {1: '1,"abc,D1'},
            id="never closed, closed by a later line's",
        ),
        pytest.param(
            HEAD + '1,"a\nb",3\n4,5\n6,"c\n\nd",7\n',
            {1: ("1", "a\nb", "3"), 3: ("6", "c\n\nd", "7")},
            {2: "4,5"},
            id="line breaks in fields around a short line",
        ),
        pytest.param('"a\nx",b,c\n1,2,3\n', {1: ("1", "2", "3")}, {}, id="line break in the heading"),
    ],
)
def test_every_record_comes_out_once(tmp_path: Path, content: str, rows: dict, malformed: dict):
    assert read(open_csv(written(tmp_path, content), ReadOptions())) == (rows, malformed)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_delimiter_is_found(tmp_path: Path, delimiter: str):
    path = written(tmp_path, f"Chart No{delimiter}Code\n1{delimiter}2\n", "ledger.txt")
    file = open_csv(path, ReadOptions(wanted=("Chart No",)))
    assert file.headings == ["Chart No", "Code"]
    assert read(file)[0] == {1: ("1", "2")}


def test_wanted_headings_outweigh_the_count_of_fields(tmp_path: Path):
    file = open_csv(written(tmp_path, "Name, first;Code;Fee, net, gross\nx;y;z\n"), ReadOptions(wanted=("Code",)))
    assert file.headings == ["Name, first", "Code", "Fee, net, gross"]


def test_headings_are_trimmed_and_told_apart(tmp_path: Path):
    assert open_csv(written(tmp_path, " a ,a,,a\n"), ReadOptions()).headings == ["a", "a (2)", "column 3", "a (3)"]


@pytest.mark.parametrize(
    ("encoding", "option"),
    [("utf-8", None), ("utf-8-sig", None), ("utf-16", None), ("windows-1252", "windows-1252"), ("utf-8", "UTF-8")],
)
@pytest.mark.parametrize("tail", ["", "4,5\n"])  # with a malformed line the file is read the other way
def test_encodings(tmp_path: Path, encoding: str, option: str | None, tail: str):
    path = written(tmp_path, ("ä,b,c\n1,Müller,3\n" + tail).encode(encoding))
    file = open_csv(path, ReadOptions(encoding=option))
    assert file.headings[0] == "ä"
    assert read(file)[0] == {1: ("1", "Müller", "3")}


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "is empty"),
        (b"\n \n", "is empty"),
        (b"PK\x03\x04rest", "workbook or zip"),
        (b"a,b\n1,\x00\n", "NUL bytes"),
        (
            "a,b,c\n1,é,3\n1,".encode() + b"M\xfcller,3\n",
            "the lines above line 3 are UTF-8, and that line is windows-1252",
        ),
    ],
)
def test_what_is_no_text_is_refused_with_what_to_do(tmp_path: Path, content: bytes, message: str):
    with pytest.raises(DataError, match=message):
        read(open_csv(written(tmp_path, content), ReadOptions()))


def test_bad_text_far_into_a_large_file_is_found(tmp_path: Path):
    content = HEAD.encode() + "1,é,3\n".encode() * 2_000_000 + b"1,\xfc,3\n"  # beyond the first block that is read
    with pytest.raises(DataError, match="above line 2,000,002"):
        for _ in open_csv(written(tmp_path, content), ReadOptions()).batches():
            pass


def test_an_unknown_kind_of_file_is_refused(tmp_path: Path):
    with pytest.raises(DataError, match=r"ledger.docx: files ending in .docx cannot be read"):
        open_source(written(tmp_path, b"\0\1\2", "ledger.docx"), ReadOptions())


def test_only_the_columns_asked_for(tmp_path: Path):
    for content in (HEAD + "1,2,3\n", HEAD + "1,2,3\n4\n"):
        frames = [batch.rows for batch in open_csv(written(tmp_path, content), ReadOptions()).batches(["c", "a"])]
        assert pl.concat(frames).to_dict(as_series=False) == {"c": ["3"], "a": ["1"]}


def test_odd_records_across_the_blocks_that_a_file_is_read_in(tmp_path: Path):
    lines = [f"{n},x,y\n" for n in range(1, 6001)]
    lines[1999] = '2000,"first\nsecond",y\n'  # goes on over the end of a block of 2,000 lines
    lines[2999] = '3000,"never closed,y\n'
    lines[5999] = "6000,short\n"
    rows, malformed = read(open_csv(written(tmp_path, HEAD + "".join(lines)), ReadOptions()))
    assert malformed == {3000: '3000,"never closed,y', 6000: "6000,short"}
    assert rows == {n: (str(n), "first\nsecond" if n == 2000 else "x", "y") for n in range(1, 6000) if n != 3000}


FIELDS = st.text(alphabet='ab1 ,"\n;é', max_size=6)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(FIELDS, FIELDS, FIELDS), max_size=6))
def test_what_a_sound_writer_wrote_is_read_back(tmp_path_factory: pytest.TempPathFactory, rows: list):
    out = io.StringIO()
    csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL).writerows([("x", "y", "z"), *rows])
    got, malformed = read(open_csv(written(tmp_path_factory.mktemp("csv"), out.getvalue()), ReadOptions(delimiter=",")))
    assert list(got.values()) == rows
    assert list(got) == list(range(1, len(rows) + 1))
    assert not malformed


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet='a,"\n', max_size=60))
def test_no_line_of_any_text_vanishes(tmp_path_factory: pytest.TempPathFactory, text: str):
    rows, malformed = read(open_csv(written(tmp_path_factory.mktemp("csv"), HEAD + text), ABC))
    assert sorted([*rows, *malformed]) == list(range(1, len(rows) + len(malformed) + 1))
    letters = "".join("".join(row) for row in rows.values()) + "".join(malformed.values())
    assert letters.count("a") == text.count("a")
