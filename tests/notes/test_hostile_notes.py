"""Notes made to do harm: very long, repeating, with control characters, formulas and names of people."""

from __future__ import annotations

import time

import pytest

from pipeline.notes.read import LONGEST_EVIDENCE, LONGEST_NOTE, evidence_of, read_note
from pipeline.notes.vocabulary import vocabulary

WORDS = vocabulary()
REPEATED = [
    "a",
    "1 ",
    "1/",
    ",",
    "?",
    "no pain ",
    "hx ",
    "sip/",
    "1 mm short ",
    "prepared to 25 ",
    "size 25 ",
    "3% naocl ",
    "canals mb [ ] a",
    "removed ",
    "[x] yes ",
    '"a b c d e f g h i j" ',
    "#1,",
    "3 parts water ",
]
SLOWEST = 20  # seconds on a busy machine; the worst was 2.4, and minutes before lengths of sentences were bounded


@pytest.mark.parametrize("unit", REPEATED)
def test_repetition_is_no_endless_task(unit: str):
    text = unit * (LONGEST_NOTE // len(unit) + 1)
    began = time.perf_counter()
    read_note(text, WORDS, notation="universal", tooth=46)
    assert time.perf_counter() - began < SLOWEST


@pytest.mark.parametrize("word", ["canals mb", "maf", "naocl", "pai", "filled 1 mm", "ferrule", "visits", "#30"])
def test_a_gulf_of_blanks_is_no_endless_task(word: str):
    began = time.perf_counter()
    read_note((word + " " * 6000) * 3, WORDS, notation="universal", tooth=46)
    assert time.perf_counter() - began < SLOWEST


def test_a_megabyte_is_read_as_far_as_a_note_goes():
    begin = "#30 rubber dam, 3% NaOCl. "
    found = {v.field: v.value for v in read_note(begin + "The patient came. " * 60_000, WORDS, notation="universal")}
    assert found == {"rubber_dam": "true", "naocl_percent": "3"}


def test_control_characters_part_words_and_change_no_value():
    text = "#30\x00 rubber\x0bdam,\x07 3% NaOCl.\x1b[31m 3 canals\u202e\u200b"
    found = {v.field: v.value for v in read_note(text, WORDS, notation="universal")}
    assert found["naocl_percent"] == "3"
    assert found["canals"] == "3"


def test_evidence_has_no_controls_no_formula_and_none_of_the_rest():
    text = "=HYPERLINK(1) Mrs Quillfeather of Pondlane, 555-0177. \n+3% NaOCl used\x1b[31m. Dam\x00 on. @SUM(1)"
    found = read_note(text, WORDS, notation="universal", tooth=46)
    assert {v.field for v in found} >= {"naocl_percent"}
    for v in found:
        assert len(v.evidence) <= LONGEST_EVIDENCE
        assert v.evidence.isprintable()
        assert v.evidence[0] not in "=+@-"
        assert not {"quillfeather", "pondlane", "555"} & set(v.evidence.lower().replace("-", " ").split())


def test_evidence_is_on_one_line_without_controls():
    text = "sealer\x1b[31m was\r\n Epoxy\u202e"
    assert evidence_of(text, 0, len(text), WORDS.knows) == "sealer [31m was Epoxy"


@pytest.mark.parametrize(
    "text",
    [
        "Canals located by Mrs Quillfeather's husband: MB, ML, D",
        "prepared the canal for Quillfeather up to 30",
        "3 parts water for Quillfeather and 1 part NaOCl",
        "PAI for Mrs Quillfeather was 4",
        "sealer for Mrs Quillfeather was epoxy resin",
        "zirconia for Mrs Quillfeather with glass ionomer, seated",
    ],
)
def test_a_name_between_the_words_of_a_value_is_not_kept(text: str):
    for v in read_note("#30 RCT under dam. " + text + ".", WORDS, notation="universal"):
        assert "quillfeather" not in v.evidence.lower()
