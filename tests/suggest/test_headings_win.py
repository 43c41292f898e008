"""A heading of the trade is never passed over in silence, and short words beside it are proposed, not asked."""

from __future__ import annotations

import tomllib
from pathlib import Path

import polars as pl
import pytest

from pipeline.machine.errors import DataError
from pipeline.practice.tables import INPUT_TABLES
from pipeline.reading.open_questions import open_questions
from pipeline.reading.suggest.profile import Column
from pipeline.reading.suggest.propose import suggest
from pipeline.reading.suggest.value_words import trade_words, value_lines

SHORT = """Chart;Posted;Proc;Th;Fee
101;2020-01-05;D2740;3;900
101;2020-03-05;D0120;;50
102;2020-01-07;D3330;14;800
103;2020-02-05;D2740;19;900
103;2021-02-05;D7140;19;200
104;2021-02-15;D0120;;50
"""


def proposed(folder: Path, **files: str) -> tuple[dict, str]:
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    text = suggest([folder / f"{name}.csv" for name in files], folder=folder).text
    return tomllib.loads(text), text


def test_a_ledger_of_six_rows_is_proposed_by_its_day_of_entry(tmp_path: Path):
    toml, text = proposed(tmp_path, six=SHORT)
    assert toml["tables"]["procedures"]["columns"] == {
        "patient_id": "Chart",
        "service_date": "Posted",
        "code": "Proc",
        "tooth": "Th",
        "fee": "Fee",
    }
    (line,) = [x for x in text.splitlines() if '"Posted"' in x]
    assert "# likely: the day of the entry" in line


def test_a_day_of_entry_beside_that_of_the_work_stays_out(tmp_path: Path):
    both = "\n".join(x + (";Date" if n == 0 else ";2020-01-01") for n, x in enumerate(SHORT.splitlines()))
    toml, _ = proposed(tmp_path, six=both)
    assert toml["tables"]["procedures"]["columns"]["service_date"] == "Date"


@pytest.mark.thorough
def test_the_status_of_a_claim_is_none_of_the_work(tmp_path: Path):
    words = ["Paid", "Cancelled", "Pending", "Paid", "Rejected", "Cancelled"]
    for heading, is_status in (("Claim Status", False), ("Status", True)):
        lines = SHORT.replace("Posted", "Date").splitlines()
        rows = [f"{line};{word}" for line, word in zip(lines, [heading, *words], strict=True)]
        toml, _ = proposed(tmp_path, six="\n".join(rows))
        assert ("status" in toml["tables"]["procedures"]["columns"]) == is_status


@pytest.mark.one_in(3)
@pytest.mark.parametrize("heading", ["Acct", "Acct No", "ACCT#", "Account Number", "Client No"])
def test_accounts_are_patients(tmp_path: Path, heading: str):
    toml, _ = proposed(tmp_path, six=SHORT.replace("Chart", heading).replace("Posted", "Date"))
    assert toml["tables"]["procedures"]["columns"]["patient_id"] == heading


def test_a_column_headed_tooth_that_holds_no_teeth_is_asked(tmp_path: Path):
    odd = SHORT.replace("Th;", "Tooth;").replace(";3;", ";a33;").replace(";14;", ";b99;").replace(";19;", ";c77;")
    toml, text = proposed(tmp_path, six=odd)
    assert toml["tables"]["procedures"]["columns"]["tooth"] == "ask"
    (question,) = [q for q in open_questions(text) if q.key.endswith("columns.tooth")]
    assert "which of Tooth (such as x99" in question.question
    assert "a33" not in text


def test_the_same_headings_in_another_order_are_one_table(tmp_path: Path):
    lines = [x.split(";") for x in SHORT.splitlines()]
    turned = "\n".join(";".join(x[::-1]) for x in lines)
    toml, text = proposed(tmp_path, first=SHORT, second=turned)
    assert toml["tables"]["procedures"]["files"] == ["first.csv", "second.csv"]
    assert "Files that are not used" not in text


