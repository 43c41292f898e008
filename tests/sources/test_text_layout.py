"""Headings, delimiters and lines that are no rows, each odd file beside what comes of it."""

from __future__ import annotations

import gzip
import os
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.machine.errors import ConfigError, DataError
from pipeline.reading.sources.csv_file import CsvFile, open_csv
from pipeline.reading.sources.safe_path import refuse_outside
from pipeline.reading.sources.source import ReadOptions

ABC = ReadOptions(wanted=("a", "b", "c"))


def opened(folder: Path, content: str | bytes, options: ReadOptions = ABC, name: str = "x.csv") -> CsvFile:
    (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    return open_csv(folder / name, options)


def read(file: CsvFile) -> tuple[dict[int, tuple[str, ...]], dict[int, tuple[str, str | None]]]:
    """Rows, and lines set aside with their reasons, by row number."""
    rows: dict[int, tuple[str, ...]] = {}
    aside: dict[int, tuple[str, str | None]] = {}
    for batch in file.batches():
        rows |= dict(zip(batch.numbers, batch.rows.rows(), strict=True))
        aside |= {n: (line, why) for n, line, why in batch.malformed.select("row_number", "raw_row", "reason").rows()}
    return rows, aside


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", "^", "~"])
@pytest.mark.parametrize("wanted", [("a", "b"), ()])
def test_delimiter_by_headings_or_by_consistency(tmp_path: Path, delimiter: str, wanted: tuple[str, ...]):
    content = f"a{delimiter}b{delimiter}c.d\n1{delimiter}2{delimiter}3.4\n"
    assert opened(tmp_path, content, ReadOptions(wanted=wanted)).delimiter == delimiter


def test_decimal_commas_do_not_outweigh_semicolons(tmp_path: Path):
    for head in ("x;y;z\n", ""):
        content = head + "1,5;2,5;3,5\n" * 30
        assert opened(tmp_path, content, ReadOptions(header_row=None if head else 0)).delimiter == ";"


def test_names_with_commas_do_not_outweigh_semicolons(tmp_path: Path):
    content = "x;name;z\n" + "1;Doe, J., Dr, sen.;2\n" * 30
    assert opened(tmp_path, content, ReadOptions()).delimiter == ";"


@pytest.mark.parametrize(
    ("content", "options", "headings", "rows"),
    [
        ("Ledger\n\nyear,2020\na,b,c\n1,2,3\n", ABC, ["a", "b", "c"], {1: ("1", "2", "3")}),
        ("Ledger\na,b,x\n1,2,3\n", ABC, ["a", "b", "x"], {1: ("1", "2", "3")}),
        ("Ledger\nx,y,z\n1,2,3\n", ABC, ["x", "y", "z"], {1: ("1", "2", "3")}),
        ("\nx,y\na,b\n1,2\n", ReadOptions(header_row=3), ["a", "b"], {1: ("1", "2")}),
        ("1,2\n3,4\n", ReadOptions(header_row=0), ["column 1", "column 2"], {1: ("1", "2"), 2: ("3", "4")}),
        ("sep=^\na^b^c\n1^2^3\n", ABC, ["a", "b", "c"], {1: ("1", "2", "3")}),
        ("sep=;\n1;2\n", ReadOptions(header_row=0), ["column 1", "column 2"], {1: ("1", "2")}),
        ("a;b;c;\n1;2;3\n", ABC, ["a", "b", "c"], {1: ("1", "2", "3")}),
        ("a;b;c\n1;2;3;\n", ABC, ["a", "b", "c", "column 4"], {1: ("1", "2", "3", "")}),
    ],
)
def test_where_the_headings_are(tmp_path: Path, content: str, options: ReadOptions, headings: list, rows: dict):
    file = opened(tmp_path, content, options)
    assert file.headings == headings
    assert read(file) == (rows, {})


def test_headings_past_the_first_50_lines_must_be_told(tmp_path: Path):
    content = "note,\n" * 60 + "a,b,c\n1,2,3\n"
    assert opened(tmp_path, content).headings == ["note", "column 2"]
    assert opened(tmp_path, content, ReadOptions(header_row=61)).headings == ["a", "b", "c"]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("a,b,c,d", "repeated_heading"),
        (" a ,b,c,d", "repeated_heading"),
        ('\ufeff"a",b,c,d', "repeated_heading"),
        ("a,b,c,d,", "repeated_heading"),
        ("Page 3 of 9,,,", "note_line"),
        ("Page 3 of 9", "note_line"),
        ("Total,,44", "note_line"),
        ("anything alone", "note_line"),
        ("1,2,3", None),
        ("1,2,3,4,5", None),
        ("Total,1,2,3,4", None),
    ],
)
def test_lines_that_are_no_rows(tmp_path: Path, line: str, reason: str | None):
    rows, aside = read(opened(tmp_path, f"a,b,c,d\n1,2,3,4\n{line}\n5,6,7,8\n"))
    assert rows == {1: ("1", "2", "3", "4"), 3: ("5", "6", "7", "8")}
    assert aside == {2: (line, reason)}


