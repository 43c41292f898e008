"""Slides of the talk and of its appendix: native, described, nothing over anything, nothing of the maker or the day."""

import dataclasses
import io
import itertools
import re
import zipfile
from typing import Any

import pytest
import sample_results as samples
from decks import AT_ONCE, behind, box, notes, opened, overlap, shapes, talk, texts, title

from dashboards import reporting_items, terms
from dashboards.release.released import release
from dashboards.talk import appendix, fit, story
from dashboards.talk.deck import PLACE
from dashboards.words import shared as words_shared
from dashboards.words import technique as words_technique
from pipeline.practice.talk import Talk
from pipeline.results.methods import RULES
from pipeline.results.records import Records

FOOT = 6.85  # inches: the line above the footer
NAMES = samples.few_at_once(*AT_ONCE)
LONG = "The Practice of Restorative and Endodontic Dentistry at the Corner of a Street of a Very Long Name"


def _both(name: str) -> list[Any]:
    return [*talk(name).slides, *behind(name).slides]


@pytest.mark.parametrize("name", NAMES)
def test_slides_are_wide_with_a_sentence_for_a_title_and_notes(name: str) -> None:
    for deck in (talk(name), behind(name)):
        assert deck.slide_width * 9 == deck.slide_height * 16
        assert len(deck.slides) >= 6
        for slide in deck.slides:
            assert len(title(slide).split()) >= 4, title(slide)
            for part in ("Say:", "Do not claim:"):
                assert part in notes(slide), (title(slide), part)
            assert any("Own records, not a trial" in s.text_frame.text for s in slide.placeholders)
        assert ["Where it comes from:" in notes(slide) for slide in deck.slides].count(True) == 1
        assert "Where it comes from:" in notes(deck.slides[0])
        named = [re.sub(r" \(\d+ of \d+\)$", "", title(slide)) for slide in deck.slides]
        assert max(named.count(n) for n in named) <= 2, "a table over many slides says on each what it holds"


@pytest.mark.parametrize("name", NAMES)
def test_no_slide_cites_from_memory_and_all_close_with_or_hold_the_cautions(name: str) -> None:
    for deck in (talk(name), behind(name)):
        said = [t for slide in deck.slides for t in (*texts(slide), notes(slide))]
        assert not [t for t in said if "memory" in t.lower()]
        assert not [t for t in said if "{" in t or "}" in t or "None." in t], "a figure that was not filled in"
        assert all(caution in said for caution in terms.CAUTIONS)


def test_charts_tables_and_drawings_are_native_and_described() -> None:
    slides = _both("differs")
    frames = [s for slide in slides for s in slide.shapes if s.has_chart or s.has_table or s.shape_type == 6]
    assert sum(f.has_chart for f in frames) >= 4
    assert sum(f.has_table for f in frames) >= 10
    assert sum(f.shape_type == 6 for f in frames) >= 3
    for frame in frames:
        properties = next(e for e in frame._element.iter() if e.tag.endswith("}cNvPr"))
        assert len(properties.get("descr")) > 20, frame.name
    assert not [s for slide in slides for s in shapes(slide) if s.shape_type == 13], "no picture"


def _long() -> list[Any]:
    released = release(samples.differs(), practice=f"{LONG}, {LONG}")
    chosen = Talk(title=LONG + " and Some", speaker=LONG)
    return [*opened(story.render(released, chosen)).slides, *opened(appendix.render(released, chosen)).slides]


@pytest.mark.parametrize("name", [*NAMES, "long"])
def test_nothing_overlaps_leaves_its_slide_or_touches_the_footer(name: str) -> None:
    for number, slide in enumerate(_long() if name == "long" else _both(name), 1):
        kept = [s for s in slide.shapes if s.has_table or s.has_chart or (s.has_text_frame and s.text_frame.text)]
        boxes = [(s, box(s)) for s in kept]
        for shape, (left, top, right, bottom) in boxes:
            assert left >= 0, (number, shape.name)
            assert top >= 0, (number, shape.name)
            assert right <= PLACE.right + 0.25, (number, shape.name)
            is_foot = shape.is_placeholder and shape.placeholder_format.idx in (11, 12)
            assert bottom <= (7.5 if is_foot else FOOT), (number, title(slide), shape.name, bottom)
        for (one, a), (other, b) in itertools.combinations(boxes, 2):
            assert not overlap(a, b), (number, title(slide), one.name, other.name, a, b)


@pytest.mark.parametrize("name", [*NAMES, "long"])
def test_what_is_drawn_stays_above_the_footer_and_words_in_their_boxes(name: str) -> None:
    for slide in _long() if name == "long" else _both(name):
        drawn = [s for group in slide.shapes if group.shape_type == 6 for s in group.shapes]
        for shape in drawn:
            assert (shape.top + shape.height) / 914400 <= FOOT, title(slide)
            if shape.has_text_frame and shape.text_frame.text:
                reach = box(shape)
                assert reach[3] - reach[1] <= shape.height / 914400 + 0.06, (title(slide), shape.text_frame.text)


