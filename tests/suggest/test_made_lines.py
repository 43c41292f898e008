"""Fields that stand in several columns or in a text: `suggest` proposes the line that makes them, or asks."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from pipeline.reading.suggest.propose import suggest

# Eight visits of four patients, on days that leave no doubt of their order.
DAYS = [(2019, 3, d) for d in (14, 15, 18, 19, 21, 22, 25, 26)]
CODES = ["D2740", "D3330", "D0120", "D2740", "D2950", "D7140", "D0120", "D3320"]
TEETH = [19, 30, None, 3, 3, 17, None, 5]


def proposed(folder: Path, head: str, *lines: str) -> dict[str, Any]:
    path = folder / "ledger.csv"
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return tomllib.loads(suggest([path], folder=folder).text)


def rows(of) -> list[str]:
    return [f"{1001 + n % 4},{of(n)}" for n in range(len(DAYS))]


def iso(n: int) -> str:
    year, month, day = DAYS[n]
    return f"{year}-{month:02}-{day:02}"


def tooth(n: int) -> str:
    return "" if TEETH[n] is None else str(TEETH[n])


def test_a_date_of_three_columns(tmp_path: Path):
    lines = rows(lambda n: f"{','.join(map(str, DAYS[n]))},{CODES[n]},{tooth(n)}")
    table = proposed(tmp_path, "Chart No,Year,Month,Day,Code,Tooth", *lines)["tables"]["procedures"]
    assert table["columns"]["service_date"] == ["Year", "Month", "Day"]
    assert table["columns"]["code"] == "Code"


def test_three_columns_beside_a_date_are_left(tmp_path: Path):
    lines = rows(lambda n: f"{iso(n)},{','.join(map(str, DAYS[n]))},{CODES[n]},{tooth(n)}")
    table = proposed(tmp_path, "Chart No,Date,Year,Month,Day,Code,Tooth", *lines)["tables"]["procedures"]
    assert table["columns"]["service_date"] in ("Date", "ask")


@pytest.mark.parametrize(("last", "told"), [(0, ["Zahn von", "Zahn bis"]), (1, "ask")])
def test_a_range_is_asked_only_where_a_row_names_two_teeth(tmp_path: Path, last: int, told: object):
    def both(n: int) -> str:
        return "," if TEETH[n] is None else f"{TEETH[n]},{(TEETH[n] or 0) + last * (n == 0)}"

    lines = rows(lambda n: f"{iso(n)},{CODES[n]},{both(n)}")
    table = proposed(tmp_path, "Chart No,Date,Code,Zahn von,Zahn bis", *lines)["tables"]["procedures"]
    assert table["tooth_range"] == told
    assert "tooth" not in table["columns"]


def test_numbered_columns_of_teeth(tmp_path: Path):
    def both(n: int) -> str:
        return "," if TEETH[n] is None else f"{TEETH[n]},{(TEETH[n] or 0) + 1 if n in (0, 3, 5) else ''}"

    lines = rows(lambda n: f"{iso(n)},{CODES[n]},{both(n)}")
    table = proposed(tmp_path, "Chart No,Date,Code,Tooth 1,Tooth 2", *lines)["tables"]["procedures"]
    assert table["tooth_list"] == ["Tooth 1", "Tooth 2"]
    beside = rows(lambda n: f"{iso(n)},{CODES[n]},{tooth(n)},{CODES[n]},{tooth(n)}")
    table = proposed(tmp_path, "Chart No,Date,Code1,Tooth1,Code2,Tooth2", *beside)["tables"]["procedures"]
    assert "tooth_list" not in table


def test_columns_of_ticks(tmp_path: Path):
    teeth = [3, 5, 17, 18, 19, 20, 29, 30]
    lines = rows(lambda n: f"{iso(n)},{CODES[n]}," + ",".join("x" if TEETH[n] == t else "" for t in teeth))
    head = "Chart No,Date,Code," + ",".join(f"T{t}" for t in teeth)
    assert proposed(tmp_path, head, *lines)["tables"]["procedures"]["tooth_flags"] == "T{tooth}"


def test_teeth_in_a_description_where_no_column_is_one_of_teeth(tmp_path: Path):
    def text(n: int) -> str:
        return "Exam" if TEETH[n] is None else f"Work #{TEETH[n]}"

    lines = rows(lambda n: f"{iso(n)},{CODES[n]},{text(n)}")
    table = proposed(tmp_path, "Chart No,Date,Code,Description", *lines)["tables"]["procedures"]
    assert table["tooth_in_text"] == "Description"
    with_column = rows(lambda n: f"{iso(n)},{CODES[n]},{text(n)},{tooth(n)}")
    table = proposed(tmp_path, "Chart No,Date,Code,Description,Tooth", *with_column)["tables"]["procedures"]
    assert "tooth_in_text" not in table
    assert table["columns"]["tooth"] == "Tooth"


def test_a_description_that_names_more_teeth_than_their_column_is_read_in_its_place(tmp_path: Path):
    def text(n: int) -> str:
        return "Exam" if TEETH[n] is None else f'"Work ({TEETH[n]}{", 4" if n % 2 else ""})"'

    lines = rows(lambda n: f"{iso(n)},{CODES[n]},{text(n)},{tooth(n)}")
    table = proposed(tmp_path, "Chart No,Date,Code,Description,Tooth", *lines)["tables"]["procedures"]
    assert table["tooth_in_text"] == "Description"
    assert "tooth" not in table["columns"]


def test_headings_that_stand_over_other_columns_leave_teeth_to_be_asked(tmp_path: Path):
    teeth = [19, 30, 2, 3, 4, 17, 14, 5]
    lines = rows(lambda n: f"{iso(n)},{CODES[n]},{teeth[n]},MO")
    table = proposed(tmp_path, "Chart No,Date,Tooth,Surf,Prov", *lines)["tables"]["procedures"]
    assert table["columns"]["code"] == "Tooth"
    assert table["columns"]["tooth"] == "ask"


def test_a_number_of_ten_digits_that_is_headed_as_no_date_stays_a_patient(tmp_path: Path):
    lines = [f"{1551441600 + n % 3},{iso(n)},D2740,{3 + n}" for n in range(len(DAYS))]
    table = proposed(tmp_path, "Chart No,Date,Code,Tooth", *lines)["tables"]["procedures"]
    assert (table["columns"]["patient_id"], table["columns"]["service_date"]) == ("Chart No", "Date")


def test_a_column_for_each_quadrant(tmp_path: Path):
    places = ["6,,,", ",6,,", ",,7,", ",,,6", "4,,,", ",,,", ',"4,5",,', ",,,1"]
    lines = rows(lambda n: f"{iso(n)},{CODES[n]},{places[n]}")
    found = proposed(tmp_path, "Chart No,Date,Code,UR,UL,LL,LR", *lines)
    assert found["tables"]["procedures"]["tooth_list"] == ["UR", "UL", "LL", "LR"]
    assert found["practice"]["tooth_notation"] == "palmer"


@pytest.mark.thorough
def test_the_day_in_the_names_of_files_is_asked_about(tmp_path: Path):
    files = []
    for n in range(len(DAYS)):
        files.append(tmp_path / f"daysheet_{iso(n).replace('-', '')}.csv")
        files[-1].write_text(f"Chart No,Code,Tooth\n1001,{CODES[n]},{tooth(n)}\n1002,D2740,3\n", encoding="utf-8")
    text = suggest(files, folder=tmp_path).text
    assert tomllib.loads(text)["tables"]["procedures"]["file_name"] == "ask"
    assert 'write "daysheet_{service_date}"' in text


def test_a_day_in_the_name_says_nothing_beside_a_column_of_days(tmp_path: Path):
    path = tmp_path / "export_20260131.csv"
    lines = rows(lambda n: f"{iso(n)},{CODES[n]},{tooth(n)}")
    path.write_text("\n".join(["Chart No,Date,Code,Tooth", *lines]) + "\n", encoding="utf-8")
    assert "file_name" not in tomllib.loads(suggest([path], folder=tmp_path).text)["tables"]["procedures"]


@pytest.mark.parametrize(
    ("sign", "teeth", "told"),
    [
        (".", [19, 30, 14, 3, 5, 17, 28, 8], "Code"),
        (":", [19, 30, 14, 3, 5, 17, 28, 8], "Code"),
        (".", [1, 2] * 4, None),
    ],
)
def test_teeth_behind_codes_and_marks_of_the_practices_own(
    tmp_path: Path, sign: str, teeth: list[int], told: str | None
):
    lines = rows(lambda n: f"{iso(n)},{CODES[n]}{sign}{teeth[n]}")
    table = proposed(tmp_path, "Chart No,Date,Code", *lines * 2)["tables"]["procedures"]
    assert table.get("tooth_in_text") == told
    assert table["columns"]["code"] == "Code"


@pytest.mark.parametrize(("years", "told"), [(("2019", "2020"), ["(file)", "Date"]), (("north", "south"), "ask")])
def test_the_year_in_the_name_of_a_file_beside_days_without_one(tmp_path: Path, years: tuple[str, str], told: object):
    lines = ["Chart No,Date,Code,Tooth", *rows(lambda n: f"{DAYS[n][2]}.03.,{CODES[n]},{tooth(n)}")]
    for year in years:
        (tmp_path / f"{year}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = suggest([tmp_path / f"{year}.csv" for year in years], folder=tmp_path).text
    assert tomllib.loads(text)["tables"]["procedures"]["columns"]["service_date"] == told


@pytest.mark.parametrize(("fine", "told"), [("", "Proc Code"), ("b", "ask")])
def test_a_code_beside_its_words_is_the_code_and_two_that_say_different_things_are_asked(
    tmp_path: Path, fine: str, told: str
):
    words = ["Crown", "Root canal", "Examination", "Extraction", "Filling"]

    def line(n: int) -> str:
        return f"{1001 + n % 4},2019-03-{n + 1:02},{100 + n % 5},{words[n % 5]}{fine * (n % 3)},{n + 3}"

    head = "Chart No,Date,Proc Code,Procedure,Tooth"
    table = proposed(tmp_path, head, *(line(n) for n in range(25)))["tables"]["procedures"]
    assert table["columns"]["code"] == told


def test_a_description_is_no_patient(tmp_path: Path):
    def line(n: int) -> str:
        return f"2019-03-{n % 28 + 1:02},A{n % 9},{CODES[n % 8]} text {n % 24 // 8},{CODES[n % 8]},{n % 30 + 1}"

    table = proposed(tmp_path, "Date,Who,What,Code,Tooth", *(line(n) for n in range(56)))["tables"]["procedures"]
    assert table["columns"]["patient_id"] == "Who"