def test_rows_of_full_width_are_left_to_the_typing(tmp_path: Path):
    rows, aside = read(opened(tmp_path, "a,b,c\nTotal,,44\nPaget,,\n,,3\n,,\n"))
    assert len(rows) == 4
    assert not aside


def test_headings_again_in_another_order_are_refused(tmp_path: Path):
    with pytest.raises(DataError, match="row 2 holds headings again"):
        read(opened(tmp_path, "a,b,c\n1,2,3\nb,a,c\n"))


def test_headings_again_are_left_out_of_single_columns_too(tmp_path: Path):
    batches = list(opened(tmp_path, "a,b,c\n1,2,3\na,b,c\n4,5,6\n").batches(["b"]))
    assert [batch.rows["b"].to_list() for batch in batches] == [["2", "5"]]
    assert [batch.numbers.to_list() for batch in batches] == [[1, 3]]


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_rows_and_their_numbers_do_not_hang_on_where_the_file_is_cut(
    tmp_path: Path, line_end: str, monkeypatch: pytest.MonkeyPatch
):
    lines = ["a,b,c"]
    for n in range(1, 4_001):
        lines.append(f'{n},"x{line_end}y, z",é' if n % 7 == 0 else f"{n},x" if n % 1_000 == 6 else f"{n},x,é")
    file = opened(tmp_path, line_end.join(lines))
    whole = read(file)
    assert len(whole[0]) + len(whole[1]) == 4_000
    assert sorted(whole[1]) == [6, 1_006, 2_006, 3_006]
    assert all(row[0] == str(n) for n, row in whole[0].items())
    pieces = type(file._text).chunks
    monkeypatch.setattr("pipeline.reading.sources.csv_file._SAMPLE_BYTES", 64)
    monkeypatch.setattr(type(file._text), "chunks", lambda self: pieces(self, size=997))
    assert read(file) == whole


def test_gzipped_text_reads_as_the_text_itself(tmp_path: Path):
    content = b"a,b,c\n" + b"1,2,3\n" * 300_000
    file = opened(tmp_path, gzip.compress(content, mtime=0), name="x.csv.gz")
    assert sum(len(batch.numbers) for batch in file.batches()) == 300_000


@pytest.mark.parametrize("spoil", [lambda b: b[:-9], lambda b: b[:50] + b"\0\0\0" + b[53:], lambda b: b + b"rest"])
def test_damaged_gzip_is_refused(tmp_path: Path, spoil):
    content = gzip.compress(b"a,b,c\n" + b"".join(b"%d,2,3\n" % n for n in range(5_000)))
    with pytest.raises(DataError, match="damaged or was cut off"):
        read(opened(tmp_path, spoil(content), name="x.csv.gz"))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"%PDF-1.7\n", "a PDF"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", "old kind"),
        (b"PK\x03\x04", "zip archive"),
        (b"\xff\xd8\xff\xe0", "a picture"),
        (b"\n <!doctype html>", "a web page"),
        (gzip.compress(gzip.compress(b"a,b,c\n", mtime=0), mtime=0), "gzipped twice"),
        (b"a,b,c\n1,2,3\n" + b"x" * 1_100_000, "line 3 is longer than 1 MB"),
        (b"x" * 2_000_000, "line 1 is longer than 1 MB"),
        (b",".join([b"a"] * 2_001) + b"\n", "2,001 columns"),
    ],
)
def test_what_cannot_be_a_table_is_refused(tmp_path: Path, content: bytes, message: str):
    with pytest.raises(DataError, match=message):
        read(opened(tmp_path, content))


