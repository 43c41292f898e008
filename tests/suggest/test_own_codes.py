"""The list of a practice's own codes: what each is likely to stand for, what is asked, and that `ask` stops a load."""

from __future__ import annotations

import csv
import datetime as dt
import io
from pathlib import Path

import pytest

from pipeline.machine.errors import ConfigError
from pipeline.practice.codes import EVENTS, read_code_file
from pipeline.reading.suggest.code_words import _LONG, likely_events
from pipeline.reading.suggest.propose import suggest, write_suggestion

LINES = [("RCTM", 3), ("CRNC", 3), ("EXM", 0), ("PRO", 0), ("EXT", 17), ("CRNC", 30), ("EXM", 0), ("RCTM", 30)]


def ledger(folder: Path, lines=LINES, head: str = "Code", times: int = 2) -> Path:
    path = folder / "ledger.csv"
    rows = [f"{1001 + n % 4},2019-03-{14 + n},{code},{tooth or ''}" for n, (code, tooth) in enumerate(lines * times)]
    path.write_text("\n".join([f"Chart No,Date,{head},Tooth", *rows]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "events"),
    [
        ("CRNC", ["crown_placement"]),
        ("RCTM", ["endo_initial"]),
        ("BU", ["core"]),
        ("BUS", []),
        ("PRO", []),
        ("Root canal molar", ["endo_initial"]),
        ("Retreat RCT molar", ["endo_retreatment"]),
        ("Temp crown", ["crown_interim"]),
        ("Crown lengthening", ["crown_lengthening"]),
        ("Core buildup", ["core"]),
        ("Post and core", ["post_core"]),
        ("Wurzelkanalbehandlung", ["endo_initial"]),
        ("Couronne céramique", ["crown_placement"]),
        ("Crown consult", ["crown_placement", "exam"]),  # two readings: asked
        ("Crown prep", ["restorative_other"]),  # not yet the crown
        ("Crown prep planned", []),
        ("Krone provisorisch", ["crown_interim"]),
        ("Entfernung einer Krone", ["crown_removal"]),
        ("Krone wiedereingesetzt", ["crown_recement"]),
        ("Krone einsetzen", ["crown_placement"]),
        ("Extraktion Wurzelstift", ["post_removal"]),
        ("Provisorische Wurzelfüllung (Einlage)", ["endo_initial_stage"]),
        ("Devis couronne céramique", []),
        ("Kroon opnieuw vastzetten", ["crown_recement"]),
        ("Ricementazione corona", ["crown_recement"]),
        ("Resementering av krone", ["crown_recement"]),
        ("Recement crown", ["crown_recement"]),
        ("Retirada de corona", ["crown_removal"]),
        ("Corona sobre implante", ["implant"]),
        ("Dépose de couronne", ["crown_removal"]),
        ("Rescellement de couronne", ["crown_recement"]),
        ("Extraction de tenon", ["post_removal"]),
        ("Vollkeramikkrone", ["crown_placement"]),
        ("Teilkrone Keramik", ["onlay"]),
        ("Bissflügelaufnahmen", ["radiograph"]),
        ("Crown prep & core", ["core", "restorative_other"]),
        ("Root canal begun", ["endo_initial_stage"]),
        ("RCT finished", ["endo_initial"]),
        ("Crown", ["crown_placement"]),
        ("Planned crown", []),
        ("No crown", []),
        ("No show", ["missed_appointment"]),
        ("Watch #14", []),
    ],
)
def test_likely_events(text: str, events: list[str]):
    assert sorted(likely_events(text)) == sorted(events)


def test_every_event_of_the_words_is_one_of_ours():
    assert {event for event, _ in _LONG} <= EVENTS.keys()


