from __future__ import annotations

import csv
from importlib.resources import files
from pathlib import Path

import polars as pl
import pytest

from pipeline.machine.errors import ConfigError
from pipeline.practice.codes import (
    ALIASES,
    BUILT_IN,
    DETAILS,
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
from pipeline.practice.tables import MATERIALS

ROWS = list(csv.DictReader(files("pipeline").joinpath("data", "codes.csv").read_text(encoding="utf-8").splitlines()))


def event(table: pl.DataFrame, code: str) -> str | None:
    found = table.filter(pl.col("code") == code)
    return found["event"].item() if found.height else None


# What linking asks for. A list lacks an event only for the reason given here.
NEEDED = {
    "crown_placement",
    "crown_prefabricated",
    "crown_interim",
    "crown_recement",
    "crown_repair",
    "crown_removal",
    "crown_lengthening",
    "onlay",
    "bridge_retainer_crown",
    "bridge_retainer_onlay",
    "bridge_retainer_inlay",
    "bridge_retainer_bonded",
    "bridge_pontic",
    "bridge_recement",
    "implant",
    "denture_tooth",
    "tooth_missing",
    "post_core",
    "core",
    "direct_restoration",
    "vital_pulp",
    "pulpotomy",
    "endo_emergency",
    "endo_incomplete",
    "endo_initial",
    "repeat",
    "perforation_repair",
    "apical_surgery",
    "root_loss",
    "coronectomy",
    "extraction",
    "extraction_impacted",
    "replantation",
    "splint",
    "exam",
    "radiograph",
    "radiograph_3d",
    "missed_appointment",
}
_NO_FINDINGS = "a fee schedule numbers work, not what is found in the mouth"
_CROWN_NUMBER = "a crown that holds a bridge has the number of the crown"
LACKING = {
    "cdt": {"tooth_missing": _NO_FINDINGS},
    "ada_au": {
        "tooth_missing": _NO_FINDINGS,
        "bridge_retainer_crown": _CROWN_NUMBER,
        "bridge_retainer_onlay": _CROWN_NUMBER,
        "bridge_retainer_inlay": _CROWN_NUMBER,
        "coronectomy": "has no number of its own",
        "extraction_impacted": "surgical removal is numbered by what is cut, buried or not",
        "missed_appointment": "not in the schedule",
    },
    "de": {
        "tooth_missing": _NO_FINDINGS,
        "bridge_retainer_inlay": "not paid in BEMA; in GOZ under the number of a whole crown",
        "denture_tooth": "dentures are numbered by the jaw",
        "endo_incomplete": "each step has its number, done or not",
        "repeat": "no number of its own: a canal filled a second time is a repeat",
        "perforation_repair": "charged under the number of other work",
        "coronectomy": "has no number of its own",
        "missed_appointment": "a matter of contract, not of the schedules",
    },
    "nl": {
        "tooth_missing": _NO_FINDINGS,
        "bridge_retainer_crown": _CROWN_NUMBER,
        "bridge_retainer_onlay": _CROWN_NUMBER,
        "onlay": "a crown over a part of the tooth has the number of the crown",
        "denture_tooth": "dentures are numbered by the jaw, and an added tooth like an added clasp",
        "endo_incomplete": "has no number of its own",
        "perforation_repair": "all damage by earlier treatment has one number",
        "coronectomy": "has no number of its own",
        "extraction_impacted": "surgical removal has one number",
    },
}
REPEATS = {"endo_retreatment", "endo_retreatment_stage"}

# Worked out by hand from the sources that the list names: code, event, detail.
BY_HAND = {
    "cdt": """
        D2740 crown_placement | D2750 crown_placement metal_ceramic | D2790 crown_placement metal
        D2710 crown_placement resin | D2931 crown_prefabricated metal | D2799 crown_interim | D2956 crown_removal
        D2954 post_core prefabricated | D2952 post_core cast | D2950 core | D2391 direct_restoration one_surface
        D2392 direct_restoration | D3110 vital_pulp | D3220 pulpotomy | D3222 pulpotomy | D3221 endo_emergency
        D3330 endo_initial molar | D3320 endo_initial premolar | D3348 endo_retreatment molar
        D3346 endo_retreatment anterior | D3332 endo_incomplete | D3410 apical_surgery anterior | D3450 root_loss
        D7140 extraction | D7252 extraction | D6608 bridge_retainer_onlay | D6634 bridge_retainer_onlay metal
        D6602 bridge_retainer_inlay metal | D6624 bridge_retainer_inlay metal | D6205 bridge_pontic resin
        D6211 bridge_pontic metal | D6214 bridge_pontic metal | D6241 bridge_pontic metal_ceramic
        D6243 bridge_pontic metal_ceramic | D6250 bridge_pontic other | D6253 bridge_pontic | D6010 implant
        D6057 implant | D6060 implant | D6067 implant | D6068 implant | D6077 implant | D6088 implant | D6094 implant
        D6097 implant | D6194 implant | D6972 post_core prefabricated | D5650 denture_tooth | D5640 denture_tooth
        D4322 splint | D4321 splint | D0367 radiograph_3d | D0380 radiograph_3d | D9986 missed_appointment
        D9987 missed_appointment | D0171 exam
    """,
    "ada_au": """
        412 endo_incomplete | 414 pulpotomy | 411 vital_pulp | 415 endo_initial_stage | 417 endo_initial
        419 endo_emergency | 451 endo_retreatment_stage | 457 perforation_repair | 577 onlay
        586 crown_prefabricated metal | 597 post_core prefabricated | 611 crown_placement resin
        618 crown_placement metal | 655 crown_removal | 661 implant | 671 implant | 684 implant | 688 implant
        643 bridge_pontic | 768 denture_tooth | 981 splint
        026 radiograph_3d | 531 direct_restoration one_surface | 238 crown_lengthening
    """,
    "de": """
        18 post_core | 18A post_core prefabricated | 18B post_core cast | 19 crown_interim | 20A crown_placement metal
        20C onlay metal | 23 crown_removal | EKR crown_removal | 24A crown_recement | 24B crown_repair | 27 pulpotomy
        PULP pulpotomy | 25 vital_pulp | WF endo_initial | 91A bridge_retainer_crown metal | 91B bridge_retainer_crown
        91C bridge_retainer_onlay metal | 91D bridge_retainer_crown | 91E crown_addon | 92 bridge_pontic | 20AI implant
        13A direct_restoration one_surface | F1 direct_restoration one_surface | WR1 apical_surgery anterior
        5000 bridge_retainer_crown | 5010 bridge_retainer_crown | 5020 bridge_retainer_onlay | 5030 coping
        5040 bridge_retainer_crown | 5070 bridge_pontic | 9010 implant | 9040 implant | 9050 implant | 9060 implant
        2440 endo_initial | 2350 pulpotomy | 2195 post_core prefabricated | 2190 post_core cast
        2060 direct_restoration one_surface | 2220 onlay | AE5370 radiograph_3d | 7070 splint | 0010 exam
    """,
    "nl": """
        E13 endo_initial | E17 endo_initial | E54 endo_retreatment_stage | E60 pulpotomy | E77 endo_emergency
        E31 apical_surgery anterior | E33 apical_surgery molar | H43 apical_surgery | E36 replantation | V60 vital_pulp
        R24 crown_placement | R29 crown_prefabricated | R80 crown_interim | R74 crown_recement | R77 crown_removal
        E51 crown_addon | R34 implant | R40 bridge_pontic | R46 bridge_retainer_inlay | R32 post_core cast
        V80 post_core prefabricated | V91 direct_restoration one_surface | V11 direct_restoration one_surface
        H11 extraction | X25 radiograph_3d | C90 missed_appointment | C11 exam | C002 exam | T95 splint
    """,
}


def test_every_row_of_the_list_is_complete_and_says_how_it_was_checked():
    assert {row["system"] for row in ROWS} == set(BUILT_IN)
    for row in ROWS:
        assert row["event"] in EVENTS
        assert row["description"]
        assert "seen in" in row["verified"] or row["verified"] == "from memory"


@pytest.mark.parametrize("system", BUILT_IN)
def test_no_code_is_there_twice_and_each_is_in_the_form_in_which_codes_are_stored(system: str):
    table = built_in(system)
    assert table["code"].is_unique().all()
    assert table["code"].equals(table.select(normalise_code(pl.col("code"), system=system))["code"])


@pytest.mark.parametrize("system", BUILT_IN)
def test_each_list_has_what_linking_asks_for_or_says_why_not(system: str):
    events = set(built_in(system)["event"])
    there = events | ({"repeat"} if events & REPEATS else set())
    assert NEEDED - there == set(LACKING[system])
    assert set(EVENTS) | {"repeat"} >= NEEDED


@pytest.mark.parametrize("system", BUILT_IN)
def test_the_codes_worked_out_by_hand(system: str):
    said = [entry.split() for line in BY_HAND[system].split("\n") for entry in line.split("|") if entry.strip()]
    listed = {code: (event, detail) for code, event, detail in built_in(system).iter_rows()}
    wanted = {code: (event, detail[0] if detail else None) for code, event, *detail in said}
    assert {code: listed.get(code) for code in wanted} == wanted


def test_a_code_says_no_more_than_its_event_can_have():
    for row in ROWS:
        assert row["detail"] in ("", *DETAILS.get(row["event"], ())), row["code"]
    details = {row["code"]: row["detail"] for row in ROWS if row["system"] == "cdt"}
    assert [details[c] for c in ("D2750", "D2790", "D2710", "D2740")] == ["metal_ceramic", "metal", "resin", ""]


def test_only_crowns_and_their_kin_have_a_material():
    assert set(DETAILS) <= set(EVENTS)
    assert DETAILS["crown_placement"] == DETAILS["bridge_retainer_crown"] == MATERIALS
    rest = {word for event, words in DETAILS.items() if words != MATERIALS for word in words}
    assert not rest & set(MATERIALS)


def test_descriptions_are_short_and_our_own():
    # Turns of phrase of the publishers' own texts.
    theirs = (
        "by report",
        "porcelain",
        "predominantly",
        "noble",
        "indirectly fabricated",
        "- per ",
        "Versorgung",
        "einschl",
    )
    told = {f"{row['system']} {row['code']}": row["description"] for row in ROWS}
    assert {code: text for code, text in told.items() if len(text.split()) > 12} == {}
    assert {code: text for code, text in told.items() if any(phrase in text for phrase in theirs)} == {}


def test_a_code_that_no_list_has():
    assert all(event(built_in(system), "D9999") is None for system in BUILT_IN)


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
        ("de", "91 e", "91E"),
        ("nl", "R24*", "R24"),
        ("nl", "r 24 *", "R24"),
        ("nl", "C002", "C002"),
    ],
)
def test_codes_in_normal_form(system: str, written: str, stored: str):
    got = pl.DataFrame({"code": [written]}).select(normalise_code(pl.col("code"), system=system))
    assert got.item() == stored