def test_a_heading_that_begins_like_another_kind_of_file(tmp_path: Path):
    assert opened(tmp_path, "MZ;b;c\n1;2;3\n", ReadOptions(wanted=("MZ",))).headings == ["MZ", "b", "c"]


def test_a_file_that_changes_while_it_is_read(tmp_path: Path):
    file = opened(tmp_path, "a,b,c\n1,2,3\n")
    time.sleep(0.01)
    (tmp_path / "x.csv").write_text("a,b,c\n1,2,3\n4,5,6\n")
    with pytest.raises(DataError, match="changed while it was read"):
        read(file)


def test_only_ordinary_files_inside_the_folder(tmp_path: Path):
    inside, outside = tmp_path / "practice", tmp_path / "elsewhere"
    (inside / "exports").mkdir(parents=True)
    outside.mkdir()
    for path in (inside / "a.csv", inside / "exports" / "b.csv", outside / "c.csv"):
        path.write_text("a\n")
    (inside / "to_inside.csv").symlink_to(inside / "exports" / "b.csv")
    (inside / "to_outside.csv").symlink_to(outside / "c.csv")
    (inside / "linked").symlink_to(outside)
    (inside / "gone.csv").symlink_to(outside / "none.csv")
    (inside / "round.csv").symlink_to(inside / "round.csv")
    (inside / "folder.csv").mkdir()
    os.mkfifo(inside / "pipe.csv")
    for path in (inside / "a.csv", inside / "to_inside.csv", outside / "c.csv", inside / ".." / "elsewhere" / "c.csv"):
        refuse_outside(path, inside)
    for name, message in [
        ("to_outside.csv", "link that leads out"),
        ("linked/c.csv", "link that leads out"),
        ("gone.csv", "no such file"),
        ("round.csv", "cannot be opened"),
        ("folder.csv", "is a folder"),
        ("pipe.csv", "device or a pipe"),
    ]:
        with pytest.raises(DataError, match=message):
            refuse_outside(inside / name, inside)
    for name in ("folder.csv", "pipe.csv"):
        with pytest.raises(DataError):
            open_csv(inside / name, ABC)


@pytest.mark.parametrize("delimiter", ["#", "§", " ", "€"])
def test_any_other_delimiter_is_told(tmp_path: Path, delimiter: str):
    content = "a,b,c\n1,2,3\n4,5\n".replace(",", delimiter)
    file = opened(tmp_path, content, ReadOptions(delimiter=delimiter))
    assert read(file) == ({1: ("1", "2", "3")}, {2: (f"4{delimiter}5", None)})


def test_a_quotation_mark_is_no_delimiter(tmp_path: Path):
    with pytest.raises(ConfigError, match="cannot be the delimiter"):
        opened(tmp_path, "a,b\n", ReadOptions(delimiter='"'))


PIECES = (
    b"a,b,c",
    b"1,2,3",
    b"\n",
    b"\r",
    b"\r\n",
    b'"',
    b",",
    b";",
    b"\t",
    b" ",
    b"Total",
    b"Page 1",
    b"\xc3\xa9",
    b"\xfc",
)
BYTES = (b"\x81", b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"sep=;", b"\xc3", b"x" * 300)


@settings(max_examples=400, deadline=None)
@given(
    content=st.lists(st.sampled_from(PIECES + BYTES), max_size=25).map(b"".join),
    is_packed=st.booleans(),
    header_row=st.sampled_from([None, None, 0, 2]),
    encoding=st.sampled_from([None, None, "utf-8", "windows-1252", "utf-16-le", "utf-16"]),
)
def test_any_bytes_are_rows_in_order_or_a_message(
    tmp_path_factory: pytest.TempPathFactory,
    content: bytes,
    is_packed: bool,
    header_row: int | None,
    encoding: str | None,
):
    folder = tmp_path_factory.mktemp("any")
    options = ReadOptions(wanted=("a", "b"), header_row=header_row, encoding=encoding)
    try:
        file = opened(folder, gzip.compress(content, mtime=0) if is_packed else content, options)
        rows, aside = read(file)
    except DataError:
        return
    assert sorted([*rows, *aside]) == list(range(1, len(rows) + len(aside) + 1))
    assert all(len(row) == len(file.headings) for row in rows.values())
