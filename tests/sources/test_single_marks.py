"""Lines of a CSV that stand whole in one field or one cell."""

from __future__ import annotations

import polars as pl

from pipeline.reading.sources.single_marks import in_columns, marks_of, remarked


def test_a_line_in_one_field_is_cut():
    lines = ['"1042,""Moor, Hazel"",14"\r\n', '"1043,Lane,15"\r\n']
    marks = marks_of(lines, (",",))
    assert marks is not None
    assert [remarked(line, marks) for line in lines] == ['1042,"Moor, Hazel",14\r\n', "1043,Lane,15\r\n"]


def test_marked_fields_beside_one_another_are_no_such_line():
    assert marks_of(['"1042","Moor","14"\n', '"1043","Lane","15"\n'], (",",)) is None


def test_a_sheet_of_one_column_is_cut_and_its_title_stays():
    cells = pl.DataFrame({"1": ["Ledger 2019", "Chart,Date,Code", *["1042,2019-03-04,D2740"] * 40, None]})
    found = in_columns(cells)
    assert found.columns == ["1", "2", "3"]
    assert found.row(0) == ("Ledger 2019", None, None)
    assert found.row(2) == ("1042", "2019-03-04", "D2740")
    assert found.row(-1) == (None, None, None)


def test_a_sheet_of_notes_with_commas_is_not_cut():
    cells = pl.DataFrame({"1": ["a, b", "a, b, c, d", "e", "f, g, h"]})
    assert in_columns(cells).columns == ["1"]
