"""Fields that take any text: what `suggest` proposes for their words, and what reading makes of the answer."""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path

import pytest

from pipeline.machine.errors import ConfigError
from pipeline.practice.tables import ENDO_DETAILS, INPUT_TABLES
from pipeline.reading.config import load_settings
from pipeline.reading.suggest.propose import suggest
from pipeline.reading.suggest.value_words import known_words
from pipeline.stages.ingest import ingest
from pipeline.storing.store import open_store

OPEN = [(t.name, name) for t in INPUT_TABLES.values() for name, c in t.columns.items() if c.usual]
HEAD = "Patient,Tooth,Date,Pulpal diagnosis,Apical diagnosis\n"
WORDS = [
    ("necrosis", "normal"),
    ("Pulpanekrose", "apical-periodontitis"),
    ("Pulpanekrose", "lesion K"),
    ("state four", "lesion K"),
    ("state four", ""),
    ("asked her husband Wednesday", "lesion K"),
]


def write(folder: Path) -> Path:
    path = folder / "endo_details.csv"
    rows = [f"P{i},{i + 2},2021-03-{i + 1:02},{pulp},{apex}\n" for i, (pulp, apex) in enumerate(WORDS)]
    path.write_text(HEAD + "".join(rows), encoding="utf-8")
    return path


@pytest.mark.parametrize(("table", "field"), OPEN)
def test_every_known_word_of_a_field_means_one_of_its_usual_words(table: str, field: str):
    usual = INPUT_TABLES[table].columns[field].usual
    assert set(known_words(table, field).values()) == set(usual)


def test_words_that_are_not_understood_are_asked_and_remarks_are_left_alone(tmp_path: Path):
    text = suggest([write(tmp_path)], folder=tmp_path).text
    values = tomllib.loads(text)["tables"]["endo_details"]["values"]
    assert values == {
        "pulpal_diagnosis": {"Pulpanekrose": "necrosis", "state four": "ask"},
        "apical_diagnosis": {"lesion K": "ask"},
    }
    assert "husband" not in text
    (line,) = [x for x in text.splitlines() if "state four" in x]
    assert "previously_initiated" in line
    assert "no line at all to keep the text" in line


def toml(folder: Path, values: str) -> Path:
    ledger = "patient_id,service_date,code,tooth\nP1,2021-03-02,D3330,3\n"
    (folder / "ledger.csv").write_text(ledger, encoding="utf-8")
    path = folder / "practice.toml"
    path.write_text(
        '[practice]\nname = "Alder Row Dental"\ntooth_notation = "universal"\n'
        '[tables.procedures]\nfiles = ["ledger.csv"]\n[tables.endo_details]\nfiles = ["endo_details.csv"]\n'
        'columns = { patient_id = "Patient", tooth = "Tooth", service_date = "Date", '
        'pulpal_diagnosis = "Pulpal diagnosis", apical_diagnosis = "Apical diagnosis" }\n' + values,
        encoding="utf-8",
    )
    return path


def test_an_answer_puts_the_words_into_ours_and_the_rest_is_counted(tmp_path: Path):
    write(tmp_path)
    answered = 'values.pulpal_diagnosis = { Pulpanekrose = "necrosis", "state four" = "reversible_pulpitis" }\n'
    settings = load_settings(toml(tmp_path, answered))
    ingest(settings, today=dt.date(2026, 1, 31), say=lambda _: None, keep_ids=True)
    with open_store(settings.practice.database) as store:
        rows = store.read(ENDO_DETAILS).sort("patient_id")
        others = store.other_texts()
    assert rows["pulpal_diagnosis"].to_list()[:5] == ["necrosis"] * 3 + ["reversible_pulpitis"] * 2
    assert rows["apical_diagnosis"].to_list()[:3] == ["normal", "apical_periodontitis", "lesion K"]
    assert others.rows() == [("endo_details", "pulpal_diagnosis", 1, 1), ("endo_details", "apical_diagnosis", 3, 1)]


def test_a_word_still_asked_for_is_refused(tmp_path: Path):
    write(tmp_path)
    with pytest.raises(ConfigError, match="state four"):
        load_settings(toml(tmp_path, 'values.pulpal_diagnosis."state four" = "ask"\n'))


def test_the_trades_full_terms_are_understood_without_being_told(tmp_path: Path):
    path = tmp_path / "endo_details.csv"
    rows = [f"P{i},{i + 2},2021-03-0{i + 1},Normal pulp,normal apical tissues\n" for i in range(3)]
    path.write_text(HEAD + "".join(rows), encoding="utf-8")
    assert "values" not in tomllib.loads(suggest([path], folder=tmp_path).text)["tables"]["endo_details"]
    settings = load_settings(toml(tmp_path, ""))
    ingest(settings, today=dt.date(2026, 1, 31), say=lambda _: None, keep_ids=True)
    with open_store(settings.practice.database) as store:
        assert set(store.read(ENDO_DETAILS)["pulpal_diagnosis"]) == {"normal"}
        assert store.other_texts().is_empty()
