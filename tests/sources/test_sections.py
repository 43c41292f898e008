"""Under which name a row stands, and how far a title reaches."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.reading.sources import ReadOptions, open_source
from pipeline.reading.sources.group_lines import read_templates
from pipeline.reading.sources.sections import SECTION

WANTED = ("Chart", "Date", "Code")
HEAD = "Chart,Date,Code,Th\n"


def sections(path: Path, text: str, **told: object) -> list[str | None]:
    """The section of each row of a file, in its order."""
    path.write_text(text, encoding="utf-8")
    source = open_source(path, ReadOptions(**{"wanted": WANTED, "required": WANTED} | told))  # type: ignore[arg-type]
    found: list[str | None] = []
    for batch in source.batches():
        found += [None] * len(batch.numbers) if batch.section is None else batch.section.to_list()
    return found


def rows(n: int) -> str:
    return "".join(f"P{k},2020-01-0{k},D2740,14\n" for k in range(1, n + 1))


def test_a_title_holds_up_to_the_next_line(tmp_path: Path):
    text = HEAD + rows(1) + "Planned,,,\n" + rows(2) + "Work of others,,,\n" + rows(1) + "Deleted,,,\n" + rows(1)
    assert sections(tmp_path / "ledger.csv", text) == [None, "Planned", "Planned", None, "Deleted"]


def test_the_innermost_name_counts(tmp_path: Path):
    text = HEAD + rows(1) + "Completed,,,\n" + rows(1)
    assert sections(tmp_path / "treatment plan.csv", text) == ["treatment plan.csv", "Completed"]


def test_a_folder_counts_below_that_of_the_toml_only(tmp_path: Path):
    (tmp_path / "planned").mkdir()
    path = tmp_path / "planned" / "ledger.csv"
    assert sections(path, HEAD + rows(1), folder=tmp_path) == ["planned"]
    assert sections(path, HEAD + rows(1), folder=tmp_path / "planned") == [None]
    assert sections(path, HEAD + rows(1)) == [None]


def test_a_title_of_a_patient_ends_with_the_patient_and_one_above_patients_does_not(tmp_path: Path):
    lines = read_templates(["Patient: {patient_id}"], ("patient_id",), where="")
    told = {"group_lines": lines, "wanted": ("Date", "Code"), "required": ("patient_id", "Date", "Code")}
    head, row = "Date,Code,Th\n", "2020-01-01,D2740,14\n"
    inner = head + "Patient: P1,,\n" + row + "Planned,,\n" + row + "Patient: P2,,\n" + row
    assert sections(tmp_path / "a.csv", inner, **told) == [None, "Planned", None]
    outer = head + "Planned,,\nPatient: P1,,\n" + row + "Patient: P2,,\n" + row + "Completed,,\nPatient: P1,,\n" + row
    assert sections(tmp_path / "b.csv", outer, **told) == ["Planned", "Planned", "Completed"]


@pytest.mark.parametrize("size", [1, 4_000])
def test_a_title_goes_on_from_one_batch_to_the_next(tmp_path: Path, size: int):
    note = "x" * 500
    many = "".join(f"P{n},2020-01-01,D2740,14,{note}\n" for n in range(size))
    found = sections(tmp_path / "ledger.csv", "Chart,Date,Code,Th,Note\nPlanned,,,,\n" + many)
    assert found == ["Planned"] * size


def test_the_column_is_there_only_where_it_is_told(tmp_path: Path):
    path = tmp_path / "ledger.csv"
    path.write_text(HEAD + "Planned,,,\n" + rows(1), encoding="utf-8")
    assert SECTION not in open_source(path, ReadOptions(wanted=WANTED)).headings
    source = open_source(path, ReadOptions(wanted=WANTED, sections=()))
    assert source.headings[-1] == SECTION
    (batch,) = source.batches(["Chart", SECTION])
    assert batch.rows.rows() == [("P1", "Planned")]


def test_rows_that_lack_something_are_no_titles(tmp_path: Path):
    text = HEAD + "P7,,,\nP8,2020-01-01,,planned\n,2020-01-01,,14\n" + rows(1)
    assert sections(tmp_path / "ledger.csv", text) == [None] * 4
