"""What the data-quality page says of chart notes."""

from __future__ import annotations

from dataclasses import replace

import sample_results as samples

from dashboards.pages import data_quality
from dashboards.pages.notes_read import notes_block
from pipeline.results.notes import FieldRead, MisreadContrast, NotesRead

FIELD = FieldRead("endo_details", "sealer", 10, 9, 12, 0.9, 0.555, 0.997, 0.75, 0.43, 0.95)
MOVED = MisreadContrast("Sealer", "tooth_loss", "resin", "eugenol", "sealer", 1.5, 1.8, 0.9, 3.6, 0.95, 0.9)
NOTES = NotesRead(
    values=200, sure=180, used=150, agree=20, differ=4, open=26, checked=7, fields=(FIELD,), contrasts=(MOVED,)
)


def with_notes(notes: NotesRead | None):
    results = samples.differs()
    return replace(results, quality=replace(results.quality, notes=notes))


def test_counts_shares_and_moved_ratios_are_those_of_the_results():
    block = notes_block(with_notes(NOTES))
    assert block["said"][0].startswith("200 values were read from chart notes, 180 of them sure. 150 fill a field")
    assert "7 notes of the sample were held against the charts" in block["said"][1]
    assert block["table"].rows == (
        ("endo_details.sealer", "9 of 10 (90 %)", "56 to 100%", "9 of 12 (75 %)", "43 to 95%"),
    )
    assert block["moved"].rows == (("Sealer: resin against eugenol", "1.50", "1.80", "0.90 to 3.60", "95%, 90%"),)


def test_without_a_check_the_page_says_that_nobody_knows():
    block = notes_block(with_notes(replace(NOTES, checked=0, fields=(), contrasts=())))
    assert "Nobody has held the notes against the charts yet" in block["said"][1]
    impossible = replace(NOTES, contrasts=(replace(MOVED, moved=None, moved_low=None, moved_high=None),))
    assert notes_block(with_notes(impossible))["moved"].rows[0][2:4] == ("the errors do not fit the counts", "")


def test_the_page_has_the_block_only_where_there_are_notes():
    assert "What was read from chart notes" in data_quality.render(with_notes(NOTES))
    assert "chart notes" not in data_quality.render(with_notes(None))
