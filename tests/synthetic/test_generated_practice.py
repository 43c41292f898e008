"""The written practice: the same seed gives the same bytes, its book adds up, and a plain reader comes to its truth."""

import csv
import datetime as dt
import json
import shutil
import time

import pytest
from plain_linker import link_plainly

from synthetic_data import generate
from synthetic_data.truth import DEFAULT, NULL


def truth_of(folder):
    return json.loads((folder / "truth.json").read_text())


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def practice(tmp_path_factory):
    folder = tmp_path_factory.mktemp("practice")
    assert generate.simulate(folder, crowns=1500, seed=7) == folder / "practice.toml"
    return folder


@pytest.fixture(scope="module")
def linked(practice):
    return link_plainly(practice)


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        generate.simulate(tmp_path / name, crowns=60, seed=3)
    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file())
    assert len(files) == 20 + 4 + 2 + 2
    for file in files:
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes(), file


def test_another_seed_gives_another_practice(tmp_path):
    for seed in (1, 2):
        generate.simulate(tmp_path / str(seed), crowns=60, seed=seed)
    one, two = (truth_of(tmp_path / str(seed)) for seed in (1, 2))
    assert one["effects"] == two["effects"]
    assert one["counts"] != two["counts"]


def test_first_crowns_are_as_many_as_asked_for(practice):
    crowns = rows_of(practice / "truth" / "crowns.csv")
    teeth = {(c["patient_id"], c["tooth_fdi"]) for c in crowns if c["made_here"] == "false"}
    began_here = {(c["patient_id"], c["tooth_fdi"]) for c in crowns} - teeth
    assert len(began_here) == 1500


def test_the_book_adds_up(practice):
    counts = truth_of(practice)["counts"]
    crowns, endo, rows = counts["crowns"], counts["endo_courses"], counts["procedures"]
    failures = {timing: sum(causes.values()) for timing, causes in crowns["failures"].items()}
    assert sum(crowns["by_endo_timing"].values()) == crowns["known_seat"] == sum(crowns["exit_reason"].values())
    assert sum(failures.values()) == crowns["exit_reason"]["failed"]
    assert all(failures[timing] <= n for timing, n in crowns["by_endo_timing"].items())
    assert sum(endo["by_kind"].values()) == endo["courses"] == sum(endo["by_crown_at_start"].values())
    aside = sum(rows["set_aside_on_reading"].values()) + sum(rows["set_aside_on_linking"].values())
    assert rows["rows_written"] == rows["stored"] + rows["duplicates"] + aside


def test_every_odd_thing_occurs(practice):
    counts = truth_of(practice)["counts"]
    rows, crowns = counts["procedures"], counts["crowns"]
    kinds = ("duplicates", "planned", "void", "existing", "reversed_pairs", "unknown_code")
    assert all(rows[kind] > 0 for kind in kinds)
    assert all(n > 0 for n in rows["set_aside_on_reading"].values())
    assert rows["set_aside_on_linking"]["after_extraction"] > 0
    assert all(n > 0 for causes in crowns["failures"].values() for n in causes.values())
    assert crowns["delayed_entry"] > 0
    assert crowns["begun_before_and_finished_after_the_seat"] > 0
    assert all(n > 0 for n in crowns["exit_reason"].values())


def test_files_hold_what_the_book_says(practice):
    counts = truth_of(practice)["counts"]
    ledgers = sorted((practice / "exports").iterdir())
    assert [p.name for p in ledgers] == [f"ledger-{y}.csv" for y in range(2005, 2025)]
    assert sum(len(rows_of(p)) for p in ledgers) == counts["procedures"]["rows_written"]
    for name, n in counts["rows"].items():
        assert len(rows_of(practice / name)) == n
    assert len(rows_of(practice / "patients.csv")) == counts["patients"]


def test_a_plain_reader_finds_the_same_rows(practice, linked):
    counts = truth_of(practice)["counts"]
    rows = counts["procedures"]
    assert linked["faults"] == rows["set_aside_on_reading"]
    assert linked["duplicates"] == rows["duplicates"]
    assert linked["impossible"] == rows["set_aside_on_linking"]["after_extraction"]
    assert linked["rows"] == rows["stored"]
    assert linked["patients"] == counts["patients"]


