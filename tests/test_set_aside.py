"""Rows set aside, out into a spreadsheet and back again."""

from __future__ import annotations

import csv
import json
import stat
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.machine.errors import DataError
from pipeline.machine.private_files import MARK_IN_WORDS
from pipeline.practice.reasons import REASONS
from pipeline.reading.set_aside import (
    FILE,
    ROW,
    MendedFile,
    armed,
    disarmed,
    not_mended,
    open_mended,
    write_set_aside,
)
from pipeline.reading.sources import ReadOptions, Source, open_source

DIGEST = "0123456789ab" + "c" * 52
LEDGER = """Pat,Date,Code,Tooth,Note
007,01/02/2020,D2740,99,=1+1
008,01/03/2020,D2740,3,fine
009,never,D3330,3-5,"two
lines"
torn line
"""


def backed(text: str) -> str:
    return pl.DataFrame({"t": [text]}, schema={"t": pl.String}).select(disarmed(pl.col("t"))).item()


@pytest.mark.parametrize(
    "text",
    [
        *("=1+1", "+1", "-x", "@a", "\t=1", "\r=1", "\0=1", "  =1", "-1,200.00+cmd"),
        *("\u200b=1", "\ufeff=1", "\uff1d1", "\uff0b1", "\uff0d1", "\uff201", "\u200b\u200d @x"),
    ],
)
def test_text_that_a_spreadsheet_would_run_is_disarmed(text: str):
    assert armed(text) == "'" + text


@pytest.mark.parametrize(
    "text", ["007", "3-5", "01/02/2020", "2020-01-02", "1.2.20", "1E5", "123456789012", "2020-01-02 10:00"]
)
def test_text_that_a_spreadsheet_would_rewrite_is_kept_as_text(text: str):
    assert armed(text) == "'" + text


@pytest.mark.parametrize("text", ["", "-5", "-1200.00", "-0,5", "1200.00", "0", "D2740", "P-7", "a=b", "O'Hara", "14"])
def test_plain_numbers_and_words_stay_as_they_are(text: str):
    assert armed(text) == text


@given(st.text())
def test_what_is_disarmed_comes_back_as_it_was(text: str):
    assert backed(armed(text)) == text


def ledger(folder: Path, text: str = LEDGER) -> Source:
    (folder / "ledger.csv").write_text(text, encoding="utf-8")
    return open_source(folder / "ledger.csv", ReadOptions())


def aside(*rows: tuple[int, str], digest: str = DIGEST) -> pl.DataFrame:
    frame = pl.DataFrame(rows, schema={"row_number": pl.Int64, "reason": pl.String}, orient="row")
    return frame.with_columns(file=pl.lit("exports/ledger.csv"), hash=pl.lit(digest), table_name=pl.lit("procedures"))


def written(folder: Path, *rows: tuple[int, str]) -> Path:
    (path,) = write_set_aside(aside(*rows), folder / "out", REASONS, originals={DIGEST: ledger(folder)})
    return path


def test_each_row_says_where_it_stood_why_and_what_to_do(tmp_path: Path):
    path = written(tmp_path, (3, "date_unreadable"), (1, "tooth_unknown"), (4, "malformed_line"), (2, "superseded"))
    assert path.name == "procedures-ledger.csv-0123456789ab-holds-patient-data.csv"
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.reader(stream))
    assert rows.pop(0) == ["HOLDS PATIENT DATA - for use inside the practice only; do not send or copy it"]
    assert rows[0][:4] == ["set_aside_file", "set_aside_row", "why", "what_to_do"]
    assert rows[0][4:] == ["Pat", "Date", "Code", "Tooth", "Note", "set_aside_line"]
    where = "exports/ledger.csv 0123456789ab"
    tooth, date, torn = (list(REASONS[r]) for r in ("tooth_unknown", "date_unreadable", "malformed_line"))
    assert rows[1:] == [
        [where, "1", *tooth, "'007", "'01/02/2020", "D2740", "99", "'=1+1", ""],
        [where, "3", *date, "'009", "never", "D3330", "'3-5", "two\nlines", ""],
        [where, "4", *torn, "", "", "", "", "", "torn line"],
    ]


def test_files_are_for_their_owner_alone_and_nothing_lies_beside_them(tmp_path: Path):
    path = written(tmp_path, (1, "tooth_unknown"))
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert list(path.parent.iterdir()) == [path]


def test_rows_of_a_file_that_is_gone_are_left_out(tmp_path: Path):
    assert write_set_aside(aside((1, "tooth_unknown")), tmp_path / "out", REASONS, originals={}) == []


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path):
    (tmp_path / "out").write_text("a file", encoding="utf-8")
    with pytest.raises(DataError, match="out: cannot be written"):
        write_set_aside(aside((1, "tooth_unknown")), tmp_path / "out", REASONS, originals={DIGEST: ledger(tmp_path)})


def mended(folder: Path, path: Path) -> MendedFile:
    source = open_source(path, ReadOptions())
    return open_mended(source, {DIGEST: ledger(folder), "f" * 64: ledger(folder)}, name=path.name)


