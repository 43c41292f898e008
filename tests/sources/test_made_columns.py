"""Columns made of others: dates of three columns; teeth of two, of ticks and of a text."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.machine.errors import ConfigError, DataError
from pipeline.practice.table_settings import Made
from pipeline.reading.config import load_settings
from pipeline.reading.sources import ReadOptions, open_source
from pipeline.reading.sources.made_columns import (
    dates_of,
    flag_headings,
    teeth_between,
    teeth_in,
    teeth_ticked,
    words_beside_teeth,
)


def texts(*values: str | None) -> pl.Series:
    return pl.Series(values, dtype=pl.String)


def test_dates_of_three_columns():
    found = dates_of(
        texts("2022", "2022.0", "22", "2022", "2022", None, "2022"),
        texts("3", "12", "3", "März", "3", None, ""),
        texts("4", "05", "4", "4", None, None, "4"),
    )
    assert found.to_list() == ["2022-03-04", "2022-12-05", "4-mar-22", "4 März 2022", "2022-03-00", None, "4  2022"]


def test_teeth_between_two_columns():
    found = teeth_between(texts("3", "3", None, "8", None), texts("3", None, "4", "10", None))
    assert found.to_list() == ["3", "3", "4", "8 - 10", None]


@pytest.mark.parametrize(
    ("text", "teeth"),
    [
        ("Crown #19", "19"),
        ("RCT tooth 14", "14"),
        ("Tooth no. 3 - filling", "3"),
        ("Krone Zahn 36 und 37", "36 und 37"),
        ("Crowns #8-10", "8-10"),
        ("Extraction #A", "A"),
        ("Couronne dent UR6", "UR6"),
        ("Crown #3, core #3", "3"),
        ("Crown #14, shade #4, post #4", "Crown #14, shade #4, post #4"),
        ("Root canal #30 #2 of 3 visits", "30"),
        ("Crown #18, #2 of 4 visits", "18"),
        ("Crown #18, 2 visits", "18"),
        ("Krone Zahn 18, 2 Sitzungen", "18"),
        ("Root canal #18, 19 post", "18, 19"),
        ("Crown #14, #3", "14, #3"),
        ("Crown #30, opposing #31", "Crown #30, opposing #31"),
        ("Crown #140", None),
        ("Discount #10%", None),
        ("Visit #2", None),
        ("Claim #12 crown #14", "14"),
        ("Exam", None),
    ],
)
def test_teeth_in_a_text(text: str, teeth: str | None):
    assert teeth_in(texts(text)).to_list() == [teeth]


def test_what_stands_beside_the_tooth_is_the_same_for_every_tooth():
    assert words_beside_teeth(texts("Crown #19", "Crown - #3", "#30 Crown", "Visit #2", None)).to_list() == [
        "Crown",
        "Crown",
        "Crown",
        "Visit #2",
        None,
    ]


def test_teeth_ticked():
    columns = {"3": texts("x", "0", "MOD", None), "14": texts("✓", "n", "", None)}
    assert teeth_ticked(columns).to_list() == ["3, 14", None, "3 MOD", None]
    assert flag_headings("T{tooth}", ["T1", "T32", "Total", "T 5", "Date"]) == {"T1": "1", "T32": "32", "T 5": "5"}


def test_only_what_is_asked_for_is_read_and_made(tmp_path: Path):
    path = tmp_path / "a.csv"
    path.write_text("Chart,From,To,Note\n1,3,4,x\n")
    made = (Made("tooth", "range", ("From", "To")),)
    source = open_source(path, ReadOptions(wanted=("Chart", "From", "To"), made=made))
    assert list(source.headings) == ["Chart", "From", "To", "Note", "tooth"]
    (batch,) = source.batches(["tooth", "Chart"])
    assert batch.rows.to_dicts() == [{"tooth": "3 - 4", "Chart": "1"}]
    path.write_text("Chart,From,To,tooth\n1,3,4,5\n")
    with pytest.raises(DataError, match='has a column "tooth" itself'):
        open_source(path, ReadOptions(wanted=("Chart",), made=made))


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('tooth_range = "From"', "must list two headings"),
        ('tooth_range = ["From"]', "must list two headings"),
        ('tooth_list = ["Tooth 1"]', "must list two or more headings"),
        ('tooth_flags = "T"', "must be a text such as"),
        ("tooth_in_text = 3", "must be a text such as"),
        ('columns.code = ["A"]', "must be one heading, or two and more"),
        ('tooth_flags = "T{tooth}"\ntooth_in_text = "Note"', "says twice where tooth comes from"),
    ],
)
def test_what_cannot_be_made_is_refused_in_words(tmp_path: Path, line: str, message: str):
    path = tmp_path / "practice.toml"
    path.write_text(f'[practice]\ntooth_notation = "fdi"\n[tables.procedures]\nfiles = ["a.csv"]\n{line}\n')
    with pytest.raises(ConfigError, match=message):
        load_settings(path)