def test_a_plain_reader_finds_every_crown_as_it_was(practice, linked):
    names = {
        "patient_id": "patient_id",
        "tooth_fdi": "tooth_fdi",
        "seat": "seat_date",
        "recorded": "seat_recorded",
        "timing": "endo_timing",
        "access": "access_date",
        "entry": "entry_date",
        "exit": "exit_date",
        "failure": "failure",
        "cause": "failure_cause",
        "complication": "first_complication_date",
        "why": "exit_reason",
        "order_uncertain": "straddles_seat",
    }
    book = [[c[v] for v in names.values()] for c in rows_of(practice / "truth" / "crowns.csv") if c["seat_date"]]
    found = [[_text(c[k]) for k in names] for c in linked["crowns"] if c["seat"]]
    assert sorted(found) == sorted(book)


def test_a_plain_reader_finds_every_course_as_it_was(practice, linked):
    names = {
        "patient_id": "patient_id",
        "tooth_fdi": "tooth_fdi",
        "started": "started",
        "completed": "completed",
        "visits": "visits",
        "kind": "kind",
        "coded_as_initial": "coded_as_initial",
        "at_start": "crown_at_start",
        "retreatment": "retreatment_date",
        "surgery": "surgery_date",
        "extraction": "extraction_date",
        "failure": "failure",
        "cause": "failure_cause",
        "exit": "exit_date",
    }
    book = [[c[v] for v in names.values()] for c in rows_of(practice / "truth" / "courses.csv")]
    assert sorted([_text(c[k]) for k in names] for c in linked["courses"]) == sorted(book)


def _text(value):
    if isinstance(value, dt.date):
        return value.strftime("%m/%d/%Y")
    return "" if value is None else str(value).lower() if isinstance(value, bool) else str(value)


def test_the_truth_says_what_the_generator_was_told(practice, tmp_path):
    effects = truth_of(practice)["effects"]
    assert effects["before_seat vs vital"]["hr"] == DEFAULT.hr_before_seat
    assert effects["through_crown vs vital"]["hr"] == DEFAULT.hr_opened
    assert effects["through_crown vs before_seat"]["hr"] == pytest.approx(2.0 / 1.25)
    generate.simulate(tmp_path, crowns=30, truth=NULL)
    assert truth_of(tmp_path)["effects"]["through_crown vs before_seat"] == {"log_hr": 0.0, "hr": 1.0}


def test_blocks_follow_one_another(tmp_path, monkeypatch):
    # Three blocks or more: patients and entry numbers run on, and the crowns asked for are all there.
    monkeypatch.setattr(generate, "BLOCK", 150)
    lines = []
    generate.simulate(tmp_path, crowns=300, seed=5, say=lines.append)
    assert len(lines) >= 3
    assert lines[-1].startswith("300 of 300 crowns")
    patients = [p["Chart No"] for p in rows_of(tmp_path / "patients.csv")]
    assert patients == [f"A{n:07d}" for n in range(1, len(patients) + 1)]
    counts = truth_of(tmp_path)["counts"]
    numbers = {r["Entry No"] for p in (tmp_path / "exports").iterdir() for r in rows_of(p)}
    assert len(numbers) == counts["procedures"]["rows_written"] - counts["procedures"]["duplicates"]
    assert counts["crowns"]["known_seat"] == sum(
        bool(c["seat_date"]) for c in rows_of(tmp_path / "truth" / "crowns.csv")
    )


def test_more_than_200_000_rows_a_second(tmp_path):
    begun = time.perf_counter()
    generate.simulate(tmp_path, crowns=20_000, seed=1)
    seconds = time.perf_counter() - begun
    assert truth_of(tmp_path)["counts"]["procedures"]["rows_written"] / seconds > 200_000


@pytest.mark.slow
def test_hundreds_of_thousands_of_crowns_in_bounded_memory(tmp_path):
    # Fifteen blocks; a million crowns take no more, only longer.
    import resource

    generate.simulate(tmp_path, crowns=300_000, seed=1)
    shutil.rmtree(tmp_path)  # nearly a gigabyte
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 1_000_000  # kB on Linux
