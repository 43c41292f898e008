"""The written practice: the same seed gives the same bytes, its book adds up, and its files show what they should."""

import csv
import dataclasses
import json
import shutil
import subprocess
import sys

import pytest
from plain_reader import read_practice

from synthetic_data import generate
from synthetic_data.truth import DEFAULT, NULL


def truth_of(folder):
    return json.loads((folder / "truth.json").read_text(encoding="utf-8"))


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def practice(tmp_path_factory):
    folder = tmp_path_factory.mktemp("practice")
    truth = dataclasses.replace(DEFAULT, referred=0.3, lost_elsewhere=0.3)
    assert generate.simulate(folder, crowns=3000, seed=7, truth=truth) == folder / "practice.toml"
    return folder


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        generate.simulate(tmp_path / name, crowns=60, seed=3)
    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file())
    assert len(files) == 20 + 5 + 2 + 2
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
    first = {}
    for c in sorted(crowns, key=lambda c: (c["true_seat"][6:], c["true_seat"])):
        first.setdefault((c["patient_id"], c["tooth_fdi"]), c)
    began_here = [c for c in first.values() if c["made_here"] == "true" and c["crown_kind"] == "single"]
    assert len(began_here) == 3000


def test_the_book_adds_up(practice):
    truth = truth_of(practice)
    counts, unseen = truth["counts"], truth["unseen"]
    crowns, endo, rows = counts["crowns"], counts["endo_courses"], counts["procedures"]
    failures = {timing: sum(causes.values()) for timing, causes in crowns["failures"].items()}
    assert sum(crowns["by_endo_timing"].values()) == crowns["single"] == sum(crowns["exit_reason"].values())
    assert all(failures[timing] <= crowns["by_endo_timing"][timing] for timing in failures)
    assert sum(crowns["loss_reasons"].values()) >= sum(f["extracted"] for f in crowns["failures"].values())
    assert sum(endo["by_kind"].values()) == endo["courses"] == sum(endo["by_crown_at_start"].values())
    aside = sum(rows["set_aside_on_reading"].values()) + sum(rows["set_aside_on_linking"].values())
    assert rows["rows_written"] == rows["stored"] + rows["duplicates"] + aside
    assert sum(unseen["openings_charted"].values()) == unseen["openings"]
    assert unseen["openings_found"] + unseen["openings_labelled_vital"] <= unseen["openings"]
    assert unseen["share_of_openings_not_found"] == pytest.approx(1 - unseen["openings_found"] / unseen["openings"])


def test_every_odd_thing_occurs(practice):
    truth = truth_of(practice)
    rows, crowns = truth["counts"]["procedures"], truth["counts"]["crowns"]
    kinds = ("duplicates", "planned", "void", "existing", "reversed_pairs", "unknown_code")
    kinds += ("late_refunds", "charted_again", "by_two_clinicians")
    assert all(rows[kind] > 0 for kind in kinds)
    assert all(n > 0 for n in rows["set_aside_on_reading"].values())
    assert rows["set_aside_on_linking"]["after_extraction"] > 0
    assert all(n > 0 for causes in crowns["failures"].values() for n in causes.values())
    flags = ("order_uncertain", "reopened", "remade_without_fee", "renewed_after_opening", "late_refunds")
    flags += ("renewals_planned", "begun_before_and_finished_after_the_seat")
    assert all(crowns[flag] > 0 for flag in flags)
    assert all(n > 0 for n in (*crowns["other_kinds"].values(), *crowns["from_elsewhere"].values()))
    assert all(n > 0 for n in (*crowns["exit_reason"].values(), *crowns["by_endo_timing"].values()))
    assert all(n > 0 for n in crowns["loss_reasons"].values())
    unseen = truth["unseen"]
    ways = ("here", "dated", "on_visit", "undated", "not")
    assert all(unseen["openings_charted"][way] > 0 for way in ways)
    assert all(unseen["root_canals_before_the_seat_charted"][way] > 0 for way in (*ways, "year"))
    assert all(unseen["losses_charted"][way] > 0 for way in ("here", "dated", "on_visit", "undated", "sign", "not"))
    assert 0 < unseen["hints_that_are_openings"] < unseen["hints_of_openings"]


