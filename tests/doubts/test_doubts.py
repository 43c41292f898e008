"""Doubts stop `check` and `ingest` alike, with the same words; answered, they are gone. Kinds: the cases `doubt_*`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from pipeline.machine.errors import ConfigError
from pipeline.practice.settings import ACCEPTABLE
from pipeline.practice.tables import PROCEDURES
from pipeline.reading.config import load_settings
from pipeline.reading.doubts import Doubt, OpenDoubtsError, refuse_doubts
from pipeline.reading.doubts.answers import folded
from pipeline.reading.doubts.marked_cells import marked, without_marks
from pipeline.reading.doubts.patients import several_births, several_names, shared_numbers, written_twice
from pipeline.reading.doubts.rows import set_aside
from pipeline.reading.doubts.signs import SIGNS
from pipeline.reading.doubts.standing import flag_texts, matches
from pipeline.stages.checks import check
from pipeline.stages.ingest import ingest
from pipeline.stages.run import written_ids
from pipeline.storing.store import open_store

TODAY = dt.date(2026, 1, 31)
CORPUS = Path(__file__).parents[1] / "corpus"
HEAD = "Chart,Dep,Date,Code,Tooth\n"
COLUMNS = 'columns = { patient_id = "Chart", service_date = "Date", code = "Code", tooth = "Tooth" }\n'


def practice(folder: Path, *, practice: str = "", table: str = "", **files: str) -> Path:
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    names = ", ".join(f'"{name}.csv"' for name in files)
    path = folder / "practice.toml"
    head = f'[practice]\ntooth_notation = "universal"\n{practice}\n[tables.procedures]\nfiles = [{names}]\n'
    path.write_text(head + COLUMNS + table, encoding="utf-8")
    return path


def load(path: Path, *, keep_ids: bool = False) -> None:
    ingest(load_settings(path), today=TODAY, say=lambda _: None, keep_ids=keep_ids)


def test_check_foretells_what_stops_ingest_and_says_no_next_step(tmp_path: Path):
    path = practice(tmp_path, a=HEAD + "007,,2020-01-02,D2740,3\n7,,2020-02-03,D3330,3\n")
    checked = check(load_settings(path), today=TODAY)
    assert checked.exit_code == 2
    assert "Next:" not in checked.text
    with pytest.raises(OpenDoubtsError) as refusal:
        load(path)
    assert refusal.value.exit_code == 2
    for line in str(refusal.value).splitlines()[1:]:
        assert line in checked.text
    with open_store(tmp_path / "practice.duckdb") as store:
        assert store.read(PROCEDURES).height == 0
    answered = practice(tmp_path, practice='patient_ids = "folded"', a=(tmp_path / "a.csv").read_text(encoding="utf-8"))
    assert check(load_settings(answered), today=TODAY).exit_code == 0
    load(answered)


def test_a_new_file_is_compared_with_those_loaded_before(tmp_path: Path):
    path = practice(tmp_path, a=HEAD + "007,,2020-01-02,D2740,3\n")
    load(path)
    path = practice(tmp_path, a=(tmp_path / "a.csv").read_text(encoding="utf-8"), b=HEAD + "7,,2020-02-03,D3330,3\n")
    with pytest.raises(OpenDoubtsError, match="several forms"):
        load(path)
    with open_store(tmp_path / "practice.duckdb") as store:
        assert store.read(PROCEDURES).height == 1


def test_an_answer_about_patients_reads_the_stored_files_again(tmp_path: Path):
    path = practice(tmp_path, a=HEAD + "5,1,2020-01-02,D2740,3\n5,,2020-02-03,D3330,3\n")
    load(path)
    path = practice(tmp_path, a=(tmp_path / "a.csv").read_text(encoding="utf-8"), table='dependant = "Dep"\n')
    load(path)
    settings = load_settings(path)
    with open_store(tmp_path / "practice.duckdb") as store:
        stored = store.read(PROCEDURES)
        ids = written_ids(store, settings, say=lambda _: None)
    assert set(ids["written_id"]) == {"5-1", "5"}
    assert set(stored["patient_id"]) == set(ids["patient_id"])


def test_a_row_set_aside_is_shown_as_it_was_written(tmp_path: Path):
    text = HEAD + "5,1,2020-01-02,D2740,3\n5,2,2020-02-03,D3330,99\n"
    load(practice(tmp_path, a=text, table='dependant = "Dep"\n'), keep_ids=True)
    with open_store(tmp_path / "practice.duckdb") as store:
        (row,) = store.mended.rows_set_aside().iter_rows(named=True)
    assert '"Chart":"5"' in row["raw_row"].replace('": "', '":"')


@pytest.mark.parametrize("line", ['patient_ids = "foldd"', 'numbering = "both"', 'accepted = ["name_as_ids"]'])
def test_a_misspelt_answer_is_refused(tmp_path: Path, line: str):
    with pytest.raises(ConfigError, match="is none of"):
        load_settings(practice(tmp_path, practice=line, a=HEAD))


def test_every_word_to_accept_is_in_a_case():
    said = "".join(path.read_text(encoding="utf-8") for path in CORPUS.glob("doubt_*/*.toml"))
    signs = {sign.id for sign in SIGNS}  # each has a damaged ledger in test_signs.py
    assert [word for word in ACCEPTABLE if word not in said and word not in signs] == []


def test_forms_of_a_number():
    found = pl.Series(["007", "7.0", " 7", "0", "00", "ab 1", "AB1", "A01", "7.5"]).to_frame("id")
    assert found.select(folded(pl.col("id")))["id"].to_list() == ["7", "7", "7", "0", "0", "AB1", "AB1", "A01", "7.5"]
    assert not written_twice(pl.Series(["A01", "A1", "10", "1", "100"]))


def test_slips_and_marriages_are_no_second_person():
    def people(**columns: list[str]) -> pl.DataFrame:
        return pl.DataFrame(columns)

    ids = [str(n) for n in range(40)]
    assert not several_births("patients", people(id=["1", "1"], born=["1980-02-01", "1981-02-01"]))
    assert not several_births("patients", people(id=["1", "1"], born=["1980-02-01", "01/02/1980"]))
    assert several_births("patients", people(id=["1", "1"], born=["1980-02-01", "1951-12-01"]))
    names = [f"Wren {chr(97 + n % 26)}{chr(97 + n // 26)}" for n in range(40)]
    assert not several_names("procedures", people(id=[*ids, "1"], name=[*names, "Heron Ann"]))
    assert several_names("procedures", people(id=[*ids, "1", "2", "3"], name=[*names, "Bo X", "Cy X", "Di X"]))


def test_patients_who_go_to_both_clinics_are_few():
    north = pl.DataFrame({"id": [str(n) for n in range(20)], "site": ["N"] * 20})
    few = pl.DataFrame({"id": [str(n) for n in range(15, 35)], "site": ["S"] * 20})
    assert not shared_numbers(pl.concat([north, few]))
    assert shared_numbers(pl.concat([north, few.with_columns(id=pl.Series([str(n) for n in range(14, 34)]))]))


def test_the_edge_of_too_many_rows_set_aside():
    assert not set_aside("procedures", {"tooth_unknown": 5}, 100)
    assert set_aside("procedures", {"tooth_unknown": 6}, 100)
    assert not set_aside("procedures", {"totals_row": 50}, 100)


def test_marks_behind_values():
    def found(field: str, *cells: str) -> dict[tuple[str, str], int]:
        return dict(marked(pl.Series("cell", cells), field, known={"D2740", "D3330P"}))

    assert found("code", "D2740-P", "2740 TP", "D2740-P", "D2740", "D3330P", "D9999-P", "D2740-B", "D2740 planned") == {
        ("*-p", "planned"): 2,
        ("* tp", "planned"): 1,
    }
    assert found("fee", "1290.00 DEL", "$ 1,290.00 (void)", "1.290,00 EUR", "12 E", "12 tx", "1290.00") == {
        ("* del", "void"): 1,
        ("* (void)", "void"): 1,
    }
    assert found("tooth", "18p", "14mo", "UR6", "A") == {("*p", "planned"): 1, ("*mo", ""): 1}


def test_an_asterisk_itself_in_a_pattern():
    cells = pl.DataFrame({"cell": ["1001 *", "* 1001", "1001", "*"]})
    told = cells.select(ends=matches(pl.col("cell"), "*[*]"), begins=matches(pl.col("cell"), "[*]*"))
    assert told["ends"].to_list() == [True, False, False, True]
    assert told["begins"].to_list() == [False, True, False, True]
    bare = cells.select(without_marks(pl.col("cell"), ["*[*]", "[*]*"]))["cell"].to_list()
    assert bare == ["1001", "1001", "1001", "*"]


def test_a_status_of_the_last_of_all_days_is_no_day():
    days = pl.Series("day", ["01/01/0001", "1900-01-01", "9999-12-31", "31.12.9999", "08/01/2022", "9/30/2019"])
    assert flag_texts("valid_to", days) == {"": 4, "*": 2}


def test_one_question_about_several_files_is_asked_once_with_what_was_seen_in_each():
    answers = (("practice", 'accepted = ["credits"]', "no: they are payments"),)
    alike = [
        Doubt("credits", f"procedures: {f}.csv", f"{n} of 9 rows", "Taken back?", answers) for f, n in ("a3", "b4")
    ]
    other = Doubt("credits", "procedures: c.csv", "1 of 9 rows", "Taken back?", ())
    with pytest.raises(OpenDoubtsError) as told:
        refuse_doubts([alike[0], other, alike[1]], file="practice.toml")
    text = str(told.value)
    assert text.startswith("practice.toml: 2 things in the files must be settled")
    assert text.count("Taken back?") == 2
    assert text.index("a.csv: 3 of 9 rows") < text.index("b.csv: 4 of 9 rows") < text.index('accepted = ["credits"]')
    assert text.count('accepted = ["credits"]') == 1
