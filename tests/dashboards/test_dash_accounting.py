"""The page on data quality: every row of every file, unknown codes, and what changed between exports."""

from __future__ import annotations

import dataclasses
import html
import re

import pytest
import sample_results as samples
from read_page import plain

from dashboards.pages import data_quality
from dashboards.words.quality import loads_sentence
from pipeline.results import FileChange, LinkNote, LoadRow, Quality, UnknownCode

LEDGER = LoadRow("ledger.csv", "a" * 64, "procedures", 1000, 900, 50, 30, reversed=20, mended=7)


def text_of(quality: Quality, **changed: object) -> str:
    page = data_quality.render(dataclasses.replace(samples.differs(), quality=quality, **changed))
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", plain(page))))


def test_rows_read_are_the_sum_of_four_parts_per_file() -> None:
    words = text_of(Quality(loads=(LEDGER,)))
    heads = "File Table Rows read Loaded Seen before Taken back Set aside Of these mended Fingerprint"
    assert heads in words
    assert "ledger.csv procedures 1,000 900 50 20 30 7 aaaaaaaaaaaa" in words


def test_the_sentence_adds_up_all_files_and_says_what_was_mended() -> None:
    other = LoadRow("mended.csv", "b" * 64, "procedures", 7, 7, 0, 0)
    assert loads_sentence(Quality(loads=(LEDGER, other))) == (
        "Every row is accounted for: 1,007 read = 907 loaded + 50 seen before + 20 taken back + 30 set aside. "
        "Of those set aside, 7 were mended and count in their mended copy."
    )
    assert "mended" not in loads_sentence(Quality(loads=(other,)))


def test_a_file_with_rows_taken_back_that_do_not_add_up_is_called_out() -> None:
    wrong = dataclasses.replace(LEDGER, reversed=19)
    assert loads_sentence(Quality(loads=(LEDGER, wrong))).startswith("In 1 file the rows do not add up")


def test_unknown_codes_come_with_rows_teeth_and_lines_to_paste() -> None:
    lines = ("[codes]", '"X100" = "other"  # 12 rows, 5 teeth')
    quality = Quality(unknown_codes=(UnknownCode("ADJ", 1, 0), UnknownCode("X100", 12, 5)), codes_advice=lines)
    words = text_of(quality)
    assert "Code Rows Teeth X100 12 5 ADJ 1 0" in words
    assert " ".join(re.sub(r"\s+", " ", line) for line in lines) in words


def test_a_code_from_a_file_cannot_break_out_of_the_page() -> None:
    page = data_quality.render(
        dataclasses.replace(
            samples.differs(),
            quality=Quality(unknown_codes=(UnknownCode("<b>", 1),), codes_advice=('"</pre><script>" = "other"',)),
        )
    )
    assert "<b>" not in page
    assert "</pre><script>" not in page


def test_changes_between_exports_are_counted_by_file_and_field() -> None:
    changes = (
        FileChange("procedures", "2024.csv", "2025.csv", "tooth", 3),
        FileChange("procedures", "2024.csv", "2025.csv", "code", 12),
        FileChange("procedures", "2024.csv", "2025.csv", "row vanished", 2),
    )
    words = text_of(Quality(changes=changes))
    heads = "Earlier file Later file Field Rows changed"
    code, tooth = "Procedure code: procedures.code", "Tooth as written in the source: procedures.tooth"
    assert f"{heads} 2024.csv 2025.csv {code} 12 2024.csv 2025.csv {tooth} 3" in words
    assert "2 rows of an earlier export are not in the later one" in words
    assert "row vanished" not in words


def test_of_no_change_nothing_is_said() -> None:
    words = text_of(Quality())
    assert "export correct" not in words
    assert "not in the later one" not in words


def elsewhere_block(word: str, *counts: tuple[str, int]) -> str:
    links = tuple(LinkNote(name, n, f"meaning of {name}", name != "crowns") for name, n in counts)
    text = text_of(Quality(links=links), rules={"root_canals_elsewhere": word})
    return text.split("Done elsewhere:")[-1].split("Every analysis ran")[0]


@pytest.mark.parametrize(
    ("word", "said"), [("none", "no root canals"), ("some", "some root canals"), ("most", "most root canals")]
)
def test_the_practices_own_word_on_root_canals_elsewhere(word: str, said: str):
    assert f"The practice says that {said} of its patients are done elsewhere." in elsewhere_block(word)


def test_a_practice_that_has_not_said_is_asked():
    block = elsewhere_block("unknown")
    assert "has not said" in block
    assert "root_canals_elsewhere" in block
    assert "no proof that there was none" in block


def test_what_others_did_stands_by_itself_with_what_gainsays_the_practice():
    block = elsewhere_block("none", ("crowns", 9), ("crowns_opened_elsewhere", 1234), ("late_refunds", 2))
    assert "Yet these records name some" in block
    assert "1,234" in block
    assert "meaning of late_refunds" in block
    assert "meaning of crowns_opened_elsewhere" in block
    assert "sheet done elsewhere" in block
    assert "meaning of crowns 9" not in block
    assert "Yet these" not in elsewhere_block("none", ("rows_existing", 5))  # a crown, say
    assert "Yet these" not in elsewhere_block("some", ("crowns_opened_elsewhere", 1))
    assert "sheet done elsewhere" not in elsewhere_block("some", ("crowns_opened_elsewhere", 1))
