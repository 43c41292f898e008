"""The talk: a story of at most twelve slides within its minutes, whose every number was released."""

import dataclasses
import datetime as dt
import html
import re
from typing import Any

import pytest
import sample_results as samples
from decks import notes, opened, outline, plot_of, talk, texts, title
from pptx.dml.color import RGBColor
from pptx.enum.dml import MSO_LINE
from pptx.enum.shapes import MSO_SHAPE_TYPE
from pptx.oxml.ns import qn

from dashboards import theme
from dashboards.answers import words as words_in
from dashboards.pages import study_club
from dashboards.release.released import Released, release
from dashboards.talk import appendix, story, words
from dashboards.talk.notes import shared_out
from dashboards.words import shared as words_shared
from pipeline.practice.talk import COLOURS, MOST_SLIDES, SLIDES, USUAL, Talk
from pipeline.results import to_plain
from pipeline.results.methods import REMEMBERED
from pipeline.results.references import REFERENCES

MOST_WORDS = 130  # on one slide, with what stands in its tables and drawings
ODD = ("too_early", "one_of_each", "empty_practice", "no_technique_data")
NAMES = samples.few_at_once("differs", *ODD)


def _made(released: Released, **choices: Any) -> Any:
    return opened(story.render(released, Talk(**choices)))


def test_the_names_that_can_be_chosen_are_the_slides_of_the_story() -> None:
    assert [s.id for s in story.STORY] == list(SLIDES)
    assert all(s.words == SLIDES[s.id].words for s in story.STORY)
    assert sum(SLIDES[name].weight for name in USUAL) == 40  # half minutes: 20 minutes without any change


@pytest.mark.parametrize("name", NAMES)
def test_at_most_twelve_slides_with_few_words(name: str) -> None:
    deck = talk(name)
    assert 6 <= len(deck.slides) <= MOST_SLIDES
    for slide in deck.slides:
        said = sum(words_in(t) for t in texts(slide))
        assert said <= MOST_WORDS, (title(slide), said)
        assert words_in(title(slide)) <= 26, title(slide)


def test_the_story_is_told_in_its_order() -> None:
    titles = [title(s) for s in talk("differs").slides]
    c = release(samples.differs()).comparisons[0]
    assert len(titles) == len(USUAL)
    assert titles[0] == c.question
    assert titles[2] == words.trap_title(c)
    assert titles[4] == words_shared.curves_title(c)
    assert titles[5] == words_shared.verdict(c)
    assert titles[6].startswith("With waiting perhaps")
    assert titles[8] == words.action(release(samples.differs()))[0]
    assert "not advice" in titles[9]


def _numbers(value: Any) -> set[str]:
    """Every number of a released result, as text; also those within its texts."""
    if isinstance(value, dict):
        return set().union(*(_numbers(v) for v in value.values()), *(_numbers(k) for k in value))
    if isinstance(value, list | tuple):
        return set().union(*map(_numbers, value)) if value else set()
    if isinstance(value, bool) or value is None:
        return set()
    if isinstance(value, int | float):
        return {f"{abs(value):g}"}
    return set(re.findall(r"\d+(?:\.\d+)?", str(value)))


@pytest.mark.parametrize("name", NAMES)
def test_every_number_on_a_slide_was_released(name: str) -> None:
    released = release(samples.all_variants()[name])
    known = _numbers(to_plain(released)) | _numbers([str(r) for r in words_shared.references(released)])
    # Of 100; 95 % ranges; the scale of ranges, in fives; years of follow-up from whole months; how many there are.
    known |= {"100", "95", "0"} | {f"{5 * n}" for n in range(1, 21)}
    known |= {f"{round(f.median_months / 12, 1):g}" for f in released.methods.followup if f.median_months}
    known |= {f"{n}" for n in (len(words_shared.references(released)), len(released.techniques.contrasts))}
    known |= {f"{sum(c.verdict_code == 'differs' for c in released.techniques.contrasts)}"}
    years = {f"{y}" for y in range(11)}
    for slide in talk(name).slides:
        told = set(re.findall(r"\d+(?:\.\d+)?", " ".join(texts(slide)).replace(",", "")))
        charts = [s.chart for s in slide.shapes if s.has_chart]
        values = {f"{v:g}" for c in charts for p in c.plots for s in p.series for v in s.values if v is not None}
        assert told - known - (years if charts else set()) == set(), title(slide)
        assert values - known == set(), title(slide)


