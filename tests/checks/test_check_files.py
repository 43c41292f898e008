"""What `check` foretells, against what a run then does; and that it stores nothing."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipeline.machine.errors import ConfigError
from pipeline.practice.tables import LOADS
from pipeline.reading.config import code_table, load_settings
from pipeline.stages.checks.answerable import answers
from pipeline.stages.checks.check import check
from pipeline.stages.checks.look import look_at
from pipeline.stages.ingest import ingest
from pipeline.stages.run import everything
from pipeline.storing.store import open_store
from tests.recounts import without_recounts

TODAY = dt.date(2026, 1, 31)
SMALL = Path(__file__).resolve().parents[2] / "synthetic_data" / "small"
HEAD = '[practice]\nname = "Alder Row Dental"\ntooth_notation = "universal"\n'


@pytest.fixture
def small(tmp_path: Path) -> Path:
    shutil.copytree(SMALL, tmp_path / "small")
    return tmp_path / "small" / "practice.toml"


def quiet(_: str) -> None:
    pass


def without_tables(toml: Path, *names: str) -> None:
    kept = ["", *toml.read_text(encoding="utf-8").split("\n[")]
    kept = [part for part in kept if not any(part.startswith(f"tables.{name}]") for name in names)]
    toml.write_text("\n[".join(kept[1:]), encoding="utf-8")


@pytest.mark.thorough
@pytest.mark.parametrize(
    "gone",
    [
        ("patients", "findings"),
        *(
            pytest.param(names, marks=pytest.mark.thorough)
            for names in ((), ("crown_details", "endo_details", "findings", "patients"))
        ),
    ],
)
def test_what_is_foretold_is_what_a_run_answers(small: Path, gone: tuple[str, ...]):
    without_tables(small, *gone)
    settings = load_settings(small)
    codes = code_table(settings)
    looks = {t: look_at(settings, t, codes, today=TODAY, say=quiet) for t in settings.tables}
    foretold = {a.id: a.lacks for a in answers(looks, codes) if a.lacks}
    # Whether a question is answered does not hang on the other ways to count, which take the longest.
    with without_recounts():
        results = everything(settings, today=TODAY, say=quiet)
    told = {n.id: n.needs for n in results.not_run}
    # Forty rows are too few for any question of technique; that only the linked rows can tell.
    small_groups = {name for name, needs in told.items() if any("two groups of" in need for need in needs)}
    assert all(name.startswith("technique_") for name in small_groups)
    assert foretold == {
        name: needs for name, needs in told.items() if name not in small_groups | {"technique_learning"}
    }


@pytest.mark.thorough
def test_rows_set_aside_are_those_that_ingest_sets_aside(small: Path):
    settings = load_settings(small)
    text = check(settings, today=TODAY).text
    assert not list(small.parent.glob("*.duckdb*")), "check makes no database"
    ingest(settings, today=TODAY, say=quiet)
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        loads = store.read(LOADS).filter(pl.col("table_name") == "procedures")
    aside, rows = loads["quarantined"].sum(), loads["rows_read"].sum()
    assert f"procedures: 2 files, {rows} rows, all of them looked at" in text
    assert f"set aside: {aside} of {rows} rows looked at" in text


def test_it_ends_with_the_command_to_run(small: Path):
    checked = check(load_settings(small), today=TODAY)
    assert checked.exit_code == 0
    assert checked.text.splitlines()[-1] == "toothyears run practice.toml"
    assert "S01" not in checked.text, "no patient is named"
    assert "1957-02" not in checked.text, "no birthday is named"


def test_an_ambiguous_date_stops_it_in_words(tmp_path: Path):
    rows = [f"P{n},0{1 + n % 9}/0{1 + n % 7}/2015,D2740,{1 + n % 32}" for n in range(40)]
    (tmp_path / "ledger.csv").write_text("\n".join(["patient_id,service_date,code,tooth", *rows]), encoding="utf-8")
    toml = tmp_path / "practice.toml"
    toml.write_text(HEAD + '[tables.procedures]\nfiles = ["ledger.csv"]\n', encoding="utf-8")
    checked = check(load_settings(toml), today=TODAY)
    assert checked.exit_code == 1
    assert "dates fit both month/day and day/month" in checked.text
    assert checked.text.splitlines()[-1] == "toothyears check practice.toml"


def test_unknown_codes_are_listed_by_frequency(tmp_path: Path):
    codes = ["KR1"] * 5 + ["WF2"] * 9 + ["D2740"] * 6
    rows = [f"P{n},2015-03-{1 + n:02},{code},{1 + n}" for n, code in enumerate(codes)]
    (tmp_path / "ledger.csv").write_text("\n".join(["patient_id,service_date,code,tooth", *rows]), encoding="utf-8")
    toml = tmp_path / "practice.toml"
    toml.write_text(HEAD + '[tables.procedures]\nfiles = ["ledger.csv"]\n', encoding="utf-8")
    text = check(load_settings(toml), today=TODAY).text
    assert "codes: 30.0% of the rows have one that is known" in text
    assert "not known: WF2 (9), KR1 (5)" in text
    assert "no   Crowns in place by clinician: lacks procedures.provider_id" in text


@pytest.mark.thorough
def test_a_large_file_is_sampled_from_start_to_end(tmp_path: Path):
    days = [dt.date(2000, 1, 1) + dt.timedelta(days=n // 40) for n in range(300_000)]
    rows = "\n".join(
        f"P{n % 5000},{day},D2740,{1 + n % 32},some more text that makes the row long" for n, day in enumerate(days)
    )
    (tmp_path / "ledger.csv").write_text(f"patient_id,service_date,code,tooth,note\n{rows}\n", encoding="utf-8")
    toml = tmp_path / "practice.toml"
    toml.write_text(HEAD + '[tables.procedures]\nfiles = ["ledger.csv"]\n', encoding="utf-8")
    text = check(load_settings(toml), today=TODAY).text
    assert "procedures: 1 file, 300,000 rows, " in text
    assert "from start, middle and end looked at" in text
    assert f"service_date: 2000-01 to {days[-1]:%Y-%m}" in text


def test_a_pattern_that_matches_nothing_is_an_error_of_the_toml(tmp_path: Path):
    toml = tmp_path / "practice.toml"
    toml.write_text(HEAD + '[tables.procedures]\nfiles = ["ledger.csv"]\n', encoding="utf-8")
    with pytest.raises(ConfigError, match="nothing matches"):
        check(load_settings(toml), today=TODAY)
