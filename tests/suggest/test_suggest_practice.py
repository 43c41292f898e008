"""A whole practice, its headings taken away: what is proposed, what it is worth, and what is left to ask."""

from __future__ import annotations

import random
import re
import tomllib
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.machine.errors import ConfigError, DataError
from pipeline.reading.open_questions import open_questions
from pipeline.reading.suggest.propose import suggest, write_suggestion
from synthetic_data.generate import simulate
from synthetic_data.practice_toml import COLUMNS, VALUES

DATA = Path(__file__).parent / "data"
# What values alone cannot tell apart: three habits that are yes or no, two reasons without words of any language, and
# small numbers. They are left out, not guessed; a heading is needed.
TELL_NOTHING = {
    "procedures": {"reason"},
    "patients": {"smoker", "diabetes", "bruxism"},
    "endo_details": {
        "apical_diagnosis", "preop_pai", "canals", "visits", "irrigant_activation", "rubber_dam",
        "length_short_of_apex_mm",
    },
    "crown_details": {"margin", "core", "post", "cement", "pulp_status_at_prep", "ferrule_mm"},
    "findings": {"symptomatic", "crown_in_place", "reader", "reading"},
}  # fmt: skip

# Words of fields that take any text, which this practice did not map; the others are ours.
OPEN_WORDS = {"post": {"metal": "prefabricated_metal", "fibre": "fiber"}}


@pytest.fixture(scope="module")
def practice(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("practice")
    simulate(folder, crowns=500, seed=11)
    return folder


def files_of(practice: Path) -> list[Path]:
    return [
        *sorted((practice / "exports").glob("*.csv")),
        *(practice / f"{t}.csv" for t in COLUMNS if t != "procedures"),
    ]


@pytest.mark.thorough
def test_with_its_headings_all_is_found(practice: Path):
    suggestion = suggest(files_of(practice), folder=practice)
    toml = tomllib.loads(suggestion.text)
    assert {t: toml["tables"][t]["columns"] for t in COLUMNS} == COLUMNS
    assert toml["tables"]["procedures"]["files"] == ["exports/ledger-*.csv"]
    assert toml["practice"]["tooth_notation"] == "universal"
    for table, fields in VALUES.items():
        given_words = toml["tables"][table].get("values", {})
        for field, words in given_words.items():
            truth = {w.lower(): m for w, m in (fields.get(field) or OPEN_WORDS[field]).items()}
            assert all(m in ("ask", truth[w.lower()]) for w, m in words.items())
    for line in (practice / "patients.csv").read_text(encoding="utf-8").splitlines()[1:]:
        assert not any(len(cell) > 2 and cell in suggestion.text for cell in line.split(","))


@pytest.mark.thorough
@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (2, 3))])
def test_with_headings_shuffled_and_meaningless(practice: Path, tmp_path: Path, seed: int):
    paths, truth = [], {}
    # Of what others did, headings alone tell: its few rows hold a tooth, a word and sometimes a day.
    for path in files_of(practice)[-9:-1]:  # the last ledgers and the other tables
        table = path.stem if path.stem in COLUMNS else "procedures"
        frame = pl.read_csv(path, infer_schema=False)
        order = random.Random(f"{seed}{table}").sample(frame.columns, len(frame.columns))
        names = {h: f"C{n}" for n, h in enumerate(order, 1)}
        truth[table] = {f: names[h] for f, h in COLUMNS[table].items()}
        paths.append(tmp_path / f"file{len(paths)}.csv")
        frame.select(order).rename(names).write_csv(paths[-1])
    text = suggest(paths, folder=tmp_path).text
    found = {t: toml["columns"] for t, toml in tomllib.loads(text)["tables"].items()}
    assert found.keys() == truth.keys()
    for table, columns in found.items():
        wrong = {f: h for f, h in columns.items() if h not in ("ask", truth[table][f])}
        assert not wrong, (table, wrong, truth[table])
        sure = truth[table].keys() - TELL_NOTHING[table]
        assert sure <= {f for f, h in columns.items() if h != "ask"}, (table, sure - columns.keys())