@pytest.mark.parametrize("name", [*NAMES, "long"])
def test_every_cell_of_a_table_can_be_read_from_the_back(name: str) -> None:
    """At least 14 points; 12 in the table of those followed, whose columns stand under a curve."""
    for slide in _long() if name == "long" else _both(name):
        under = any(s.has_chart for s in slide.shapes)
        for table in (s.table for s in slide.shapes if s.has_table):
            runs = [r for row in table.rows for c in row.cells for p in c.text_frame.paragraphs for r in p.runs]
            assert min(r.font.size.pt for r in runs) >= (12 if under else 14), title(slide)


def test_the_overlap_test_would_notice() -> None:
    assert overlap((0, 0, 2, 2), (1, 1, 3, 3))
    assert not overlap((0, 0, 2, 2), (0, 2, 2, 3))


@pytest.mark.parametrize("name", [*NAMES, "long"])
def test_titles_fit_their_place(name: str) -> None:
    for slide in _long() if name == "long" else _both(name):
        runs = slide.shapes.title.text_frame.paragraphs[0].runs
        points = runs[0].font.size.pt
        assert points >= 16, title(slide)
        room = slide.shapes.title.height / 914400
        assert fit.text_height([title(slide)], PLACE.width, points, bold=True) <= room + 0.02, title(slide)


@pytest.mark.parametrize("name", NAMES)
def test_shapes_are_read_title_first_and_footer_last(name: str) -> None:
    for slide in _both(name):
        order = [s.placeholder_format.idx if s.is_placeholder else None for s in slide.shapes]
        assert order[0] == 0
        # The footer and the number close the slide; a table or chart added later must come before them.
        assert [i for i in order if i in (11, 12)] == order[-2:], order


@pytest.mark.parametrize("name", NAMES)
def test_the_appendix_lists_every_item_of_both_lists_once(name: str) -> None:
    strobe = (
        "1a 1b 2 3 4 5 6a 6b 7 8 9 10 11 12a 12b 12c 12d 12e 13a 13b 13c 14a 14b 14c 15 16a 16b 16c 17 18 19 20 21 22"
    )
    record = "1.1 1.2 1.3 6.1 6.2 6.3 7.1 12.1 12.2 12.3 13.1 19.1 22.1"
    wanted = [f"STROBE {n}" for n in strobe.split()] + [f"RECORD {n}" for n in record.split()]
    tables = [s.table for slide in behind(name).slides for s in slide.shapes if s.has_table]
    rows = [[c.text for c in r.cells] for t in tables for r in list(t.rows)[1:]]
    listed = [r for r in rows if r[0].startswith(("STROBE", "RECORD"))]
    assert [r[0] for r in listed] == wanted
    assert {r[2] for r in listed} == {"filled", "half-filled", "author only"}
    assert all(r[3] for r in listed)


def test_the_appendix_holds_every_technique_every_paper_and_the_decision() -> None:
    released = release(samples.differs())
    said = {t for slide in behind("differs").slides for t in texts(slide)}
    assert {str(r) for r in words_shared.references(released)} <= said
    assert set(words_shared.decision(released)) <= said
    assert {a.title for a in released.techniques.answers if a.contrasts} <= said


def test_rules_in_force_are_told_in_words() -> None:
    rules = release(samples.differs()).rules
    tables = [s.table for slide in behind("differs").slides for s in slide.shapes if s.has_table]
    told = {row.cells[0].text: row.cells[1].text for t in tables for row in list(t.rows)[1:]}
    assert rules
    for name, value in rules:
        assert told[RULES[name]] == value
    said = " ".join(t for slide in behind("differs").slides for t in texts(slide))
    assert not [name for name, _ in rules if f"{name.replace('_', ' ')} =" in said]


def test_curves_are_called_unadjusted_and_a_difference_as_it_was_made() -> None:
    results = dataclasses.replace(samples.cannot_tell(), records=Records("cannot tell"))
    main = results.comparisons[0]
    assert main.difference is not None
    for method, ends in (("adjusted: by a model", "per 100, adjusted"), ("difference of two curves", "per 100")):
        made = dataclasses.replace(main, difference=dataclasses.replace(main.difference, method=method))
        deck = opened(appendix.render(release(dataclasses.replace(results, comparisons=(made,)))))
        assert [t for t in map(title, deck.slides) if "we cannot tell yet" in t and t.endswith(ends)], ends
    drawn = [title(s) for s in _both("cannot_tell") if "failed by" in title(s)]
    assert drawn
    assert all(t.endswith(", unadjusted") for t in drawn)