def test_a_mended_file_reads_like_the_rows_it_came_from(tmp_path: Path):
    path = written(tmp_path, (1, "tooth_unknown"), (3, "date_unreadable"))
    file = mended(tmp_path, path)
    assert list(file.headings) == ["Pat", "Date", "Code", "Tooth", "Note"]
    rows = pl.concat([batch.rows for batch in file.batches()])
    assert rows.rows() == [
        ("007", "01/02/2020", "D2740", "99", "=1+1"),
        ("009", "never", "D3330", "3-5", "two\nlines"),
    ]
    assert pl.concat([batch.rows for batch in file.batches(["Pat"])]).rows() == [("007",), ("009",)]
    assert file.mended().rows() == [(1, DIGEST, 1), (2, DIGEST, 3)]


def test_a_row_that_does_not_say_what_it_mends_is_set_aside(tmp_path: Path):
    path = written(tmp_path, (1, "tooth_unknown"))
    path.write_text(path.read_text(encoding="utf-8") + ",,,,010,2020-01-01,D2740,3,new\n", encoding="utf-8")
    file = mended(tmp_path, path)
    (batch,) = file.batches()
    assert batch.rows.height == 1
    assert batch.malformed.select("row_number", "reason").rows() == [(2, "mended_row_unknown")]
    assert file.mended()["row_number"].to_list() == [1]


def test_rows_saved_by_a_spreadsheet_with_semicolons_and_rounded_numbers_are_read(tmp_path: Path):
    path = tmp_path / "saved.csv"
    path.write_text(
        "set_aside_file;set_aside_row;why;what_to_do;Pat;Date;Code;Tooth;Note\n"
        "exports/ledger.csv 0123456789ab;1.0;;;'007;'01/02/2020;D2740;9;'=1+1\n",
        encoding="utf-8",
    )
    file = mended(tmp_path, path)
    assert next(iter(file.batches())).rows.row(0) == ("007", "01/02/2020", "D2740", "9", "=1+1")
    assert file.mended().rows() == [(1, DIGEST, 1)]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("Pat,Date\n1,2\n", "has no column set_aside_file"),
        ("set_aside_file,set_aside_row,Pat\nledger.csv eeeeeeeeeeee,1,7\n", "of 1 files, 0 of which are listed"),
        (
            "set_aside_file,set_aside_row,Pat\na.csv 0123456789ab,1,7\nb.csv ffffffffffff,1,7\n",
            "of 2 files, 2 of which are listed",
        ),
    ],
)
def test_a_file_that_cannot_be_mended_rows_is_refused(tmp_path: Path, text: str, message: str):
    (tmp_path / "mended.csv").write_text(text, encoding="utf-8")
    with pytest.raises(DataError, match=message):
        mended(tmp_path, tmp_path / "mended.csv")


def test_rows_in_which_nothing_was_changed_are_told_from_mended_ones():
    before = [(1, {"Pat": "7", "Tooth": "99"}, "tooth_unknown"), (2, {"Pat": "8", "Tooth": None}, "tooth_missing")]
    before += [(3, {"line": "torn"}, "malformed_line"), (4, {"Pat": "9", "Tooth": "98"}, "tooth_unknown")]
    after = [
        (1, {"Tooth": " 99", "Pat": "7"}, 1),
        (2, {"Pat": "8", "Tooth": ""}, 2),
        (3, {"Pat": "", "Tooth": None}, 3),
    ]
    after += [(4, {"Pat": "9", "Tooth": "97"}, 4), (5, {"Pat": "7", "Tooth": "99"}, 77)]
    originals = pl.DataFrame(
        [(n, json.dumps(raw), reason) for n, raw, reason in before],
        schema=["row_number", "raw_row", "reason"],
        orient="row",
    )
    rows = pl.DataFrame(
        [(n, json.dumps(raw), of) for n, raw, of in after], schema=["row_number", "raw_row", "of_row"], orient="row"
    )
    assert not_mended(rows, originals)["row_number"].to_list() == [1, 2, 3]


@pytest.mark.parametrize("first", [MARK_IN_WORDS, f'"{MARK_IN_WORDS}"', f"{MARK_IN_WORDS}{',' * 8}", None])
def test_the_first_line_that_names_patient_data_is_no_row(tmp_path: Path, first: str | None):
    """As it was written, as spreadsheets save it (filled up to the width of the table), and taken out by hand."""
    path = written(tmp_path, (1, "tooth_unknown"), (3, "date_unreadable"))
    said, rest = path.read_text(encoding="utf-8-sig").split("\n", 1)
    assert said.strip('\r"') == MARK_IN_WORDS
    path.write_text((f"{first}\n" if first else "") + rest, encoding="utf-8")
    source = open_source(path, ReadOptions(wanted=(FILE, ROW)))
    file = open_mended(source, {DIGEST: ledger(tmp_path)}, name=path.name)
    assert file.mended().rows() == [(1, DIGEST, 1), (2, DIGEST, 3)]