@pytest.mark.thorough
def test_a_workbook_of_several_sheets(practice: Path, tmp_path: Path):
    xlsxwriter = pytest.importorskip("xlsxwriter")
    book = xlsxwriter.Workbook(tmp_path / "practice.xlsx")
    for sheet, path in (("People", practice / "patients.csv"), ("Work", practice / "exports" / "ledger-2015.csv")):
        page = book.add_worksheet(sheet)
        for n, line in enumerate(path.read_text(encoding="utf-8").splitlines()):
            page.write_row(n, 0, line.split(","))
    book.close()
    toml = tomllib.loads(suggest([tmp_path / "practice.xlsx"], folder=tmp_path).text)
    assert toml["tables"]["procedures"]["sheets"] == ["Work"]
    assert toml["tables"]["patients"]["sheets"] == ["People"]
    assert toml["tables"]["procedures"]["columns"] == COLUMNS["procedures"]


@pytest.mark.thorough
def test_a_file_that_is_none_of_ours_is_left_out_and_named(practice: Path, tmp_path: Path):
    stock = tmp_path / "stock.csv"
    stock.write_text("Article,Shelf,Left\nGloves,A,12\nMasks,B,90\n", encoding="utf-8")
    suggestion = suggest([stock, practice / "exports" / "ledger-2015.csv"], folder=practice)
    assert "stock.csv: no table that we know was found in it" in suggestion.text
    with pytest.raises(DataError, match="none of these files"):
        suggest([stock], folder=practice)


def test_the_toml_is_never_overwritten(practice: Path, tmp_path: Path):
    suggestion = suggest([practice / "exports" / "ledger-2015.csv"], folder=tmp_path)
    out = write_suggestion(suggestion, tmp_path / "practice.toml")
    assert out.read_text(encoding="utf-8") == suggestion.text
    with pytest.raises(ConfigError, match="not overwritten"):
        write_suggestion(suggestion, out)


def test_serial_dates_are_told_from_numbers_of_patients():
    toml = tomllib.loads(suggest([DATA / "serial_dates.csv"], folder=DATA).text)
    columns = toml["tables"]["procedures"]["columns"]
    assert columns == {"patient_id": "A", "service_date": "B", "code": "C", "tooth": "D"}
    assert toml["practice"]["serial_dates"] == "ask"


def test_hostile_headings_stay_headings():
    text = suggest([DATA / "hostile_headings.csv"], folder=DATA).text
    columns = tomllib.loads(text)["tables"]["procedures"]["columns"]
    assert columns["patient_id"] == 'Patient "No" \\ #1'
    assert columns["service_date"] == "Date = [x]"


def test_a_preamble_stands_above_the_headings(practice: Path, tmp_path: Path):
    ledger = (practice / "exports" / "ledger-2015.csv").read_text(encoding="utf-8")
    path = tmp_path / "ledger.csv"
    path.write_text("Alder Row Dental\nLedger of 2015\n\n" + ledger, encoding="utf-8")
    toml = tomllib.loads(suggest([path], folder=tmp_path).text)
    assert toml["tables"]["procedures"]["columns"] == COLUMNS["procedures"]


TEXTS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ['"', "'", '"""', "#", "\\", "=", "ask", "[tables]", "\u2028", "\x7f", "D2740", "2020-01-02", "16", "*", "^.*$"]
    ),
)


@pytest.mark.thorough
@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
)
@given(st.integers(1, 7).flatmap(lambda w: st.lists(st.lists(TEXTS, min_size=w, max_size=w), min_size=1, max_size=12)))
def test_any_csv_gives_a_toml_that_parses(tmp_path_factory, rows: list[list[str]]):
    folder = tmp_path_factory.mktemp("any")
    path = folder / "any.csv"
    body = "\n".join(",".join('"' + cell.replace('"', '""') + '"' for cell in row) for row in rows)
    path.write_text(body, encoding="utf-8", errors="replace")
    ledger = folder / "ledger.csv"
    ledger.write_bytes((DATA / "hostile_headings.csv").read_bytes())
    text = suggest([path, ledger], folder=folder).text
    assert "tables" in tomllib.loads(text)
    assert all(q.line <= text.count("\n") for q in open_questions(text))
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f]", text)