def test_the_curve_on_the_slide_is_the_released_curve_with_its_band_and_those_followed() -> None:
    c = release(samples.differs()).comparisons[0]
    slide = next(s for s in talk("differs").slides if title(s) == words_shared.curves_title(c))
    chart = next(s.chart for s in slide.shapes if s.has_chart)
    months = [int(m) for m in chart.plots[0].categories]
    assert months == list(range(0, 121, 6))
    for series, group in zip(chart.plots[0].series, c.groups, strict=True):
        points = [group.at(m) for m in months]
        assert list(series.values) == [None if p is None else p.failed for p in points]
    table = next(s.table for s in slide.shapes if s.has_table)
    head, *rows = [[cell.text for cell in row.cells] for row in table.rows]
    assert head[1:] == [f"{y}" for y in range(11)]
    for row, group in zip(rows, c.groups, strict=True):
        followed = [str(p.followed) if (p := group.at(12 * y)) else "–" for y in range(11)]
        assert row == [group.label, *followed]
    said = texts(slide)
    assert all(g.label in said for g in c.groups), "each curve is named beside its end"


def test_the_band_of_a_curve_reaches_from_its_lower_to_its_upper_end_at_each_half_year() -> None:
    c = release(samples.differs()).comparisons[0]
    slide = next(s for s in talk("differs").slides if title(s) == words_shared.curves_title(c))
    frame = next(s for s in slide.shapes if s.has_chart)
    left, top, width, height = plot_of(frame)
    most = frame.chart.value_axis.maximum_scale
    shapes = [s for s in slide.shapes if s.name.startswith("Band")]
    order = list(slide.shapes._spTree)
    assert len(shapes) == len(c.groups)
    assert all(order.index(s._element) < order.index(frame._element) for s in shapes), "lines lie upon the bands"
    for group, band in zip(c.groups, shapes, strict=True):
        corners = outline(band)
        for point in group.points:
            if point.months > 120:
                continue
            x = left + width * point.months / 120
            for end in (point.low, point.high):
                y = top + height * (1 - end / most)
                near = min(abs(a - x) + abs(b - y) for a, b in corners)
                assert near < 0.01, (group.name, point)
        assert max(a for a, _ in corners) <= left + width + 0.1
        lowest = top + height * (1 - min(p.low for p in group.points) / most)
        assert max(b for _, b in corners) <= lowest + 0.01, "no stub below the range"


def test_years_that_may_be_told_are_marks_with_bands_from_one_to_the_next() -> None:
    released = release(samples.differs())
    slide = _made(released, slides=("waiting", "limits")).slides[0]
    frame = next(s for s in slide.shapes if s.has_chart)
    told = [e for e in released.everyday if len(e.points) > 1]
    last = max(e.points[-1].years for e in told)
    assert [int(m) for m in frame.chart.plots[0].categories] == list(range(0, 12 * last + 1, 12))
    for series, e in zip(frame.chart.plots[0].series, told, strict=True):
        known = {p.years: p.of_100 for p in e.points}
        assert list(series.values) == [known.get(y) for y in range(last + 1)]
        assert series.marker.style is not None
    assert frame.chart._chartSpace.find(f".//{qn('c:dispBlanksAs')}").get("val") == "span"
    assert sum(s.name.startswith("Band") for s in slide.shapes) == len(told)


def test_numbers_followed_stand_under_their_year() -> None:
    slide = next(s for s in talk("differs").slides if any(x.has_chart and x.has_text_frame is False for x in s.shapes) and any(x.has_table for x in s.shapes))  # noqa: E501  # fmt: skip
    frame = next(s for s in slide.shapes if s.has_chart)
    table = next(s for s in slide.shapes if s.has_table)
    left, _, width, _ = (v * 914400 for v in plot_of(frame))
    columns = [c.width for c in table.table.columns]
    for year in range(11):
        middle = table.left + sum(columns[: year + 1]) + columns[year + 1] / 2
        assert abs(middle - (left + width * year / 10)) < 0.03 * 914400


@pytest.mark.parametrize("name", NAMES)
def test_timings_follow_one_another_and_fill_the_time(name: str) -> None:
    _timings(talk(name), "20:00")


def _timings(deck: Any, whole: str) -> None:
    before = "0:00"
    for slide in deck.slides:
        found = re.match(r"Time: ([\d.]+) minutes?, from (\d+:\d\d) to (\d+:\d\d) of (\d+:\d\d)\.", notes(slide))
        assert found is not None, title(slide)
        assert found[2] == before
        assert found[4] == whole
        before = found[3]
    assert before == whole