def test_files_hold_what_the_book_says(practice):
    counts = truth_of(practice)["counts"]
    ledgers = sorted((practice / "exports").iterdir())
    assert [p.name for p in ledgers] == [f"ledger-{y}.csv" for y in range(2005, 2025)]
    assert sum(len(rows_of(p)) for p in ledgers) == counts["procedures"]["rows_written"]
    for name, n in counts["rows"].items():
        assert len(rows_of(practice / name)) == n
    assert len(rows_of(practice / "patients.csv")) == counts["patients"]


@pytest.mark.thorough
def test_a_plain_reader_finds_the_same_rows(practice):
    tables, faults, duplicates, _ = read_practice(practice)
    rows = truth_of(practice)["counts"]["procedures"]
    assert faults == rows["set_aside_on_reading"]
    assert duplicates == rows["duplicates"]
    assert len(tables["procedures"]) == rows["stored"] + rows["set_aside_on_linking"]["after_extraction"]


def test_the_truth_says_what_the_generator_was_told(practice, tmp_path):
    effects = truth_of(practice)["effects"]
    assert effects["before_seat vs vital"]["hr"] == DEFAULT.hr_before_seat
    assert effects["through_crown vs vital"]["hr"] == DEFAULT.hr_opened
    assert effects["through_crown vs before_seat"]["hr"] == pytest.approx(2.0 / 1.25)
    generate.simulate(tmp_path, crowns=30, truth=NULL)
    told = truth_of(tmp_path)
    assert told["effects"]["through_crown vs before_seat"] == {"log_hr": 0.0, "hr": 1.0}
    assert told["difference_per_100"]["through_crown vs before_seat"]["difference"] == 0.0


@pytest.mark.parametrize(("share", "words"), [(0.0, "none"), (0.1, "some"), (0.6, "most")])
def test_the_practice_says_who_does_its_root_canals(tmp_path, share, words):
    generate.simulate(tmp_path, crowns=200, truth=DEFAULT.with_referrals(share, "dated"))
    assert f'root_canals_elsewhere = "{words}"' in (tmp_path / "practice.toml").read_text(encoding="utf-8")
    charted = truth_of(tmp_path)["unseen"]["root_canals_before_the_seat_charted"]
    others = sum(n for way, n in charted.items() if way not in ("here", "dated"))
    assert others == 0, "all in the one way asked for"
    # Of some 65 root canals before the seat; those of a day on which the patient came here are done here.
    done = sum(charted.values())
    assert abs(charted["dated"] / done - share) < 4 * (max(share, 0.01) * (1 - share) / done) ** 0.5 + 0.05


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
    ours = [c for c in rows_of(tmp_path / "truth" / "crowns.csv") if c["made_here"] == "true"]
    assert counts["crowns"]["single"] == sum(c["crown_kind"] == "single" for c in ours)


def test_a_practice_in_which_nothing_was_done_elsewhere(tmp_path):
    truth = dataclasses.replace(
        DEFAULT,
        referred=0.0,
        lost_elsewhere=0.0,
        removed_elsewhere=0.0,
        replaced_elsewhere=0.0,
        false_hint_per_year=0.0,
    )
    generate.simulate(tmp_path, crowns=200, seed=4, truth=truth)
    told = truth_of(tmp_path)
    assert told["unseen"]["share_of_openings_not_found"] == 0
    assert told["unseen"]["failures_elsewhere"] == told["unseen"]["hints_of_openings"] == 0
    assert told["counts"]["rows"]["elsewhere.csv"] == 0


@pytest.mark.slow
def test_hundreds_of_thousands_of_crowns_in_bounded_memory(tmp_path):
    # Fifteen blocks; a million crowns take no more, only longer. In a process of its own: the highest mark of this one
    # is that of whatever test ran in it before.
    program = (
        "import resource, sys; from pathlib import Path; from synthetic_data import generate; "
        "generate.simulate(Path(sys.argv[1]), crowns=300_000, seed=1); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    ended = subprocess.run([sys.executable, "-c", program, tmp_path], capture_output=True, text=True, check=True)
    shutil.rmtree(tmp_path)  # nearly a gigabyte
    assert int(ended.stdout) < 1_000_000  # kB on Linux
