"""Slides: native, described, findings as titles, nothing of the maker or the day of making."""

import io
import re
import zipfile
from typing import Any

import pytest
import sample_results as samples
from pptx import Presentation
from pptx.oxml.ns import qn

from dashboards import slides, terms, words_shared
from dashboards.release import release


def _deck(name: str) -> Any:
    return Presentation(io.BytesIO(slides.render(release(samples.all_variants()[name]))))


@pytest.fixture(scope="module")
def decks() -> dict[str, Any]:
    return {name: _deck(name) for name in samples.all_variants()}


def test_every_variant_has_at_least_six_wide_slides_with_titles_and_notes(decks: dict[str, Any]) -> None:
    for name, deck in decks.items():
        assert len(deck.slides) >= 6, name
        assert deck.slide_width * 9 == deck.slide_height * 16
        for slide in deck.slides:
            assert len(slide.shapes.title.text_frame.text.split()) >= 4, "a title is a sentence"
            notes = slide.notes_slide.notes_text_frame.text
            assert "Say:" in notes
            assert "Do not claim:" in notes
            assert "Where it comes from:" in notes
            assert any("Own records, not a trial" in s.text_frame.text for s in slide.placeholders)


def test_charts_and_tables_are_native_and_have_alternative_text(decks: dict[str, Any]) -> None:
    frames = [s for slide in decks["differs"].slides for s in slide.shapes if s.has_chart or s.has_table]
    assert sum(f.has_chart for f in frames) >= 3
    assert sum(f.has_table for f in frames) >= 3
    for frame in frames:
        assert len(frame._element.nvGraphicFramePr.cNvPr.get("descr")) > 20
    assert not [s for slide in decks["differs"].slides for s in slide.shapes if s.shape_type == 13], "no picture"


def test_the_curve_on_the_slide_is_the_released_curve(decks: dict[str, Any]) -> None:
    comparison = release(samples.differs()).comparisons[0]
    chart = next(s.chart for slide in decks["differs"].slides for s in slide.shapes if s.has_chart)
    months = [round(12 * float(c)) for c in chart.plots[0].categories]
    assert months == list(range(0, 121, 6))
    for series, group in zip(chart.plots[0].series, comparison.groups, strict=True):
        points = [group.at(m) for m in months]
        assert list(series.values) == [None if p is None else p.failed for p in points]
        bars = series._element.find(qn("c:errBars"))
        plus = {int(p.get("idx")): float(p[0].text) for p in bars.find(qn("c:plus")).iter(qn("c:pt"))}
        at_five = group.at(60)
        assert at_five is not None
        assert at_five.high is not None
        assert plus[10] == at_five.high - at_five.failed


def test_titles_hold_the_released_figures(decks: dict[str, Any]) -> None:
    comparison = release(samples.differs()).comparisons[0]
    titles = [s.shapes.title.text_frame.text for s in decks["differs"].slides]
    assert titles[0] == words_shared.verdict(comparison)
    curve = next(t for t in titles if t.startswith("Of 100 crowns, about"))
    points = [g.at(60) for g in comparison.groups[:2]]
    assert re.findall(r"\d+", curve) == ["100", *(str(p.failed) for p in points if p), "5"]


def test_slides_fit_their_page(decks: dict[str, Any]) -> None:
    for name, deck in decks.items():
        for slide in deck.slides:
            for shape in slide.shapes:
                assert shape.left >= 0
                assert shape.top >= 0
                assert shape.left + shape.width <= deck.slide_width, name
                assert shape.top + shape.height <= deck.slide_height, name
                if shape.has_table:
                    assert len(shape.table.rows) <= slides.MOST_ROWS + 1, name


def test_metadata_say_nothing_of_maker_or_day() -> None:
    data = slides.render(release(samples.differs()))
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        names = package.namelist()
        core = package.read("docProps/core.xml").decode()
        books = [zipfile.ZipFile(io.BytesIO(package.read(n))) for n in names if n.endswith(".xlsx")]
        assert {i.date_time for i in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    assert not [n for n in names if "thumbnail" in n or "printerSettings" in n]
    for text in [core, *(b.read("docProps/core.xml").decode() for b in books)]:
        assert "<dc:creator/>" in text
        assert "lastModifiedBy" not in text
        assert "created" not in text
        assert "modified" not in text
    assert books
    for book in books:
        assert {i.date_time for i in book.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_the_cautions_close_the_deck(decks: dict[str, Any]) -> None:
    for name, deck in decks.items():
        last = "\n".join(s.text_frame.text for s in deck.slides[-1].shapes if s.has_text_frame)
        assert all(c in last for c in terms.CAUTIONS), name


def test_a_ratio_whose_range_holds_one_is_not_claimed_as_a_finding(decks: dict[str, Any]) -> None:
    def title(name: str) -> str:
        return next(
            t
            for s in decks[name].slides
            if (t := s.shapes.title.text_frame.text).startswith("Failures ") and "fast" in t
        )

    assert title("differs").startswith("Failures came 3.20 times as fast (2.22 to 4.60)")
    assert title("cannot_tell").startswith("Failures may have come anywhere from 0.65 to 2.58 times as fast")
