"""Ledgers as many practices would write them: what is proposed must be the truth, whatever the headings."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from invented_ledgers import LEDGERS, Ledger, write

from pipeline.reading.open_questions import open_questions
from pipeline.reading.suggest.propose import suggest


def proposed(path: Path) -> tuple[dict, str]:
    text = suggest([path], folder=path.parent).text
    return tomllib.loads(text), text


@pytest.fixture(scope="module")
def read_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Ledger], tuple[Path, dict, str]]:
    """The file of a ledger and what is proposed for it, made once."""
    made: dict[str, tuple[Path, dict, str]] = {}

    def read(ledger: Ledger) -> tuple[Path, dict, str]:
        if ledger.name not in made:
            path = write(ledger, tmp_path_factory.mktemp("ledger") / "export.csv")
            made[ledger.name] = (path, *proposed(path))
        return made[ledger.name]

    return read


@pytest.mark.one_in(6)
@pytest.mark.parametrize("ledger", LEDGERS, ids=lambda ledger: ledger.name)
def test_each_column_is_found(ledger: Ledger, read_once):
    _, toml, text = read_once(ledger)
    names = (
        list(ledger.columns.values()) if ledger.headings else [f"column {n}" for n in range(1, len(ledger.columns) + 1)]
    )
    truth = dict(zip(ledger.columns, names, strict=True))
    assert toml["tables"]["procedures"]["columns"] == truth, text
    assert toml["practice"]["code_system"] == ledger.code_system
    assert toml["practice"]["tooth_notation"] == ledger.notation
    assert ("header_row" in toml["tables"]["procedures"]) == (not ledger.headings)
    assert set(toml["tables"]) == {"procedures"}


@pytest.mark.one_in(6)
@pytest.mark.parametrize("ledger", [x for x in LEDGERS if x.status], ids=lambda ledger: ledger.name)
def test_words_of_a_status_are_put_into_ours(ledger: Ledger, read_once):
    _, toml, _ = read_once(ledger)
    told = {w: m for w, m in ledger.status.items() if w.lower() != m}  # our own words need no mapping
    assert toml["tables"]["procedures"]["values"]["status"] == told


@pytest.mark.one_in(6)
@pytest.mark.parametrize("ledger", LEDGERS, ids=lambda ledger: ledger.name)
def test_no_value_is_in_the_text(ledger: Ledger, read_once):
    path, _, text = read_once(ledger)
    fields = list(ledger.columns)
    for line in path.read_text(encoding="utf-8").splitlines()[ledger.headings :]:
        cells = line.split(ledger.delimiter)
        for field, cell in zip(fields, cells, strict=False):
            if field in ("patient_id", "service_date", "procedure_id") or (field == "site_id" and cell):
                assert cell not in text
    for name in ledger.others:
        if name == "Patient Name":
            assert "Example" not in text


def test_two_digit_years_are_asked(tmp_path: Path):
    ledger = next(x for x in LEDGERS if x.name == "german_short")
    toml, text = proposed(write(ledger, tmp_path / "export.csv"))
    assert toml["practice"]["two_digit_years_from"] == "ask"
    assert {q.key for q in open_questions(text)} == {"practice.two_digit_years_from", "practice.crown_date"}


@pytest.mark.thorough
def test_the_notation_is_asked_where_all_numbers_are_valid_in_both(tmp_path: Path):
    both = list(range(11, 19)) + list(range(21, 29)) + [31, 32]
    ledger = Ledger("both", LEDGERS[0].columns, teeth=both, status=LEDGERS[0].status)
    toml, _ = proposed(write(ledger, tmp_path / "export.csv"))
    assert toml["practice"]["tooth_notation"] == "ask"


def test_the_order_of_day_and_month_is_asked_where_no_date_decides(tmp_path: Path):
    rows = [f"P{n % 9:03},0{1 + n % 9}/0{1 + n % 7}/20{10 + n % 12},D2740,{1 + n % 32}" for n in range(80)]
    path = tmp_path / "ledger.csv"
    path.write_text("\n".join(["Patient,Date,Code,Tooth", *rows]), encoding="utf-8")
    toml, text = proposed(path)
    assert toml["tables"]["procedures"]["date_format"] == "ask"
    question = next(q for q in open_questions(text) if q.key == "tables.procedures.date_format")
    assert "%m/%d/%Y" in question.question
    assert "%d/%m/%Y" in question.question


def test_two_columns_that_fit_equally_are_asked(tmp_path: Path):
    # Two dates a few days apart under meaningless headings: service or posting, nobody can tell.
    rows = [
        f"{9000 + n % 13},2015-0{1 + n % 9}-1{n % 9},2015-0{1 + n % 9}-2{n % 9},D2740,{1 + n % 32}" for n in range(90)
    ]
    path = tmp_path / "ledger.csv"
    path.write_text("\n".join(["A,B,C,D,E", *rows]), encoding="utf-8")
    toml, text = proposed(path)
    assert toml["tables"]["procedures"]["columns"]["service_date"] == "ask"
    assert next(q for q in open_questions(text) if q.key.endswith("service_date")).question.startswith(
        "ask: which of B"
    )


@pytest.mark.thorough
def test_files_of_one_shape_are_one_pattern(tmp_path: Path):
    paths = [write(LEDGERS[0], tmp_path / f"ledger-{year}.csv", rows=60, seed=year) for year in (2019, 2020, 2021)]
    toml = tomllib.loads(suggest(paths, folder=tmp_path).text)
    assert toml["tables"]["procedures"]["files"] == ["ledger-*.csv"]
    write(LEDGERS[0], tmp_path / "ledger-2022.csv", rows=60)  # not given, so the pattern must not take it in
    toml = tomllib.loads(suggest(paths, folder=tmp_path).text)
    assert toml["tables"]["procedures"]["files"] == [p.name for p in paths]


@pytest.mark.thorough
def test_many_rows_are_counted_without_reading_each(tmp_path: Path):
    path = write(LEDGERS[1], tmp_path / "part.csv", rows=20_000)
    top, _, body = path.read_text(encoding="utf-8").partition("\n")
    big = tmp_path / "ledger.csv"
    with big.open("w") as stream:
        stream.write(top + "\n")
        for _ in range(5):
            stream.write(body)
    assert "100,000 rows" in suggest([big], folder=tmp_path).text