def test_the_list_is_written_beside_the_toml_and_stops_the_load_until_it_is_filled_in(tmp_path: Path):
    found = suggest([ledger(tmp_path)], folder=tmp_path, codes_name="practice-codes.csv")
    assert 'code_system = "practice-codes.csv"' in found.text
    assert "practice-codes.csv: 5 codes that no built-in list knows, 1 of them to fill in" in found.found
    write_suggestion(found, tmp_path / "practice.toml")
    path = tmp_path / "practice-codes.csv"
    listed = {row["code"]: row for row in csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig")))}
    assert {code: row["event"] for code, row in listed.items()} == {
        "CRNC": "crown_placement",
        "RCTM": "endo_initial",
        "EXM": "exam",
        "EXT": "extraction",
        "PRO": "ask",
    }
    assert listed["CRNC"]["rows"] == "4"
    with pytest.raises(ConfigError, match='1 of 5 codes still say "ask": PRO'):
        read_code_file(path)
    path.write_text(path.read_text(encoding="utf-8-sig").replace('"ask"', '"other"'), encoding="utf-8")
    assert read_code_file(path).height == 5
    with pytest.raises(ConfigError, match=r"practice.toml is there already"):
        write_suggestion(found, tmp_path / "practice.toml")


def test_a_code_that_a_spreadsheet_would_rewrite_is_read_back(tmp_path: Path):
    lines = [("007", 3), ("0777", 0), ("=2+3", 14), ("007", 30)]
    found = suggest([ledger(tmp_path, lines)], folder=tmp_path)
    assert found.codes is not None
    filled = tmp_path / "filled.csv"
    filled.write_text(found.codes.replace('"ask"', '"other"'), encoding="utf-8")
    assert set(read_code_file(filled)["code"]) == {"007", "0777", "=2+3"}


def test_remarks_are_no_codes_and_a_known_list_needs_none(tmp_path: Path):
    remarks = [(f"Saw patient about item {n} today", 0) for n in range(16)]
    assert suggest([ledger(tmp_path, remarks, "Procedure", 1)], folder=tmp_path).codes is None
    assert suggest([ledger(tmp_path, [("D2740", 3), ("D3330", 3), ("D0120", 0)])], folder=tmp_path).codes is None


def text_of(path: Path, head: str, rows: list[str]) -> Path:
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def listed_in(folder: Path, *files: Path) -> dict[str, dict[str, str]]:
    found = suggest(list(files), folder=folder, codes_name="practice-codes.csv")
    assert found.codes is not None
    return {row["code"]: row for row in csv.DictReader(io.StringIO(found.codes))}


@pytest.mark.parametrize(("days", "event"), [(14, "ask"), (400, "crown_placement")])
def test_a_crown_that_another_follows_within_weeks_is_asked_about(tmp_path: Path, days: int, event: str):
    first = dt.date(2018, 3, 5)
    rows = []
    for n in range(8):
        for text, on in (("Crown A", first), ("Crown B", first + dt.timedelta(days)), ("Exam", first)):
            rows.append(f"{1001 + n},{on + dt.timedelta(7 * n)},{text},{'' if text == 'Exam' else 3 + n}")
    found = listed_in(tmp_path, text_of(tmp_path / "ledger.csv", "Chart No,Date,Procedure,Tooth", rows))
    assert found["CROWNA"]["event"] == event
    assert found["CROWNB"]["event"] == "crown_placement"
    if event == "ask":
        assert "8 of 8 rows stand up to 60 days before another crown_placement" in found["CROWNA"]["why"]


OWN = {"R24": "Routine examination", "H11": "Scale and polish", "E13": "Zirconia crown", "V91": "White filling"}
NATIONAL = {"C11": "Routine examination", "M03": "Scale and polish", "R24": "Zirconia crown", "V91": "White filling"}


@pytest.mark.parametrize(("words", "is_own"), [(OWN, True), (NATIONAL, False)])
def test_codes_that_only_look_like_a_list_are_told_by_the_words_beside_them(
    tmp_path: Path, words: dict[str, str], is_own: bool
):
    rows = [
        f"{1001 + n % 4},2019-03-{4 + n:02d},{code},{words[code]},{'' if n % 4 < 2 else 16}"
        for n, code in enumerate(list(words) * 6)
    ]
    path = text_of(tmp_path / "ledger.csv", "Chart No,Date,Code,Treatment,Tooth", rows)
    found = suggest([path], folder=tmp_path, codes_name="practice-codes.csv")
    assert (found.codes is not None) is is_own
    assert ('code_system = "nl"' in found.text) is not is_own
    if is_own:
        assert "name other work than the list nl has for them" in found.text
        assert listed_in(tmp_path, path)["E13"]["event"] == "crown_placement"


@pytest.mark.parametrize(("words", "is_own"), [(OWN, True), (NATIONAL, False)])
def test_a_price_list_with_other_words_for_codes_of_a_list_is_joined(
    tmp_path: Path, words: dict[str, str], is_own: bool
):
    other = {"T01": "Simple extraction", "W01": "Root canal treatment"}
    national = {"H11": "Simple extraction", "E13": "Root canal treatment"}
    words = words | {"X10": "Film"} | (other if is_own else national)
    rows = [
        f"{1001 + n % 9},2019-{1 + n % 12:02d}-{4 + n % 24:02d},{code},{'' if n % 8 < 2 else 11 + n % 8}"
        for n, code in enumerate(list(words) * 20)
    ]
    path = text_of(tmp_path / "ledger.csv", "Chart No,Date,Code,Tooth", rows)
    prices = text_of(tmp_path / "prices.csv", "Code,Treatment,Price", [f"{c},{t},10.00" for c, t in words.items()])
    found = suggest([path, prices], folder=tmp_path, codes_name="practice-codes.csv")
    assert ('joined = [{ file = "prices.csv", on = "Code" }]' in found.text) is is_own
    assert ('columns.code = "prices.Treatment"' in found.text) is is_own


def test_groups_of_work_beside_codes_say_nothing_against_the_list(tmp_path: Path):
    groups = {"D0120": "Exams", "D2740": "Crowns", "D2950": "Crowns", "D6010": "Crowns", "D2391": "Crowns"}
    rows = [
        f"{1001 + n % 9},2019-{1 + n % 12:02d}-{4 + n % 24:02d},{code},{groups[code]},{'' if code == 'D0120' else 3}"
        for n, code in enumerate(list(groups) * 20)
    ]
    path = text_of(tmp_path / "ledger.csv", "Chart No,Date,Code,Kind,Tooth", rows)
    assert 'code_system = "cdt"' in suggest([path], folder=tmp_path).text