def test_the_notes_hold_twenty_minutes_of_talk_with_nothing_to_be_edited() -> None:
    """At some 100 words a minute, with time to look; no slide has more to say than can be said in its time."""
    whole = 0
    for slide in talk("differs").slides:
        minutes = float(notes(slide).partition("Time: ")[2].split()[0])
        said = words_in(_said(slide))
        assert 55 <= said / minutes <= 150, (title(slide), said, minutes)
        whole += said
    assert 1600 <= whole <= 2800


def _said(slide: Any) -> str:
    return notes(slide).partition("Say: ")[2].partition("\n\nDo not claim")[0]


@pytest.mark.parametrize("name", NAMES)
def test_what_is_said_is_whole_sentences_with_released_numbers(name: str) -> None:
    released = release(samples.all_variants()[name])
    known = _numbers(to_plain(released)) | {"100", "95", "0"}
    known |= {f"{round(f.median_months / 12, 1):g}" for f in released.methods.followup if f.median_months}
    known |= {f"{n}" for n in (len(words_shared.references(released)), len(released.techniques.contrasts))}
    known |= {f"{sum(c.verdict_code == 'differs' for c in released.techniques.contrasts)}"}
    known |= {f"{c.month // 12}" for c in released.comparisons}
    known |= {f"{p.months / 12:g}" for c in released.comparisons for g in c.groups for p in g.points}
    for slide in talk(name).slides:
        said = _said(slide)
        assert said.endswith((".", "?")), title(slide)
        assert not re.search(r"\.\.|\s\s|[({]\s*[)}]|Edit me|\bNone\b(?! of)", said), title(slide)
        assert set(re.findall(r"\d+(?:\.\d+)?", said.replace(",", ""))) - known == set(), title(slide)


def test_time_is_shared_out_by_weight_to_the_last_half_minute() -> None:
    assert shared_out([2, 4, 5, 4, 6, 4, 5, 4, 3, 2, 1], 40) == [2, 4, 5, 4, 6, 4, 5, 4, 3, 2, 1]
    assert shared_out([1, 1, 1], 10) == [4, 3, 3]
    assert shared_out([6, 1], 2) == [1, 1]
    for half in range(12, 120):
        given = shared_out([2, 4, 5, 4, 6, 4, 5, 4, 3, 2, 1], half)
        assert sum(given) == half
        assert min(given) >= 1


@pytest.mark.parametrize("name", NAMES)
def test_the_last_notes_hold_three_questions_with_answers(name: str) -> None:
    last = notes(talk(name).slides[-1]).partition("Likely questions:\n")[2]
    asked = re.findall(r"^\d\. .*\?", last, flags=re.M)
    answers = [line.partition("? ")[2] for line in last.splitlines()]
    assert len(asked) == 3
    assert all(len(a.split()) >= 8 for a in answers), answers
    assert sum("Likely questions" in notes(s) for s in talk(name).slides) == 1


def test_the_citation_names_version_and_day() -> None:
    released = release(samples.differs())
    day = dt.date(2026, 11, 29)
    deck = opened(story.render(released, Talk(speaker="Dr Ashby", title="Crowns that last"), day=day))
    cited = next(t for s in deck.slides for t in texts(s) if t.startswith("To cite:"))
    version = dict(released.methods.versions)["toothyears"]
    assert cited == (
        f"To cite: Dr Ashby. Crowns that last. Own records of one practice, 2006 to 2025. "
        f"Made with toothyears {version} on 29 November 2026."
    )
    chosen = Talk(speaker="Dr Ashby", title="Crowns that last")
    more = opened(appendix.render(released, chosen, day=day))
    assert any(cited in texts(s) for s in more.slides)
    assert cited in html.unescape(study_club.render(released, talk=chosen, day=day))
    assert deck.core_properties.author == "Dr Ashby"
    assert title(deck.slides[0]) == "Crowns that last"
    assert "Dr Ashby" in texts(deck.slides[0])


def test_slides_are_shown_in_the_order_that_was_chosen_in_the_time_given() -> None:
    released = release(samples.differs())
    deck = _made(released, slides=("waiting", "found", "kept", "trap", "limits"), minutes=7)
    c = released.comparisons[0]
    titles = [title(s) for s in deck.slides]
    assert titles[1] == words_shared.curves_title(c)
    assert titles[3] == words.trap_title(c)
    assert len(titles) == 5
    _timings(deck, "7:00")
    assert all(any(s.has_chart for s in slide.shapes) for slide in list(deck.slides)[:4])


def test_the_usual_colours_of_the_talk_are_those_of_the_pages() -> None:
    groups = ("before_seat", "through_crown", "vital")
    assert list(COLOURS.values()) == [theme.ACCENT, *(theme.look(name, 0).colour for name in groups)]