def test_plain_words_stand_for_events_and_near_misses_are_named():
    assert event_word("Root canal", where="") == "endo_initial"
    assert event_word("crown_placement", where="") == "crown_placement"
    words = ("missing", "denture", "retainer onlay", "no-show", "payment", "pulpotomy", "onlay")
    assert [event_word(word, where="") for word in words] == [
        "tooth_missing",
        "denture_tooth",
        "bridge_retainer_onlay",
        "missed_appointment",
        "bookkeeping",
        "pulpotomy",
        "onlay",
    ]
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
    assert table["D3330"] == ("endo_initial", "molar")


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


def test_an_override_may_name_another_detail():
    table = changed(
        D2740={"detail": "zirconia"},
        D2954={"detail": "Fiber"},
        X3={"event": "filling", "detail": "one surface"},
        D3330={"event": "retreatment"},
        D2391={"event": "filling"},
    )
    assert table["D2740"] == ("crown_placement", "zirconia")
    assert table["D2954"] == ("post_core", "fiber")
    assert table["X3"] == ("direct_restoration", "one_surface")
    assert table["D3330"] == ("endo_retreatment", None)
    assert table["D2391"] == ("direct_restoration", "one_surface")


def test_a_word_stands_for_an_override_without_a_detail():
    assert read_overrides({"X1": "root canal"}) == {"X1": Override("endo_initial")}