def test_less_is_filled_where_there_is_less_to_say() -> None:
    filled = {n: reporting_items.tally(reporting_items.items(release(r)))["filled"]
              for n, r in samples.all_variants().items()}  # fmt: skip
    assert filled["differs"] > filled["too_early"] > filled["empty_practice"]


@pytest.mark.parametrize("render", [story.render, appendix.render])
def test_metadata_say_nothing_of_maker_or_day(render: Any) -> None:
    data = render(release(samples.differs()))
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


def test_a_ratio_whose_range_holds_one_is_not_claimed_as_a_finding() -> None:
    def found(name: str) -> str:
        titles = map(title, behind(name).slides)
        return next(t for t in titles if t.startswith("Failures ") and "fast" in t)

    assert found("differs").startswith("Failures came 3.2 times as fast (2.2 to 4.7)")
    assert found("cannot_tell").startswith("Failures may have come anywhere from 0.65 to 2.6 times as fast")


def test_two_ratios_stand_under_the_groups_and_take_no_slide_of_their_own() -> None:
    released = release(samples.differs())
    main = released.comparisons[0]
    few = dataclasses.replace(main, estimates=main.estimates[:2])
    for c, slides in ((main, 1), (few, 0)):
        deck = opened(appendix.render(dataclasses.replace(released, comparisons=(c,))))
        headed = [s for s in deck.slides if "Hazard ratio" in texts(s)]
        assert len(headed) == slides
    counted = next(s for s in deck.slides if title(s) == words_shared.counted_title(few))
    said = " ".join(texts(counted))
    assert f"{words_shared.model_title(few)}." in said
    for e in few.estimates:
        assert f": ratio {e.hazard_ratio:g} ({e.low:g} to {e.high:g})." in said


def test_letters_and_numbers_that_are_not_shown_are_accounted_for_on_their_slide() -> None:
    released = release(samples.differs())
    hidden = {"in_place": None, "low": None, "high": None}
    rates = tuple(
        dataclasses.replace(t, rows=(dataclasses.replace(t.rows[0], **hidden), *t.rows[1:])) for t in released.rates
    )
    deck = opened(appendix.render(dataclasses.replace(released, rates=rates)))
    by_clinician = [s for s in deck.slides if "from clinician to clinician" in title(s)]
    assert by_clinician
    assert all("Others, with the letters left out" in texts(s) for s in by_clinician)
    assert any(
        "Curves and numbers followed are shown from 11 failures on." in " ".join(texts(s)) for s in _both("differs")
    )


def test_names_at_the_ends_of_curves_never_touch() -> None:
    assert fit.apart([(1.0, 0.5), (1.1, 0.5), (4.0, 0.5)], 0.0, 5.0) == [1.0, 1.5, 4.0]
    assert fit.apart([(4.4, 0.5), (4.6, 0.5)], 0.0, 5.0) == [4.0, 4.5]  # the lowest stays in the room
    assert fit.apart([(0.0, 3.0), (0.0, 3.0)], 0.0, 5.0) == [0.0, 3.0]  # more than the room holds
    assert fit.apart([], 0.0, 5.0) == []


def test_what_is_settled_and_what_is_open_stand_apart_in_the_appendix() -> None:
    """Each slide of technique comparisons says in its title which verdict its rows have, or why none, and how many."""
    released = release(samples.differs())
    asked = next(a for a in released.techniques.answers if a.contrasts)
    codes = (("cannot_tell", ""), ("differs", ""), ("cannot_tell", "one_way"), ("little_difference", ""))
    contrasts = tuple(dataclasses.replace(asked.contrasts[0], verdict_code=code, why=why) for code, why in codes)
    techniques = dataclasses.replace(released.techniques, answers=(dataclasses.replace(asked, contrasts=contrasts),))
    slides = opened(appendix.render(dataclasses.replace(released, techniques=techniques))).slides
    tables = {
        title(s): next(x.table for x in s.shapes if x.has_table) for s in slides if any(x.has_table for x in s.shapes)
    }
    found = {t: len(table.rows) - 1 for t, table in tables.items() if t.endswith("technique comparisons")}
    why = words_technique.WHY["cannot_tell"]
    assert found == {
        f"{terms.verdict('cannot_tell')} ({why}) in 1 of 4 technique comparisons": 1,
        "Not separable (each clinician mostly works one way) in 1 of 4 technique comparisons": 1,
        f"{terms.verdict('differs')} in 1 of 4 technique comparisons": 1,
        f"{terms.verdict('little_difference')} in 1 of 4 technique comparisons": 1,
    }


def test_rows_over_several_slides_are_shared_out_evenly() -> None:
    assert [len(p) for p in fit.pages([1.0] * 19, 9.0)] == [7, 7, 5]
    assert [len(p) for p in fit.pages([1.0] * 10, 9.0)] == [5, 5]
    assert [len(p) for p in fit.pages([20.0, 1.0], 9.0)] == [1, 1]
    assert fit.pages([], 9.0) == []
