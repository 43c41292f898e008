# ruff: noqa: E501
"""Notes from file to figures on a small practice: what is stored, asked, learned, checked, and never kept."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.machine.errors import ConfigError, DataError
from pipeline.notes.accuracy import notes_read
from pipeline.practice.tables import (
    CROWN_DETAILS,
    ELSEWHERE,
    ENDO_DETAILS,
    NOTE_ANSWERS,
    NOTE_CHECKS,
    NOTE_VALUES,
    NOTES,
)
from pipeline.reading.config import load_settings
from pipeline.reading.suggest.propose import suggest
from pipeline.reading.worksheets.lists import write_worksheet
from pipeline.reading.worksheets.note_sheets import sample_to_check, values_to_confirm
from pipeline.stages.ingest import ingest_stage
from pipeline.stages.run import worksheet_stage
from pipeline.stages.run_link import link_stage
from pipeline.storing.store import open_store

TODAY = dt.date(2024, 1, 1)
SECRET = "grandmother Zebulonia"
LEDGER = """patient,date,code,tooth
P1,2020-01-05,D3330,14
P1,2020-03-01,D2740,14
P1,2021-05-01,D0120,
P2,2020-02-05,D3320,20
P2,2022-02-05,D0120,
"""
CHART = f"""patient,date,tooth,note
P1,2020-01-05,,"RCT. Dx: SIP/SAP. RDI. 4 canals. MAF 35. Irrigated 3:1 bleach, PUI. Warm vertical. Rotary files. {SECRET}."
P1,2020-03-01,14,"Crown seat. Zirconia crown cemented with RMGI. {SECRET}."
P2,2020-02-05,,"#20 RCT, lateral condensation, ZOE sealer. Rotary files. {SECRET}"
P2,nonsense,,"{SECRET} told me"
"""
DETAILS = """patient,date,tooth,sealer,filling
P2,2020-02-05,20,epoxy_resin,
"""
TOML = """[practice]
name = "Alder Row Dental"
tooth_notation = "universal"
database = "p.duckdb"
[tables.procedures]
files = ["ledger.csv"]
columns = { patient_id = "patient", service_date = "date", code = "code", tooth = "tooth" }
[tables.endo_details]
files = ["details.csv"]
columns = { patient_id = "patient", service_date = "date", tooth = "tooth", sealer = "sealer", obturation = "filling" }
[tables.notes]
files = ["chart.csv"]
columns = { patient_id = "patient", note_date = "date", text = "note", tooth = "tooth" }
"""


@pytest.fixture
def practice(tmp_path: Path) -> Path:
    for name, text in (("ledger.csv", LEDGER), ("chart.csv", CHART), ("details.csv", DETAILS), ("practice.toml", TOML)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path / "practice.toml"


def ingest(toml: Path, said: list[str] | None = None, **more: bool) -> None:
    ingest_stage(load_settings(toml), today=TODAY, say=(said if said is not None else []).append, **more)


def stored(toml: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    with open_store(toml.with_name("p.duckdb"), read_only=True) as store:
        return store.read(NOTE_VALUES), store.read(ENDO_DETAILS)


def test_what_is_sure_fills_the_details_and_what_is_recorded_stands(practice: Path):
    ingest(practice)
    values, endo = stored(practice)
    of_14 = endo.filter(pl.col("tooth_fdi") == 26).rows(named=True)[0]
    assert (of_14["canals"], of_14["obturation"], of_14["rubber_dam"]) == (4, "warm_vertical", True)
    of_20 = endo.filter(pl.col("tooth_fdi") == 35).rows(named=True)
    assert [(r["sealer"], r["obturation"]) for r in of_20] == [("epoxy_resin", "cold_lateral")]
    told = dict(values.filter(pl.col("tooth_fdi") == 35).select("field", "outcome").rows())
    assert (told["sealer"], told["obturation"]) == ("differs", "used")
    assert values.filter(pl.col("field") == "canals")["tooth_from"].to_list() == ["ledger"]


def test_the_text_is_nowhere(practice: Path, tmp_path: Path):
    said: list[str] = []
    ingest(practice, said)
    link_stage(load_settings(practice), say=said.append)
    sheet = worksheet_stage(load_settings(practice), tmp_path / "out", today=TODAY, say=said.append)
    assert "Zebulonia" not in "\n".join(said)
    with duckdb.connect(str(tmp_path / "p.duckdb"), read_only=True) as base:
        for (name,) in base.execute("SELECT table_name FROM duckdb_tables()").fetchall():
            assert not [row for row in base.execute(f"SELECT * FROM {name}").fetchall() if "Zebulonia" in str(row)], (
                name
            )
    for file in tmp_path.rglob("*"):
        if file.is_file() and file.name not in ("chart.csv",):
            assert b"Zebulonia" not in file.read_bytes(), file.name
    assert sheet.is_file()
    with open_store(tmp_path / "p.duckdb", read_only=True) as store:
        assert store.read(NOTES)["text"].str.len_chars().max() == 26  # a digest


def test_without_pseudonyms_the_text_is_nowhere_either(practice: Path, tmp_path: Path):
    ingest(practice, keep_ids=True)
    with duckdb.connect(str(tmp_path / "p.duckdb"), read_only=True) as base:
        assert "Zebulonia" not in str(base.execute("SELECT * FROM notes").fetchall())


def test_a_note_that_comes_twice_counts_once(practice: Path, tmp_path: Path):
    (tmp_path / "chart2.csv").write_text(CHART.replace("P1,2020-01-05,,", "P1,2020-01-05, ,"), encoding="utf-8")
    practice.write_text(TOML.replace('["chart.csv"]', '["chart.csv", "chart2.csv"]'), encoding="utf-8")
    ingest(practice)
    once, _ = stored(practice)
    with open_store(tmp_path / "p.duckdb", read_only=True) as store:
        assert store.read(NOTES).height == 3
    assert once.filter(pl.col("field") == "canals").height == 1


def test_the_stock_told_later_is_taken_up_and_a_wrong_one_refused(practice: Path):
    said: list[str] = []
    ingest(practice, said)
    assert any("naocl_stock_percent" in line for line in said)
    practice.write_text(TOML + "[notes]\nnaocl_stock_percent = 5.25\n", encoding="utf-8")
    ingest(practice)
    _, endo = stored(practice)
    assert endo.filter(pl.col("tooth_fdi") == 26)["naocl_percent"].to_list() == [1.3]
    practice.write_text(TOML + "[notes]\nnaocl_stock_percent = 52.5\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="naocl_stock_percent must lie between"):
        load_settings(practice)


def test_words_of_the_practice_must_mean_something(practice: Path):
    practice.write_text(TOML + '[notes.words.sealer]\n"blue stuff" = "glue"\n', encoding="utf-8")
    with pytest.raises(ConfigError, match="glue"):
        load_settings(practice)
    practice.write_text(TOML + '[notes.words.seeler]\n"blue stuff" = "other"\n', encoding="utf-8")
    with pytest.raises(ConfigError, match='Did you mean "sealer"'):
        load_settings(practice)


def sheets(practice: Path) -> dict[str, pl.DataFrame]:
    with open_store(practice.with_name("p.duckdb"), read_only=True) as store:
        values = store.read(NOTE_VALUES)
    ids = pl.DataFrame({"patient_id": ["P1", "P2"], "written_id": ["P1", "P2"]})
    return {
        "note_answers": values_to_confirm(values, ids, notation="universal").rows,
        "note_checks": sample_to_check(values, ids, notation="universal").rows,
    }


def filled_in(practice: Path, notes: dict[str, pl.DataFrame]) -> None:
    """The worksheet as it comes back, and the lines of PRACTICE.toml that load it."""
    nothing = ELSEWHERE.empty().select("patient_id", already_known=pl.lit(None, pl.String))
    path = write_worksheet(
        practice.parent / "sheets",
        nothing,
        nothing,
        nothing,
        practice="A",
        notation="universal",
        made_on=TODAY,
        notes=notes,
    )
    path.rename(practice.with_name("technique.xlsx"))
    more = '[tables.note_answers]\nfiles = ["technique.xlsx"]\nsheets = ["from notes"]\n'
    more += '[tables.note_checks]\nfiles = ["technique.xlsx"]\nsheets = ["check against charts"]\n'
    practice.write_text(TOML + more, encoding="utf-8")


def test_one_answer_is_asked_for_the_same_words_and_learned(practice: Path):
    ingest(practice, keep_ids=True)
    asked = sheets(practice)["note_answers"]
    files = asked.filter(pl.col("field") == "instrumentation")
    assert files.select("evidence", "times").rows() == [("Rotary files", 2)]
    untouched = sheets(practice)
    answer = pl.when(pl.col("field") == "instrumentation").then(pl.lit("rotary_single_file")).otherwise("chart_value")
    filled_in(practice, untouched | {"note_answers": asked.with_columns(chart_value=answer)})
    ingest(practice, keep_ids=True)
    values, endo = stored(practice)
    assert endo["instrumentation"].to_list() == ["rotary_single_file"] * 2
    assert set(values.filter(pl.col("field") == "instrumentation")["rule"]) == {"confirmed", "taught by the practice"}
    with open_store(practice.with_name("p.duckdb"), read_only=True) as store:
        assert store.read(NOTE_CHECKS).is_empty()  # lines left as they are say nothing


def test_what_differs_from_the_records_is_listed_and_never_read_back(practice: Path, tmp_path: Path):
    ingest(practice, keep_ids=True)
    link_stage(load_settings(practice), say=lambda _: None)
    path = worksheet_stage(load_settings(practice), tmp_path / "out", today=TODAY, say=lambda _: None)
    listed = pl.read_excel(path, sheet_name="notes that differ", read_options={"header_row": 1})
    assert listed.select("patient_id", "field", "value", "evidence").rows() == [
        ("P2", "sealer", "zinc_oxide_eugenol", "ZOE sealer")
    ]
    path.rename(practice.with_name("technique.xlsx"))
    more = '[tables.note_answers]\nfiles = ["technique.xlsx"]\n[tables.crown_details]\nfiles = ["technique.xlsx"]\n'
    practice.write_text(TOML + more, encoding="utf-8")
    ingest(practice, keep_ids=True)
    with open_store(practice.with_name("p.duckdb"), read_only=True) as store:
        assert store.read(NOTE_ANSWERS).is_empty()
        assert store.read(CROWN_DETAILS).height == 1  # what the notes tell


def test_the_sample_holds_every_field_read_and_lists_what_was_not(practice: Path):
    ingest(practice, keep_ids=True)
    values, _ = stored(practice)
    sample = sheets(practice)["note_checks"]
    sure = values.filter("sure", pl.col("tooth_fdi").is_not_null())
    assert set(sample.drop_nulls("value")["field"]) == set(sure["field"])
    assert sample.filter(pl.col("value").is_null()).height > 0
    assert sample.equals(sheets(practice)["note_checks"])


def test_checks_become_predictive_value_and_sensitivity(practice: Path):
    ingest(practice, keep_ids=True)
    sample = sheets(practice)["note_checks"]
    wrong = (pl.col("field") == "obturation") & (pl.col("patient_id") == "P2")
    missed = (pl.col("field") == "sealer") & (pl.col("patient_id") == "P1")
    checked = sample.with_columns(
        agreed=pl.when(wrong).then(pl.lit("no")).when(pl.col("value").is_not_null()).then(pl.lit("yes")),
        chart_value=pl.when(wrong).then(pl.lit("single_cone")).when(missed).then(pl.lit("calcium_silicate")),
    )
    filled_in(practice, {"note_answers": sheets(practice)["note_answers"], "note_checks": checked})
    ingest(practice, keep_ids=True)
    with open_store(practice.with_name("p.duckdb"), read_only=True) as store:
        found = notes_read(store.read(NOTE_VALUES), store.read(NOTE_CHECKS), confidence=0.95)
    assert found is not None
    by_field = {f.field: f for f in found.fields}
    filling, sealer, canals = (by_field[f] for f in ("obturation", "sealer", "canals"))
    assert (filling.read, filling.right, filling.there) == (2, 1, 2)
    assert (filling.predictive_value, filling.sensitivity) == (0.5, 0.5)
    assert (sealer.read, sealer.right, sealer.there) == (1, 1, 2)
    assert (canals.predictive_value, canals.sensitivity) == (1.0, 1.0)
    assert found.checked == 3


def test_a_database_of_before_is_given_what_it_lacks(practice: Path, tmp_path: Path):
    ingest(practice, keep_ids=True)
    _, first = stored(practice)
    with duckdb.connect(str(tmp_path / "p.duckdb")) as base:
        for name in ("endo_details", "crown_details", "findings"):
            base.execute(f"DROP VIEW {name}")
            base.execute(f"ALTER TABLE _{name} RENAME TO {name}")
            base.execute(f"DROP TABLE _noted_{name}")
        for name in ("notes", "note_answers", "note_checks", "note_values", "_note_values"):
            base.execute(f"DROP TABLE {name}")
        base.execute("DELETE FROM _quarantine WHERE load_id = (SELECT load_id FROM _loads WHERE table_name = 'notes')")
        base.execute("DELETE FROM _loads WHERE table_name = 'notes'")
    with pytest.raises(DataError, match="earlier version"), open_store(tmp_path / "p.duckdb", read_only=True):
        pass
    ingest(practice, keep_ids=True)
    _, again = stored(practice)
    assert again.drop("load_id").sort("tooth_fdi").equals(first.drop("load_id").sort("tooth_fdi"))


def test_an_unknown_file_of_notes_is_known_for_one(practice: Path):
    rows = [
        f'P{n},2020-01-{n:02},"RCT #{n}, 4 canals, dam, warm vertical, {n} carps, pt did well"' for n in range(1, 29)
    ]
    file = practice.with_name("clinical.csv")
    file.write_text("\n".join(["Patient,Visit Date,Clinical note", *rows]), encoding="utf-8")
    found = suggest([file, practice.with_name("ledger.csv")], folder=practice.parent, say=lambda _: None)
    assert "[tables.notes]" in found.text
    assert 'columns.text = "Clinical note"' in found.text or 'text = "Clinical note"' in found.text
