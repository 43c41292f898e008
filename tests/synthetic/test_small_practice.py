"""The hand-made practice: its files, its README and its worked-out results agree, by a linker of plain Python."""

import csv
import re
from pathlib import Path

import pytest
from plain_reader import read_practice

import synthetic_data

SMALL = Path(synthetic_data.__file__).parent / "small"


@pytest.fixture(scope="module")
def linked():
    return link_plainly(SMALL)


def expected(name):
    with (SMALL / name).open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def as_text(value):
    return "" if value is None else str(value).lower() if isinstance(value, bool) else str(value)


def test_crowns_are_as_worked_out_by_hand(linked):
    names = {
        "patient_id": "patient_id",
        "tooth_fdi": "tooth_fdi",
        "seat": "seat_date",
        "recorded": "seat_recorded",
        "timing": "endo_timing",
        "access": "access_date",
        "order_uncertain": "order_uncertain",
        "entry": "entry_date",
        "exit": "exit_date",
        "failure": "failure",
        "cause": "failure_cause",
        "complication": "first_complication_date",
        "why": "exit_reason",
    }
    got = sorted([as_text(c[k]) for k in names] for c in linked["crowns"])
    assert got == sorted([row[v] for v in names.values()] for row in expected("expected_crowns.csv"))


def test_courses_are_as_worked_out_by_hand(linked):
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
    got = sorted([as_text(c[k]) for k in names] for c in linked["courses"])
    assert got == sorted([row[v] for v in names.values()] for row in expected("expected_courses.csv"))


def test_rows_add_up_as_the_readme_says(linked):
    rows = sum(len((SMALL / f"ledger-{n}.csv").read_text().splitlines()) - 1 for n in "ab")
    assert rows == 85
    assert linked["duplicates"] == 1
    assert linked["faults"] == {"tooth_unknown": 1, "date_unreadable": 1}
    assert linked["impossible"] == 1
    assert linked["rows"] == 85 - 1 - 2 - 1
    timings = [c["timing"] for c in linked["crowns"] if c["seat"]]
    assert [timings.count(t) for t in ("before_seat", "through_crown", "vital")] == [9, 3, 19]
    assert sum(c["failure"] for c in linked["crowns"]) == 9


def test_every_patient_is_explained():
    explained = set(re.findall(r"^\| (S\d\d) ", (SMALL / "README.md").read_text(), flags=re.MULTILINE))
    with (SMALL / "patients.csv").open() as stream:
        assert explained == {row["Patient"] for row in csv.DictReader(stream)}