def test_chosen_colours_are_those_of_lines_names_and_theme() -> None:
    colours = {"accent": "#123456", "reference": "#1b5e20", "group": "#8b1a1a", "third": "#444444"}
    deck = _made(release(samples.differs()), colours=colours)
    found = next(s for s in deck.slides if any(x.name.startswith("Band") for x in s.shapes))
    chart = next(s.chart for s in found.shapes if s.has_chart)
    drawn = [f"#{s.format.line.color.rgb}".lower() for s in chart.plots[0].series]
    assert drawn == [colours["reference"], colours["group"], colours["third"]]
    part = next(p for p in deck.part.package.iter_parts() if str(p.partname).endswith("theme1.xml"))
    assert all(c[1:].upper() in part.blob.decode() for c in colours.values())


def test_the_trap_is_told_in_ratios_where_the_right_count_of_100_is_hidden() -> None:
    released = release(samples.differs())
    main = released.comparisons[0]
    assert main.naive is not None
    late = tuple(
        dataclasses.replace(g, points=tuple(p for p in g.points if p.months > 60)) if g.name == "through_crown" else g
        for g in main.groups
    )
    naive = dataclasses.replace(main.naive, hazard_ratio=0.7)
    c = dataclasses.replace(main, groups=late, naive=naive)
    slide = _made(dataclasses.replace(released, comparisons=(c,)), slides=("trap", "limits")).slides[0]
    found = words.ratios(c)
    assert found is not None
    assert found.wrong == 0.7
    assert title(slide) == words.ratios_title(c, found)
    # The clock is years since the seat in both; what differs is from when a crown is called opened.
    assert "if called opened from the seat on" in title(slide)
    assert "if only from the day of opening" in title(slide)
    said = texts(slide)
    assert "0.7 times as fast: misleading" in said
    assert f"{found.right:g} times as fast ({found.low:g} to {found.high:g})" in said
    assert not any(s.has_chart for s in slide.shapes)
    marks = [s for g in slide.shapes if g.shape_type == 6 for s in g.shapes if s.width == s.height]
    middle = next(s for s in (s for g in slide.shapes if g.shape_type == 6 for s in g.shapes) if s.width == 0)
    assert [m.left + m.width / 2 < middle.left for m in marks] == [True, found.right < 1]


def test_without_figures_the_trap_is_still_explained() -> None:
    for name in ODD[:3]:
        slide = next(s for s in talk(name).slides if title(s) == words.TRAP)
        assert any("still in place" in t for t in texts(slide))


def test_a_practice_without_opened_crowns_says_so() -> None:
    results = samples.differs()
    main = results.comparisons[0]
    bare = dataclasses.replace(
        main,
        groups=tuple(g for g in main.groups if g.name != "through_crown"),
        difference=None,
        naive=None,
        estimates=(),
    )
    deck = opened(story.render(release(dataclasses.replace(results, comparisons=(bare,)))))
    assert len(deck.slides) <= MOST_SLIDES
    said = [t for s in deck.slides for t in texts(s)]
    assert words.NONE_OPENED in said


def test_what_has_nothing_to_show_is_left_out_and_named() -> None:
    said = [t for s in talk("empty_practice").slides for t in texts(s)]
    named = next(t for t in said if t.startswith("Not answered by these records:"))
    assert SLIDES["hyperemic"].words in named
    assert SLIDES["technique"].words in named
    assert "No comparison can be shown from these records yet" in said


def test_a_technique_is_chosen_by_its_verdict_then_by_its_range() -> None:
    released = release(samples.differs())
    a = next(a for a in released.techniques.answers if a.contrasts)
    c = a.contrasts[0]
    little = dataclasses.replace(c, verdict_code="little_difference", per_100=0, low=-3, high=3)
    narrow = dataclasses.replace(c, verdict_code="cannot_tell", per_100=0, low=-2, high=2)
    vague = dataclasses.replace(little, label="Unspecified", low=-1, high=1)
    named = dataclasses.replace(c, verdict_code="differs", per_100=20, low=10, high=30)

    def chosen(*contrasts: Any) -> Any:
        answers = (dataclasses.replace(a, contrasts=contrasts),)
        told = dataclasses.replace(released.techniques, answers=answers)
        found = words.one_technique(dataclasses.replace(released, techniques=told))
        return found and found[1]

    assert chosen(narrow, little, vague, named) is named
    assert chosen(narrow, vague, little) is little
    assert chosen(vague, narrow) is narrow
    assert chosen() is None


