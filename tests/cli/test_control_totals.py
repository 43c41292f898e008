"""Totals of whole years: shown after loading, and held against what a practice tells of its own report."""

import re
from pathlib import Path

import duckdb
import pytest
from calling import Done, toothyears

from pipeline.reading.doubts.signs import SIGNS

PRACTICE = """
[practice]
name = "Alder Row Dental"
tooth_notation = "universal"
code_system = "cdt"
date_format = "%Y-%m-%d"
crown_date = "seat"
database = "practice.duckdb"
accepted = {accepted}

[tables.procedures]
files = ["ledger.csv"]
columns.patient_id = "Patient"
columns.service_date = "Day"
columns.code = "Code"
columns.tooth = "Tooth"
columns.fee = "Fee"
columns.status = "State"
values.status = {{ "done" = "completed", "plan" = "planned" }}
{more}
"""


def call(command: str, path: Path) -> Done:
    return toothyears(command, path, cwd=path.parent)


def practice(folder: Path, more: str = "", *, rows: int = 40, fee: int = 900) -> Path:
    """Each patient: a root canal and a crown in 2021, an extraction in 2022; a planned crown of each in 2021."""
    lines = ["Patient,Day,Code,Tooth,Fee,State"]
    for n in range(1, rows + 1):
        lines += [
            f"P{n},2021-03-{1 + n % 28:02},D3330,3,{fee},done",
            f"P{n},2021-05-{1 + n % 28:02},D2740,3,{fee},done",
            f"P{n},2021-06-{1 + n % 28:02},D2740,4,{fee},plan",
            f"P{n},2022-02-{1 + n % 28:02},D7140,30,{fee},done",
        ]
    folder.joinpath("ledger.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    path = folder / "practice.toml"
    path.write_text(PRACTICE.format(more=more, accepted=[s.id for s in SIGNS]), encoding="utf-8")
    return path


def test_loading_shows_what_each_year_holds(tmp_path):
    said = call("ingest", practice(tmp_path)).stderr
    rows = {m[1]: m[2].split() for m in re.finditer(r"\]\s+(20\d\d)  (.*)", said)}
    assert rows == {"2021": ["40", "40", "40", "0", "72,000"], "2022": ["40", "0", "0", "40", "36,000"]}


def test_a_year_of_few_patients_is_not_shown(tmp_path):
    assert "hold it against" not in call("ingest", practice(tmp_path, rows=10)).stderr


def test_a_second_loading_of_nothing_new_is_silent(tmp_path):
    path = practice(tmp_path)
    assert "hold it against" in call("ingest", path).stderr
    assert "hold it against" not in call("ingest", path).stderr


def test_totals_that_agree_load(tmp_path):
    told = "2021 = { patients = 40, root_canals = 41, crowns = 39, fees = 72500.5 }\n2022 = { extractions = 40 }"
    assert call("ingest", practice(tmp_path, f"[control_totals]\n{told}")).returncode == 0


@pytest.mark.parametrize(
    ("told", "line", "cause"),
    [
        ("crowns = 80", "2021 crowns: 80 in [control_totals], 40 in the files", "Fewer than told"),
        ("root_canals = 37", "2021 root canals: 37 in [control_totals], 40 in the files", "More than told"),
        ("fees = 720", "2021 fees: 720 in [control_totals], 72,000 in the files", "written in cents"),
        ("fees = 61000", "2021 fees: 61,000 in [control_totals], 72,000 in the files", "another amount"),
    ],
)
def test_totals_that_differ_stop_the_loading(tmp_path, told, line, cause):
    path = practice(tmp_path, f"[control_totals]\n2021 = {{ {told} }}")
    said = call("ingest", path)
    assert said.returncode != 0
    assert line in said.stderr
    assert cause in said.stderr
    with duckdb.connect(str(tmp_path / "practice.duckdb"), read_only=True) as stored:
        assert stored.sql("SELECT count(*) FROM procedures").fetchall() == [(0,)]
    path.write_text(path.read_text(encoding="utf-8").replace(told, "patients = 40"), encoding="utf-8")
    assert call("ingest", path).returncode == 0


def test_a_year_that_the_files_do_not_hold_counts_nothing(tmp_path):
    said = call("ingest", practice(tmp_path, "[control_totals]\n2019 = { crowns = 12 }"))
    assert "2019 crowns: 12 in [control_totals], 0 in the files" in said.stderr


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ("last = { crowns = 4 }", "[control_totals] last is no year"),
        ("2021 = { crown = 4 }", 'Did you mean "crowns"'),
        ("2021 = { crowns = 4.5 }", "[control_totals] 2021 crowns must be a whole number of 0 or more"),
        ("2021 = { fees = -1 }", "[control_totals] 2021 fees must be a number of 0 or more"),
        ("2021 = 400", "2021 must be a table of its own"),
    ],
)
def test_totals_that_cannot_be_meant_are_refused(tmp_path, told, says):
    said = call("check", practice(tmp_path, f"[control_totals]\n{told}"))
    assert said.returncode == 2
    assert says in said.stderr


def test_a_proposed_practice_names_the_totals(tmp_path):
    practice(tmp_path)
    said = toothyears("suggest", "ledger.csv", "--out", "proposed.toml", cwd=tmp_path)
    assert said.returncode == 0, said.stderr
    text = (tmp_path / "proposed.toml").read_text(encoding="utf-8")
    (example,) = re.findall(r"^# (2023 = .*)$", text, flags=re.M)
    assert "# [control_totals]" in text
    practice(tmp_path, f"[control_totals]\n{example}")
    assert "2023 crowns: 412 in [control_totals], 0 in the files" in call("ingest", tmp_path / "practice.toml").stderr
