"""Every command as a user would call it, on the hand-made practice, whose answers were worked out by hand.

The hand-made practice and how each of its figures comes about: synthetic_data/small/README.md.
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest
from calling import Done, in_a_process, toothyears
from polars.testing import assert_frame_equal
from pptx import Presentation

from pipeline.practice.tables import CROWNS, ENDO_COURSES
from tests.recounts import without_recounts

ROOT = Path(__file__).resolve().parents[2]
SMALL = ROOT / "synthetic_data" / "small"


@pytest.fixture(scope="module")
def practice(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("small") / "practice"
    shutil.copytree(SMALL, folder)
    return folder


@pytest.fixture(scope="module")
def ran(practice) -> Done:
    return in_a_process("run", "practice.toml", "--out", "out", "--keep-ids", cwd=practice)


def query(practice: Path, sql: str) -> pl.DataFrame:
    with duckdb.connect(str(next(practice.glob("*.duckdb"))), read_only=True) as connection:
        return connection.sql(sql).pl()


def test_run_ends_with_the_page_to_open(ran, practice):
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.strip().splitlines()[-1] == str(Path("out") / "index.html")
    names = {"index", "owner", "clinician", "techniques", "study_club", "data_quality", "methods"}
    names |= {"study_club_handout", "crowns", "hyperemic", "root_canals", "my_cases", "open_questions"}
    assert {p.stem for p in (practice / "out").glob("*.html")} == names
    assert {p.name for p in (practice / "out").glob("*.pptx")} == {"study_club.pptx", "study_club_appendix.pptx"}


def test_the_command_line_chooses_the_talk(ran, practice):
    options = ("--talk-slides", "trap,found", "--talk-speaker", "Dr Ashby", "--talk-minutes", "6")
    done = toothyears("dashboards", "practice.toml", "--out", "chosen", *options, cwd=practice)
    assert done.returncode == 0, done.stderr
    deck = Presentation(practice / "chosen" / "study_club.pptx")
    assert len(deck.slides) == 3
    assert deck.core_properties.author == "Dr Ashby"
    assert "to 6:00 of 6:00" in deck.slides[2].notes_slide.notes_text_frame.text
    refused = toothyears("dashboards", "practice.toml", "--out", "no", "--talk-slides", "tarp", cwd=practice)
    assert refused.returncode == 2
    assert '--talk-slides: "tarp" is no slide. Did you mean "trap"?' in refused.stderr
    assert not (practice / "no").exists()


@pytest.mark.parametrize(
    ("table", "declared", "file"), [("crowns", CROWNS, "crowns"), ("endo_courses", ENDO_COURSES, "courses")]
)
def test_linked_tables_equal_the_hand_worked_ones(ran, practice, table, declared, file):
    headings = (SMALL / f"expected_{file}.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    types = {name: declared.schema[name] for name in headings}
    order = ["patient_id", "tooth_fdi", "entry_date" if "entry_date" in headings else "started"]
    expected = pl.read_csv(SMALL / f"expected_{file}.csv", schema=types, null_values=[""])
    got = query(practice, f"SELECT {', '.join(headings)} FROM {table}").cast(types)
    assert_frame_equal(got.sort(order), expected.sort(order))


def test_every_row_is_accounted_for(ran, practice):
    # 85 rows: 1 duplicate, 2 set aside on reading, 1 on linking; so 81 stand.
    loads = query(practice, "SELECT * FROM loads")
    assert (loads["rows_read"] == loads["loaded"] + loads["duplicate"] + loads["quarantined"]).all()
    ledger = loads.filter(pl.col("table_name") == "procedures")
    sums = ledger.select("rows_read", "loaded", "duplicate", "quarantined").sum().row(0)
    assert sums == (85, 81, 1, 3)
    assert query(practice, "SELECT count(*) FROM procedures").item() == 81
    reasons = query(practice, "SELECT reason, stage FROM quarantine ORDER BY reason").rows()
    assert reasons == [("after_extraction", "link"), ("date_unreadable", "ingest"), ("tooth_unknown", "ingest")]


def test_results_json_holds_the_hand_counted_figures(ran, practice):
    # 28 patients; 30 single crowns of the practice: 9 before the seat, 4 opened, 17 vital; 10 of them fail.
    results = json.loads((practice / "out" / "results.json").read_text(encoding="utf-8"))
    assert results["schema"] == 1
    assert results["data_cutoff"] == "2024-06-30"
    counts = {k: results["counts"][k] for k in ("procedures", "patients", "crowns", "endo_courses", "quarantined")}
    assert counts == {"procedures": 81, "patients": 28, "crowns": 30, "endo_courses": 19, "quarantined": 3}
    main = results["comparisons"][0]
    assert main["id"] == "crown_longevity_by_endo_timing"
    assert {g["name"]: g["crowns"] for g in main["groups"]} == {"before_seat": 9, "through_crown": 4, "vital": 17}
    assert {g["name"]: g["failures"] for g in main["groups"]} == {"before_seat": 1, "through_crown": 3, "vital": 6}
    # Three of the four opened crowns failed (S06, S09, S10): far below ten.
    assert main["verdict"].startswith("Too few failures so far to compare")
    assert set(main) >= {"id", "outcome", "clock", "groups", "estimates", "naive", "verdict", "missing"}


@pytest.mark.thorough
def test_stages_one_by_one_give_what_run_gives(ran, practice, tmp_path):
    folder = tmp_path / "again"
    shutil.copytree(SMALL, folder)
    for command in ("ingest", "link"):
        keep = ("--keep-ids",) if command == "ingest" else ()
        done = toothyears(command, "practice.toml", *keep, cwd=folder)
        assert done.returncode == 0, done.stderr
        assert done.stdout.strip().endswith(".duckdb")
    compared = toothyears("compare", "practice.toml", cwd=folder)
    assert compared.stdout.strip() == str(Path("out") / "results.json")
    drawn = toothyears("dashboards", "practice.toml", cwd=folder)
    assert drawn.stdout.strip().endswith("index.html")
    once, again = ((f / "out" / "results.json").read_bytes() for f in (practice, folder))
    assert once == again
    # Not the shared page: its counts are rounded by a secret of each database.
    pages = ("index", "owner", "clinician", "data_quality")
    for page in pages:
        assert (practice / "out" / f"{page}.html").read_bytes() == (folder / "out" / f"{page}.html").read_bytes()


@pytest.mark.thorough
def test_running_twice_changes_nothing(practice, ran):
    before = query(practice, "SELECT * FROM loads ORDER BY load_id")
    first = (practice / "out" / "results.json").read_bytes()
    assert toothyears("run", "practice.toml", "--out", "out", "--keep-ids", cwd=practice).returncode == 0
    assert_frame_equal(query(practice, "SELECT * FROM loads ORDER BY load_id"), before)
    assert (practice / "out" / "results.json").read_bytes() == first


def test_a_stage_without_the_one_before_says_what_to_run(tmp_path):
    shutil.copytree(SMALL, tmp_path / "p")
    early = toothyears("link", "practice.toml", cwd=tmp_path / "p")
    assert early.returncode == 1
    assert "toothyears ingest" in early.stderr
    assert "Traceback" not in early.stderr


def test_a_wrong_toml_or_command_exits_with_2(tmp_path):
    shutil.copytree(SMALL, tmp_path / "p")
    toml = tmp_path / "p" / "practice.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "\n[rules]\ncourse_gap_day = 90\n")
    for arguments in (("run", "practice.toml"), ("run", "nothing.toml"), ("walk",), ("run",)):
        done = toothyears(*arguments, cwd=tmp_path / "p")
        assert done.returncode == 2, arguments
        assert "Traceback" not in done.stderr


def test_messages_hold_no_patient_value(ran):
    assert not re.search(r"\bS\d\d\b", ran.stdout + ran.stderr)


@pytest.mark.thorough
def test_simulate_then_run_finds_the_truth(tmp_path):
    made = toothyears("simulate", "there", "--crowns", "300", "--seed", "5", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    toml = made.stdout.strip().splitlines()[-1]
    # What is counted once is at stake here; the other ways to count take the longest.
    with without_recounts():
        done = toothyears("run", toml, "--out", "out", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    truth = json.loads((tmp_path / "there" / "truth.json").read_text(encoding="utf-8"))["counts"]
    results = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    main = results["comparisons"][0]
    assert results["counts"]["crowns"] == truth["crowns"]["single"]
    # Crowns whose order of root canal and seat is not known are in no group.
    found = {g["name"]: g["crowns"] for g in main["groups"]}
    found["unknown"] = results["counts"]["crowns"] - sum(found.values())
    assert found == truth["crowns"]["by_endo_timing"]
    failures = {state: sum(causes.values()) for state, causes in truth["crowns"]["failures"].items()}
    assert {g["name"]: g["failures"] for g in main["groups"]} == {
        g["name"]: failures[g["name"]] for g in main["groups"]
    }
    assert results["counts"]["procedures"] == truth["procedures"]["stored"]


@pytest.mark.slow  # the demonstration is also run whenever the wheel is built
def test_demo_prints_where_to_look(tmp_path):
    done = in_a_process("demo", "--crowns", "400", "--out", "out", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert Path(tmp_path, done.stdout.strip().splitlines()[-1]).exists()


def test_every_command_has_help_and_stands_in_the_readme():
    from pipeline.stages.cli import cli

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name, command in cli.commands.items():
        assert command.help, name
        assert f"toothyears {name}" in readme, name
