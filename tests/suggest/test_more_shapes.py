"""Shapes of exports that are proposed by what their rows show, each beside one that looks like it and is not."""

from __future__ import annotations

import sqlite3
import tomllib
from pathlib import Path
from typing import Any

import pytest

from pipeline.machine.errors import ConfigError
from pipeline.reading.config import load_settings
from pipeline.reading.suggest.propose import suggest, write_suggestion

WORK = [("D3330", "19"), ("D2950", "19"), ("D2740", "19"), ("D0120", ""), ("D1110", ""), ("D7140", "30")]
PRACTICE = '[practice]\ntooth_notation = "universal"\n'
WORDS = ["Devitalizzazione", "Estrazione", "Visita", "Corona", "Otturazione"]


def proposed(folder: Path, *lines: str, name: str = "export.csv") -> dict[str, Any]:
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read(folder, folder / name)


def read(folder: Path, *files: Path) -> dict[str, Any]:
    told: dict[str, Any] = tomllib.loads(suggest(files, folder=folder).text)
    return told["tables"]["procedures"]


def days(n: int) -> list[str]:
    return [f"2019-{1 + k % 12:02}-{10 + k % 18}" for k in range(n)]


def test_lists_beside_each_other_in_cells(tmp_path: Path):
    rows = [f"P{70 + k % 9},{day},D0120; D2740,-; {2 + k % 12},60; 1100" for k, day in enumerate(days(30))]
    told = proposed(tmp_path, "Chart,Date,Codes,Teeth,Fees", *rows)
    assert told["cell_lists"][:2] == ["Codes", "Teeth"]
    assert told["columns"]["tooth"] == "Teeth"


def test_three_pieces_of_work_side_by_side_in_words(tmp_path: Path):
    rows = [
        f"{400 + k % 9},{day},{WORDS[k % 5]},{11 + k % 8},{WORDS[(k + 1) % 5]},{31 + k % 8}"
        for k, day in enumerate(days(60))
    ]
    told = proposed(tmp_path, "Cartella,Data,Prest. 1,Dente 1,Prest. 2,Dente 2", *rows)
    assert told["repeated_columns"] == [["Prest. 1", "Dente 1"], ["Prest. 2", "Dente 2"]]


def test_a_day_in_words_above_the_rows(tmp_path: Path):
    months = ["January", "March", "June", "October"]
    lines = ["Chart,Name,Code,Tooth"]
    for k in range(24):
        lines.append(f'"Date: Tuesday, {months[k % 4]} {1 + k}, 2019",,,')
        lines += [f'{500 + (k + n) % 9},"Moor, Ann",{code},{tooth}' for n, (code, tooth) in enumerate(WORK)]
    told = proposed(tmp_path, *lines)
    assert told["group_lines"] == ["Date: {service_date:words}"]
    assert told["columns"]["service_date"] == "service_date"


def test_a_first_row_of_values_is_no_row_of_headings(tmp_path: Path):
    rows = [f"{1200 + k // 8}|20190{1 + k % 9}14|{code}|{tooth}|AB" for k, (code, tooth) in enumerate(WORK * 12)]
    told = proposed(tmp_path, *rows, name="lines.txt")
    assert (told["header_row"], told["columns"]["code"]) == (0, "column 3")


def test_two_columns_of_codes_are_asked_about(tmp_path: Path):
    rows = [
        f"{day},{900 + k % 9},{code},{tooth},{WORK[k // 10 % 6][0] if k % 5 == 0 else ''}"
        for k, (day, (code, tooth)) in enumerate(zip(days(120), WORK * 20, strict=True))
    ]
    told = proposed(tmp_path, "Appt,Chart,Booked,Th,Did", *rows)
    assert told["columns"]["code"] == "ask"


def test_the_tables_of_a_database_are_joined_though_a_day_is_empty_in_some_rows(tmp_path: Path):
    with sqlite3.connect(tmp_path / "office.db") as base:
        base.execute("CREATE TABLE visit (visit_id INTEGER, patient_id INTEGER, visit_date TEXT)")
        base.execute("CREATE TABLE line (line_id INTEGER, visit_id INTEGER, code TEXT, tooth TEXT, old_date TEXT)")
        visits = list(enumerate(days(40), 1))
        base.executemany("INSERT INTO visit VALUES (?, ?, ?)", [(n, 300 + n % 9, day) for n, day in visits])
        rows = [(n, 1 + n % 40, *WORK[n % 6], "2011-05-12" if n % 3 else None) for n in range(90)]
        base.executemany("INSERT INTO line VALUES (?, ?, ?, ?, ?)", rows)
    told = read(tmp_path, tmp_path / "office.db")
    assert [join["on"] for join in told["joined"]] == ["visit_id"]
    assert "fill_down" not in told
    assert told["columns"]["patient_id"] == "visit.patient_id"


def test_palmers_own_letters_are_no_question(tmp_path: Path):
    places = [f"{quadrant}{place}" for place in range(1, 9) for quadrant in ("UR", "UL", "LL", "LR")]
    rows = [f"{20 + k % 9},{day},RCT,{place}" for k, (day, place) in enumerate(zip(days(32), places, strict=True))]
    assert "values" not in proposed(tmp_path, "Chart,Date,Treatment,Tooth", *rows)


def test_a_file_may_lack_a_column_that_no_ledger_needs(tmp_path: Path):
    (tmp_path / "a.csv").write_text("Chart,Date,Code,Tooth,State\n1,2019-01-02,D2740,3,C\n", encoding="utf-8")
    (tmp_path / "b.csv").write_text("Chart,Date,Code,Tooth\n2,2019-01-03,D7140,4\n", encoding="utf-8")
    told = 'patient_id = "Chart", service_date = "Date", code = "Code", tooth = "Tooth", status = "State"'
    for more, is_read in (("", False), ('may_lack = ["State"]\n', True)):
        toml = f'{PRACTICE}[tables.procedures]\nfiles = ["*.csv"]\ncolumns = {{ {told} }}\n{more}'
        (tmp_path / "practice.toml").write_text(toml, encoding="utf-8")
        source = load_settings(tmp_path / "practice.toml").tables["procedures"]
        assert ("status" in source.columns_in(["Chart", "Date", "Code", "Tooth"])) is not is_read
        assert "status" in source.columns_in(["Chart", "Date", "Code", "Tooth", "State"])


def test_of_one_file_only_its_days_are_told(tmp_path: Path):
    toml = f'{PRACTICE}[tables.procedures]\nfiles = ["*.csv"]\nof_file."a.csv" = {{ decimal = "," }}\n'
    (tmp_path / "practice.toml").write_text(toml, encoding="utf-8")
    with pytest.raises(ConfigError, match="of one file can be told: serial_dates"):
        load_settings(tmp_path / "practice.toml")


def test_a_proposal_is_written_where_two_things_must_be_asked(tmp_path: Path):
    rows = [f"{day},{30 + k % 9},x{k % 4}" for k, day in enumerate(days(40))]
    (tmp_path / "a.csv").write_text("\n".join(["Day,Chart,Sort", *rows]) + "\n", encoding="utf-8")
    path = write_suggestion(suggest([tmp_path / "a.csv"], folder=tmp_path), tmp_path / "practice.toml")
    assert '"ask"' in path.read_text(encoding="utf-8")
