"""Files of two programs that call the same columns otherwise are one table."""

import datetime as dt
import tomllib
from pathlib import Path

import pytest

from pipeline.machine.errors import ConfigError
from pipeline.practice.tables import PROCEDURES
from pipeline.reading.config import load_settings
from pipeline.reading.suggest.propose import suggest
from pipeline.stages.ingest import ingest
from pipeline.storing.store import open_store

CODES = ("D2740", "D3330", "D1110")
OLD = ["Chart No,Date,Code,Tooth,Fee"] + [
    f"{1000 + n // 4},0{1 + n % 9}/1{3 + n % 6}/2015,{CODES[n % 3]},{1 + n % 32},{100 + n % 3 * 400}.00"
    for n in range(40)
]
NEW = [OLD[0].replace("Chart No", "Patient ID").replace("Date", "Svc Date").replace("Code", "ADA") + ",Remark"] + [
    line.replace("2015", "2019") + "," for line in OLD[1:30]
]


def write(folder: Path, name: str, lines: list[str]) -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.thorough
def test_both_are_proposed_and_read(tmp_path: Path):
    files = [write(tmp_path, "new.csv", NEW), write(tmp_path, "old.csv", OLD)]
    text = suggest(files, folder=tmp_path).text
    assert "Files that are not used" not in text
    told = tomllib.loads(text)["tables"]["procedures"]
    assert sorted(told["files"]) == ["new.csv", "old.csv"]
    assert told["renamed"] == {"Patient ID": "Chart No", "Svc Date": "Date", "ADA": "Code"}
    toml = tmp_path / "practice.toml"
    toml.write_text(text.replace('crown_date = "ask"', 'crown_date = "seat"'))
    ingest(load_settings(toml), today=dt.date(2026, 1, 31), say=print, keep_ids=True)
    with open_store(tmp_path / "practice.duckdb") as store:
        rows = store.read(PROCEDURES)
    assert rows.height == 69
    assert rows["service_date"].dt.year().value_counts().sort("service_date").rows() == [(2015, 40), (2019, 29)]
    assert rows["code"].null_count() == rows["patient_id"].null_count() == 0


@pytest.mark.thorough
def test_a_name_that_means_two_things_is_not_taken_over(tmp_path: Path):
    # What one file calls Date the other calls Entered, and has a Date of its own.
    other = [NEW[0].replace("Remark", "Date"), *(f"{line}01/01/2001" for line in NEW[1:])]
    files = [write(tmp_path, "new.csv", other), write(tmp_path, "old.csv", OLD)]
    assert "Files that are not used" in suggest(files, folder=tmp_path).text


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('renamed.Svc = "Day"', 'is read as "Day", which no line of columns names'),
        ('renamed.Date = "Chart"', "is named by columns itself"),
        ("renamed.Svc = 3", "must be a text"),
    ],
)
def test_a_name_that_cannot_be_is_refused(tmp_path: Path, line: str, said: str):
    toml = tmp_path / "practice.toml"
    toml.write_text(
        '[practice]\nname = "Alder Row Dental"\ntooth_notation = "universal"\n[tables.procedures]\nfiles = ["x.csv"]\n'
        f'{line}\ncolumns.patient_id = "Chart"\ncolumns.service_date = "Date"\n',
        encoding="utf-8",
    )
    with pytest.raises(ConfigError, match=said):
        load_settings(toml)


def test_days_in_another_order_do_not_part_them(tmp_path: Path):
    turned = [NEW[0]] + [
        f"{a},{day}/{month}/{rest}" for a, month, day, rest in (x.replace(",", "/", 1).split("/", 3) for x in NEW[1:])
    ]
    files = [write(tmp_path, "new.csv", turned), write(tmp_path, "old.csv", OLD)]
    told = tomllib.loads(suggest(files, folder=tmp_path).text)["tables"]["procedures"]
    assert sorted(told["files"]) == ["new.csv", "old.csv"]
    assert told["renamed"]["Svc Date"] == "Date"