def test_a_little_difference_of_a_technique_never_stands_alone_as_advice() -> None:
    released = release(samples.differs())
    a = next(a for a in released.techniques.answers if a.contrasts)
    little = dataclasses.replace(a.contrasts[0], verdict_code="little_difference", per_100=0, low=-3, high=3)
    assert "little difference, and no ground to change practice" in words.technique_title(a, little)


def test_figures_are_said_to_be_rounded_on_each_slide_and_in_the_first_note() -> None:
    for slide in talk("differs").slides:
        assert any("figures rounded to steps" in t for t in texts(slide, footer=True)), title(slide)
    assert words_shared.STEPS in notes(talk("differs").slides[0])
    limits = next(s for s in talk("differs").slides if "not advice" in title(s))
    assert words_shared.STEPS in texts(limits)


@pytest.mark.parametrize("name", samples.few_at_once("differs", "cannot_tell", "little_difference", "too_early"))
def test_what_we_would_do_is_a_reading_of_the_main_question(name: str) -> None:
    head, _ = words.action(release(samples.all_variants()[name]))
    # Without a comparison there is no outcome to name.
    assert head.startswith(("Our reading of how long crowns last: we would ", "Our reading: we would "))
    assert head.count(":") == 1
    slide = next(s for s in talk(name).slides if title(s) == head)
    assert "This is a reading and no figure" in notes(slide)
    bare = dataclasses.replace(release(samples.differs()), comparisons=())
    assert words.action(bare)[0].startswith("Our reading: we would go on recording")


def test_the_figure_that_opens_the_talk_has_its_range_beside_it() -> None:
    released = release(samples.differs())
    head, lines = words.why_it_matters(released)
    last = next(e for e in released.everyday if e.points and e.points[-1].low is not None).points[-1]
    assert f"about {last.of_100} had a root canal" in head
    assert head.endswith(f" ({last.low} to {last.high})")
    assert not [line for line in lines if "range of those" in line]


def test_a_citation_without_a_name_says_that_it_is_withheld() -> None:
    released = release(samples.differs())
    cited = words.citation(released, chosen="Crowns that last", speaker="", day=None)
    assert cited.startswith("One dental practice (name withheld). Crowns that last. ")


def test_a_range_that_leaves_out_zero_and_tells_nothing_says_why() -> None:
    c = next(c for c in release(samples.differs()).comparisons if c.difference is not None)
    assert c.difference is not None
    d = dataclasses.replace(c.difference, per_100=-4, low=-7, high=-1, adjusted=True)
    apart = dataclasses.replace(c, verdict_code="cannot_tell", difference=d)
    assert words_shared.verdict(apart) == (
        "We cannot tell yet: it could be 1 to 7 fewer failures per 100, adjusted, but chance is not ruled out"
    )
    assert words_shared.reach(apart).endswith(words_shared.NOT_BY_RANGE_ALONE)
    both = dataclasses.replace(apart, difference=dataclasses.replace(d, high=1, adjusted=False))
    assert words_shared.verdict(both) == "We cannot tell yet: it could be 7 fewer to 1 more failures per 100"
    assert words_shared.NOT_BY_RANGE_ALONE not in words_shared.reach(both)
    assert words_shared.NOT_BY_RANGE_ALONE not in words_shared.reach(dataclasses.replace(apart, verdict_code="differs"))


def test_references_are_short_on_the_slide_and_whole_in_the_list() -> None:
    assert REFERENCES[0].short == "Suissa S. Am J Epidemiol 2008;167:492-499"
    assert REFERENCES[-1].short == "Benchimol EI, Smeeth L, Guttmann A, et al. PLoS Med 2015;12:e1001885"
    assert not any(REMEMBERED in r.text for r in REFERENCES)


@pytest.mark.parametrize(("name", "is_open"), [("cannot_tell", True), ("differs", False)])
def test_the_mark_of_an_open_finding_is_hollow_and_its_line_dotted_as_on_the_pages(name: str, is_open: bool) -> None:
    verdict = words_shared.verdict(release(samples.all_variants()[name]).comparisons[0])
    slide = next(s for s in talk(name).slides if title(s) == verdict)
    (group,) = (s for s in slide.shapes if s.name == "Ranges")
    mark = next(s for s in group.shapes if "Diamond" in s.name)
    assert (mark.fill.fore_color.rgb == RGBColor(255, 255, 255)) == is_open
    dashes = {s.line.dash_style for s in group.shapes if s.shape_type == MSO_SHAPE_TYPE.LINE}
    assert (MSO_LINE.ROUND_DOT in dashes) == is_open