def test_a_file_that_is_no_table_is_refused_with_what_was_seen_in_each_column(tmp_path: Path):
    (tmp_path / "x.csv").write_text("Colour;Size\nred;M\nblue;L\n", encoding="utf-8")
    with pytest.raises(DataError) as refusal:
        suggest([tmp_path / "x.csv"], folder=tmp_path)
    said = str(refusal.value)
    assert "x.csv: 2 rows, fields end at a semicolon, headings in line 1; columns seen:" in said
    assert "no column is like patient_id or like service_date or like code, which a ledger needs" in said
    assert "Colour: xxxx | xxx" in said or "Colour: xxx | xxxx" in said
    assert "red" not in said


def test_a_ledger_by_its_headings_is_one_though_most_of_its_days_are_none(tmp_path: Path):
    bad = "Chart,Date,Code,Tooth\n1,2019-13-45,D2740,14\n2,xx,D2740,15\n3,2019-01-01,D2740,3\n"
    toml, text = proposed(tmp_path, bad=bad)
    assert toml["tables"]["procedures"]["columns"]["service_date"] == "ask"
    assert "which of Date (such as 9999-99-99 | xx" in text
    assert "Not used" not in text


def test_codes_with_words_beside_them_show_their_list(tmp_path: Path):
    toml, _ = proposed(tmp_path, six=SHORT.replace("D2740", "D2740 - Crown").replace("D3330", "D3330 - Root canal"))
    assert toml["practice"]["code_system"] == "cdt"
    assert toml["tables"]["procedures"]["columns"]["code"] == "Proc"


def test_what_a_reader_says_of_a_file_is_told_whole(tmp_path: Path):
    (tmp_path / "x.csv").write_bytes(b"caf\xe9\xff\xfe\x81;x\n" * 3)
    with pytest.raises(DataError) as refusal:
        suggest([tmp_path / "x.csv"], folder=tmp_path)
    assert "x.csv: the file is not" in str(refusal.value)
    assert "Export it as UTF-8" in str(refusal.value)


@pytest.mark.thorough
def test_a_text_of_an_old_encoding_is_read_as_told_and_proposed_untold(tmp_path: Path):
    (tmp_path / "x.csv").write_bytes(SHORT.replace("\n", ";ü\n").replace(";ü", ";Füllung", 1).encode("cp850"))
    untold = suggest([tmp_path / "x.csv"], folder=tmp_path).text
    assert 'encoding = "cp850"  # likely: the file is not UTF-8 text, first at line 1.' in untold
    text = suggest([tmp_path / "x.csv"], folder=tmp_path, encoding="cp850").text
    assert tomllib.loads(text)["tables"]["procedures"]["encoding"] == "cp850"
    assert "Füllung" in text


def lines_of(table: str, field: str, texts: str) -> dict[str, str]:
    column = Column(1, "x", "x", pl.Series(texts.split()))
    return {word: meant for word, meant, _ in value_lines(table, field, column)}


def test_trade_words_beside_their_heading_are_proposed_and_asked_where_two_readings_fit():
    margin = lines_of("crown_details", "margin", "CH CH SH KN")
    assert margin == {"CH": "chamfer", "SH": "shoulder", "KN": "knife_edge"}
    reason = lines_of("procedures", "reason", "GUM CRACK RCT INJURY blob")
    assert reason == {"GUM": "periodontal", "CRACK": "fracture", "RCT": "endodontic", "INJURY": "trauma", "blob": "ask"}
    # N is normal or necrotic: asked, unless another word of the column is the one of them.
    assert lines_of("crown_details", "pulp_status_at_prep", "N N H X")["N"] == "ask"
    assert lines_of("crown_details", "pulp_status_at_prep", "N N NEC") == {"N": "normal", "NEC": "necrotic"}
    assert lines_of("procedures", "status", "done X X")["X"] == "ask"


def test_every_trade_word_means_words_of_its_field():
    for table, declared in INPUT_TABLES.items():
        for field, column in declared.columns.items():
            for meanings in trade_words(table, field).values():
                assert set(meanings) <= set(column.words or ())
