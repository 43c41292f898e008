"""What `check` reads back: each file and kind of work is there, the cells beside what they were taken for."""

from __future__ import annotations

import csv
import datetime as dt
import random
import re
import shutil
import stat
import sys
from pathlib import Path

import pytest

from pipeline.reading.config import load_settings
from pipeline.stages.checks.check import check
from tests.cli.calling import toothyears

TODAY = dt.date(2026, 1, 31)
SMALL = Path(__file__).resolve().parents[2] / "synthetic_data" / "small"


@pytest.fixture
def small(tmp_path: Path) -> Path:
    shutil.copytree(SMALL, tmp_path / "small")
    return tmp_path / "small" / "practice.toml"


def read_back(toml: Path) -> str:
    return check(load_settings(toml), today=TODAY).understood


def part(text: str, title: str) -> list[str]:
    """The lines under a title."""
    parts = {of.split("\n")[0]: of.rstrip("\n").split("\n")[2:] for of in text.split("\n\n\n")}
    return parts[title]


def test_every_file_every_reason_and_every_kind_of_work_is_shown(small: Path):
    text = read_back(small)
    shown = "\n".join(part(text, "Rows as written, and as they were understood"))
    for name in ("ledger-a", "ledger-b", "patients", "endo_details", "crown_details", "findings"):
        assert f"{name}.csv, row " in shown
    counted = part(text, "Work done by year. Is that about what your own reports say?")[2:]
    kinds = [match[1] for line in counted if (match := re.match(r"(\S.*?)\s{2,}\d", line))]
    assert len(kinds) > 10
    assert [kind for kind in kinds if f": {kind} (" not in shown] == []
    assert "PLANNED ONLY" in shown
    assert "TAKEN BACK" in shown
    aside = part(text, "Rows that are set aside: they count for nothing")
    assert sum("set aside" in line for line in aside) == 2


def test_a_row_is_read_back_in_words_beside_its_cells(small: Path):
    ledger = small.parent / "ledger-b.csv"
    rows = list(csv.reader(ledger.open(encoding="utf-8")))
    for row in rows:
        row.append("Remark" if row is rows[0] else "not the true row" if "OFF01" in row else "")
    with ledger.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(rows)
    shown = part(read_back(small), "Rows as written, and as they were understood")
    place = next(n for n, line in enumerate(shown) if "Procedure: OFF01" in line)
    assert shown[place + 1] == "    not read    Remark: not the true row"
    assert shown[place + 2].startswith(
        "    understood  patient S26, Monday 7 October 2019: a crown taken off (OFF01) "
        "on the upper right canine (tooth 6), by H1"
    )


def test_days_and_people_are_counted_once_each(small: Path):
    text = read_back(small)
    days = part(text, "Days of the week. Are there days on which you are closed?")
    people = part(text, "Who did it. Is somebody missing, or credited with the work of others?")
    assert sum(int(line.split()[1]) for line in days) == 79
    assert [line.split(" rows")[0] for line in people] == ["H2: 40", "H1: 39"]


def test_the_order_of_rows_changes_nothing_but_their_numbers(small: Path):
    before = read_back(small)
    ledger = small.parent / "ledger-a.csv"
    head, *rows = ledger.read_text(encoding="utf-8").splitlines()
    random.Random(5).shuffle(rows)
    ledger.write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    after = read_back(small)
    assert unnumbered(before) == unnumbered(after)
    assert before != after


def unnumbered(text: str) -> list[str]:
    return sorted(re.sub(r", row \d+$", "", line) for line in text.splitlines())


def test_the_file_is_for_the_owner_and_the_screen_shows_no_day(small: Path):
    done = toothyears("check", "practice.toml", "--out", "seen", cwd=small.parent)
    assert done.returncode == 0, done.stderr
    path = small.parent / "seen" / "understood-holds-patient-data.txt"
    assert done.stdout.strip().splitlines()[-1] == str(path.relative_to(small.parent))
    assert path.read_text(encoding="utf-8-sig").startswith("HOLDS PATIENT DATA")
    assert "S26" not in done.stdout
    assert "October" not in done.stdout
    if sys.platform != "win32":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_file_that_cannot_be_read_is_named_as_not_in_it(small: Path):
    (small.parent / "findings.csv").write_text("A,B\n1,2\n", encoding="utf-8")
    above = read_back(small).split("\n\n\n")[0]
    assert "NOT in here:\n  findings.csv" in above
