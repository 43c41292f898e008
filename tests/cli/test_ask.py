"""`ask` as a user would call it: on the command line, from the TOML, and in `run` with the pages that link to it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from calling import Done, toothyears

from tests.recounts import without_recounts

ROOT = Path(__file__).resolve().parents[2]
SMALL = ROOT / "synthetic_data" / "small"
ASK = """
[[ask]]
title = "Root canals of molars and the rest"
population = "endo_courses"
groups = "tooth_group"
outcome = "endo_intervention"
"""


@pytest.fixture(scope="module")
def practice(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("asking") / "practice"
    shutil.copytree(SMALL, folder)
    toml = folder / "practice.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + ASK, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def ran(practice) -> Done:
    with without_recounts():  # of which nothing is asked here
        return toothyears("run", "practice.toml", cwd=practice)


def read(practice: Path, page: str) -> str:
    return (practice / "out" / page).read_text(encoding="utf-8")


def test_run_answers_the_questions_of_the_toml_and_links_to_them(ran, practice):
    assert ran.returncode == 0, ran.stderr
    assert "Root canals of molars and the rest" in read(practice, "asked.html")
    for page in ("index.html", "clinician.html"):
        assert 'href="asked.html"' in read(practice, page)
        assert "1 question of our own" in read(practice, page)
    assert 'href="asked.html"' not in read(practice, "study_club.html")


def test_the_command_line_asks_one_and_prints_the_answer(ran, practice, tmp_path):
    question = ("--population", "crowns", "--groups", "tooth_group", "--outcome", "crown_failure")
    asked = toothyears("ask", "practice.toml", *question, "--out", tmp_path, cwd=practice)
    assert asked.returncode == 0, asked.stderr
    lines = asked.stdout.strip().splitlines()
    assert lines[0] == "Failure of crowns by tooth group"
    # 30 single crowns of the practice: 18 on molars, followed for 56,142 days; 12 on other teeth, for 32,553.
    assert "Molar: 18 teeth of 13 patients, 6 failures, 3.9 per 100 tooth-years" in lines
    assert "Other, pooled: 12 teeth of 10 patients, 4 failures, 4.5 per 100 tooth-years" in lines
    assert any("Too few failures so far to compare" in line for line in lines)
    assert lines[-1] == str(tmp_path / "asked.html")
    assert "S01" not in asked.stdout + asked.stderr, "no patient is named"


def test_what_a_tooth_must_last_for_makes_no_groups(ran, practice, tmp_path):
    question = ("--population", "crowns", "--groups", "endo_timing", "--outcome", "crown_failure")
    asked = toothyears("ask", "practice.toml", *question, "--out", tmp_path, cwd=practice)
    assert asked.returncode == 2
    assert "immortal time" in asked.stderr
    assert not list(tmp_path.iterdir())


def test_without_a_question_it_says_how_to_ask(practice, tmp_path):
    shutil.copytree(SMALL, tmp_path / "bare")
    asked = toothyears("ask", "practice.toml", cwd=tmp_path / "bare")
    assert asked.returncode == 2
    assert "[[ask]]" in asked.stderr
    part = toothyears("ask", "practice.toml", "--population", "crowns", cwd=tmp_path / "bare")
    assert "--groups and --outcome" in part.stderr
