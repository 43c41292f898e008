"""Slides: native, described, findings as titles, nothing of the maker or the day of making."""

import dataclasses
import io
import itertools
import re
import zipfile
from typing import Any

import pytest
import sample_results as samples
from pptx import Presentation
from pptx.oxml.ns import qn

from dashboards import deck_fit, reporting_items, slides, terms, words_shared
from dashboards.release import release

AT_ONCE = ("differs", "cannot_tell", "hostile", "empty_practice")


def _deck(name: str) -> Any:
    return Presentation(io.BytesIO(slides.render(release(samples.all_variants()[name]))))


@pytest.fixture(scope="module")
def decks() -> dict[str, Any]:
    return {name: _deck(name) for name in samples.variants_now(*AT_ONCE)}


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
    months = [int(c) for c in chart.plots[0].categories]
    assert months == list(range(121))
    for series, group in zip(chart.plots[0].series, comparison.groups, strict=True):
        points = [group.at(m) for m in months]
        assert list(series.values) == [None if p is None else p.failed for p in points]
        bars = series._element.find(qn("c:errBars"))
        plus = {int(p.get("idx")): float(p[0].text) for p in bars.find(qn("c:plus")).iter(qn("c:pt"))}
        at_five = group.at(60)
        assert at_five is not None
        assert at_five.high is not None
        assert plus[60] == at_five.high - at_five.failed


def test_titles_hold_the_released_figures(decks: dict[str, Any]) -> None:
    comparison = release(samples.differs()).comparisons[0]
    titles = [s.shapes.title.text_frame.text for s in decks["differs"].slides]
    assert titles[0] == words_shared.verdict(comparison)
    curve = next(t for t in titles if t.startswith("Of 100 crowns, about"))
    points = [g.at(60) for g in comparison.groups[:2]]
    assert re.findall(r"\d+", curve) == ["100", *(str(p.failed) for p in points if p), "5"]


def _box(shape: Any) -> tuple[float, float, float, float]:
    """Left, top, right and bottom in inches; the bottom of text is where the text ends, a table's where rows end."""
    left, top, width, height = (v / 914400 for v in (shape.left, shape.top, shape.width, shape.height))
    if shape.has_table:
        height = 0.0
        widths = [c.width / 914400 for c in shape.table.columns]
        for row in shape.table.rows:
            runs = [r for c in row.cells for p in c.text_frame.paragraphs for r in p.runs]
            points = max(r.font.size.pt for r in runs)
            height += deck_fit.row_height([c.text_frame.text for c in row.cells], widths, points)
    elif shape.has_text_frame and shape.text_frame.text:
        runs = [r for p in shape.text_frame.paragraphs for r in p.runs if r.font.size]
        if runs:
            lines = [p.text for p in shape.text_frame.paragraphs]
            height = deck_fit.text_height(lines, width - deck_fit.BULLET, max(r.font.size.pt for r in runs))
            if shape.text_frame.vertical_anchor is None and shape.placeholder_format.type == 3:  # set at the bottom
                top = top + shape.height / 914400 - height
    return left, top, left + width, top + height


