from __future__ import annotations

import csv
from importlib.resources import files
from pathlib import Path

import polars as pl
import pytest

from pipeline.codes import (
    ALIASES,
    BUILT_IN,
    EVENTS,
    TOOTH_LEVEL,
    TOOTH_OPTIONAL,
    Override,
    built_in,
    event_word,
    normalise_code,
    read_code_file,
    read_overrides,
    with_overrides,
)
from pipeline.errors import ConfigError
from pipeline.tables import MATERIALS

ROWS = list(csv.DictReader(files("pipeline").joinpath("data", "codes.csv").read_text(encoding="utf-8").splitlines()))


def event(table: pl.DataFrame, code: str) -> str | None:
    found = table.filter(pl.col("code") == code)
    return found["event"].item() if found.height else None


def test_every_row_of_the_list_is_complete_and_says_how_it_was_checked():
    assert {row["system"] for row in ROWS} == set(BUILT_IN)
    assert len({(row["system"], row["code"]) for row in ROWS}) == len(ROWS)
    for row in ROWS:
        assert row["event"] in EVENTS
        assert row["detail"] in ("", *MATERIALS)
        assert row["description"]
        assert "seen in" in row["verified"] or row["verified"] == "from memory"


def test_material_is_given_only_where_the_number_says_it():
    details = {row["code"]: row["detail"] for row in ROWS if row["system"] == "cdt"}
    assert [details[c] for c in ("D2750", "D2790", "D2710", "D2740")] == ["metal_ceramic", "metal", "resin", ""]
    with_detail = {row["event"] for row in ROWS if row["detail"]}
    assert with_detail == {"crown_placement", "bridge_retainer_crown"}


def test_the_codes_that_the_main_question_rests_on():
    cdt, ada_au, de = map(built_in, BUILT_IN)
    assert [event(cdt, c) for c in ("D2740", "D3330", "D3348", "D7140", "D3221", "D6010")] == [
        "crown_placement",
        "endo_initial",
        "endo_retreatment",
        "extraction",
        "endo_emergency",
        "implant",
    ]
    assert event(ada_au, "417") == event(de, "2440") == event(de, "WF") == "endo_initial"
    assert event(cdt, "D9999") is None


def test_groups_of_events_do_not_overlap():
    assert not TOOTH_LEVEL & TOOTH_OPTIONAL
    assert set(EVENTS) >= TOOTH_LEVEL | TOOTH_OPTIONAL
    assert {"exam", "recall_hygiene", "other"}.isdisjoint(TOOTH_LEVEL)
    assert set(ALIASES.values()) <= set(EVENTS)


@pytest.mark.parametrize(
    ("system", "written", "stored"),
    [
        ("cdt", "d2740", "D2740"),
        ("cdt", "2740", "D2740"),
        ("cdt", "2740.0", "D2740"),
        ("cdt", " D 2740 ", "D2740"),
        ("cdt", "27401", "27401"),
        ("ada_au", "11", "011"),
        ("ada_au", "417", "417"),
        ("de", "32 (WK)", "32"),
        ("de", "47a", "47A"),
        ("de", "2440", "2440"),
        ("de", "1", "01"),
        ("de", "Ä 925", "AE925"),
    ],
)
def test_codes_in_normal_form(system: str, written: str, stored: str):
    got = pl.DataFrame({"code": [written]}).select(normalise_code(pl.col("code"), system=system))
    assert got.item() == stored


def test_plain_words_stand_for_events_and_near_misses_are_named():
    assert event_word("Root canal", where="") == "endo_initial"
    assert event_word("crown_placement", where="") == "crown_placement"
    with pytest.raises(ConfigError, match=r'my.csv, row 3: "crwn" is no event.*crown'):
        event_word("crwn", where="my.csv, row 3")


def changed(**codes: object) -> dict[str, tuple[object, ...]]:
    table = with_overrides(built_in("cdt"), read_overrides(codes), system="cdt")
    assert table["code"].is_unique().all()
    return {row[0]: row[1:] for row in table.rows()}


def test_overrides_change_add_and_keep():
    table = changed(**{"2740": "other", "X1": "crown", "D2750": "crown"})
    assert table["D2740"] == ("other", None)
    assert table["X1"] == ("crown_placement", None)
    assert table["D2750"] == ("crown_placement", "metal_ceramic")
    assert table["D3330"] == ("endo_initial", None)


def test_an_override_may_name_the_material():
    table = changed(
        D2740={"event": "crown", "material": "zirconia"},
        D2750={"material": "zirconia"},
        D2790={"event": "onlay"},
        X2={"event": "crown", "material": "Glass ceramic"},
    )
    assert table["D2740"] == ("crown_placement", "zirconia")
    assert table["D2750"] == ("crown_placement", "zirconia")
    assert table["D2790"] == ("onlay", None)
    assert table["X2"] == ("crown_placement", "glass_ceramic")


def test_a_word_stands_for_an_override_without_a_material():
    assert read_overrides({"X1": "root canal"}) == {"X1": Override("endo_initial")}


@pytest.mark.parametrize(
    ("codes", "message"),
    [
        ({"D2740": 4}, "must be a word, or"),
        ({"D2740": {}}, "must be a word, or"),
        ({"D2740": {"event": ["crown"]}}, "must be a word, or"),
        ({"D2740": {"events": "crown"}}, '"events" is not known here'),
        ({"D2740": {"event": "crwn"}}, r"\[codes\] D2740: \"crwn\" is no event"),
        ({"D2740": {"event": "crown", "material": "gold"}}, "no crown material"),
        ({"D2740": "crown", "2740": "other"}, "names D2740 twice"),
        ({"X9": {"material": "zirconia"}}, "X9: not in the code list"),
    ],
)
def test_a_faulty_override_is_refused(codes: dict[str, object], message: str):
    with pytest.raises(ConfigError, match=message):
        changed(**codes)


def test_a_list_of_ones_own(tmp_path: Path):
    mine = tmp_path / "codes.csv"
    mine.write_text("code,event,detail\nkr,crown,zirconia\nWB,root_canal,\n", encoding="utf-8")
    assert read_code_file(mine).rows() == [("KR", "crown_placement", "zirconia"), ("WB", "endo_initial", None)]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("code,kind\nA,crown\n", "needs the headings"),
        ("code,event\nA,crwn\n", r"row 1: .*Near ones: crown"),
        ("code,event\nA,crown\na,crown\n", "there twice"),
        ("code,event,detail\nA,crown,gold\n", "no crown material"),
    ],
)
def test_a_faulty_list_is_refused(tmp_path: Path, text: str, message: str):
    mine = tmp_path / "codes.csv"
    mine.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=message):
        read_code_file(mine)