@pytest.mark.parametrize(
    ("codes", "message"),
    [
        ({"D2740": 4}, "must be a word, or"),
        ({"D2740": {}}, "must be a word, or"),
        ({"D2740": {"event": ["crown"]}}, "must be a word, or"),
        ({"D2740": {"events": "crown"}}, '"events" is not known here'),
        ({"D2740": {"event": "crwn"}}, r"\[codes\] D2740: \"crwn\" is no event"),
        ({"D2740": {"event": "crown", "material": "gold"}}, '"gold" is no material that we know: metal'),
        ({"D2740": {"material": "molar"}}, '"molar" is no material that we know: metal'),
        ({"D2740": {"detail": "gold"}}, '"gold" is no detail that we know: metal'),
        ({"D2740": {"detail": "molar"}}, r"\[codes\] D2740: .molar. is no detail of crown_placement. It may be: metal"),
        ({"D2950": {"material": "metal"}}, "D2950: .metal. is no detail of core. It may be: composite"),
        ({"X4": {"event": "exam", "material": "metal"}}, "is no detail of exam. That event has none"),
        ({"D2740": {"material": "metal", "detail": "metal"}}, "material and detail say the same"),
        ({"D2740": "crown", "2740": "other"}, "names D2740 twice"),
        ({"X9": {"material": "zirconia"}}, "X9: not in the code list"),
    ],
)
def test_a_faulty_override_is_refused(codes: dict[str, object], message: str):
    with pytest.raises(ConfigError, match=message):
        changed(**codes)


def test_a_list_of_ones_own(tmp_path: Path):
    mine = tmp_path / "codes.csv"
    mine.write_text("code,event,detail\nkr,crown,zirconia\nWB,root_canal,\nst,post,Fiber\n", encoding="utf-8")
    assert read_code_file(mine).rows() == [
        ("KR", "crown_placement", "zirconia"),
        ("WB", "endo_initial", None),
        ("ST", "post_core", "fiber"),
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("code,kind\nA,crown\n", "needs the headings"),
        ("code,event\nA,crwn\n", r"row 1: .*Near ones: crown"),
        ("code,event\nA,crown\na,crown\n", "there twice"),
        ("code,event,detail\nA,crown,gold\n", r"row 1: .gold. is no detail of crown_placement. It may be: metal"),
        ("code,event,detail\nA,crown,\nB,filling,zirconia\n", "row 2: .zirconia. is no detail of direct_restoration"),
        ("code,event,detail\nA,extraction,molar\n", "no detail of extraction. That event has none"),
    ],
)
def test_a_faulty_list_is_refused(tmp_path: Path, text: str, message: str):
    mine = tmp_path / "codes.csv"
    mine.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=message):
        read_code_file(mine)