def _overlaps(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    return a[0] < b[2] - 0.02 and b[0] < a[2] - 0.02 and a[1] < b[3] - 0.02 and b[1] < a[3] - 0.02


LONG = "The Practice of Restorative and Endodontic Dentistry at the Corner of a Street of a Very Long Name"


def _long_names() -> Any:
    results = samples.differs()
    return Presentation(io.BytesIO(slides.render(release(results, practice=f"{LONG}, {LONG}"))))


def test_no_shape_overlaps_another_or_leaves_its_slide(decks: dict[str, Any]) -> None:
    for name, deck in {**decks, "long": _long_names()}.items():
        for number, slide in enumerate(deck.slides, 1):
            boxes = [(s.name, _box(s)) for s in slide.shapes if s.has_table or s.has_chart or s.has_text_frame]
            for what, (left, top, right, bottom) in boxes:
                assert left >= 0, (name, number, what)
                assert top >= 0, (name, number, what)
                assert right * 914400 <= deck.slide_width, (name, number, what)
                assert bottom * 914400 <= deck.slide_height, (name, number, what)
            for (one, a), (other, b) in itertools.combinations(boxes, 2):
                assert not _overlaps(a, b), (name, number, one, other, a, b)


def test_the_overlap_test_would_notice() -> None:
    assert _overlaps((0, 0, 2, 2), (1, 1, 3, 3))
    assert not _overlaps((0, 0, 2, 2), (0, 2, 2, 3))


def test_shapes_are_read_title_first_and_footer_last(decks: dict[str, Any]) -> None:
    for deck in decks.values():
        for slide in deck.slides:
            order = [s.placeholder_format.idx if s.is_placeholder else None for s in slide.shapes]
            assert order[0] == 0
            # The footer and the number close the slide; a table or chart added later must come before them.
            assert [i for i in order if i in (11, 12)] == order[-2:], order


def test_the_appendix_lists_every_item_of_both_lists_once(decks: dict[str, Any]) -> None:
    strobe = (
        "1a 1b 2 3 4 5 6a 6b 7 8 9 10 11 12a 12b 12c 12d 12e 13a 13b 13c 14a 14b 14c 15 16a 16b 16c 17 18 19 20 21 22"
    )
    record = "1.1 1.2 1.3 6.1 6.2 6.3 7.1 12.1 12.2 12.3 13.1 19.1 22.1"
    wanted = [f"STROBE {n}" for n in strobe.split()] + [f"RECORD {n}" for n in record.split()]
    for name, deck in decks.items():
        tables = [s.table for slide in deck.slides for s in slide.shapes if s.has_table]
        rows = [[c.text for c in r.cells] for t in tables for r in list(t.rows)[1:]]
        listed = [r for r in rows if r[0].startswith(("STROBE", "RECORD"))]
        assert [r[0] for r in listed] == wanted, name
        assert {r[2] for r in listed} == {"filled", "half-filled", "author only"}, name
        assert all(r[3] for r in listed), name


def test_less_is_filled_where_there_is_less_to_say() -> None:
    filled = {n: reporting_items.tally(reporting_items.items(release(r)))["filled"]
              for n, r in samples.all_variants().items()}  # fmt: skip
    assert filled["differs"] > filled["too_early"] > filled["empty_practice"]


def test_references_hold_the_checklists_and_say_what_is_from_memory(decks: dict[str, Any]) -> None:
    for name, deck in decks.items():
        text = "\n".join(s.text_frame.text for slide in deck.slides for s in slide.shapes if s.has_text_frame)
        assert "Vandenbroucke JP" in text, name
        assert "Benchimol EI" in text, name
        assert "cited from memory" in text, name
    assert ("Anderson JR" in str(words_shared.references(release(samples.differs())))) is False, "no landmark was used"


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

    assert title("differs").startswith("Failures came 3.2 times as fast (2.2 to 4.6)")
    assert title("cannot_tell").startswith("Failures may have come anywhere from 0.65 to 2.6 times as fast")


def test_the_decision_is_one_slide_of_three_outcomes_and_the_way_not_compared(decks: dict[str, Any]) -> None:
    released = release(samples.differs())
    wanted = words_shared.decision(released)
    assert len(wanted) == 4
    slides_said = [
        [p.text for shape in slide.placeholders for p in shape.text_frame.paragraphs]
        for slide in decks["differs"].slides
    ]
    assert any(all(line in said for line in wanted) for said in slides_said)


def test_results_without_a_trial_have_no_slide_on_the_decision(decks: dict[str, Any]) -> None:
    bare = release(dataclasses.replace(samples.differs(), trials=()))
    deck = Presentation(io.BytesIO(slides.render(bare)))
    assert not any("yperemic" in slide.shapes.title.text_frame.text for slide in deck.slides)
