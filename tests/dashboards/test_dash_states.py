"""States of crowns on the pages: the picture, the sentence and the tables hold the figures of the results."""

import dataclasses
import json
import re

import pytest
import sample_results as samples

from dashboards.charts.areas import state_areas
from dashboards.pages import crowns
from dashboards.results_json import results_json
from dashboards.words import states as words_states
from pipeline.results import Results, from_plain, to_plain

RESULTS = samples.differs()
STATES = RESULTS.states


def text_of(page: str) -> str:
    body = re.sub(r"<(script|style).*?</\1>", "", page, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


def test_the_sentence_sums_to_100_and_stands_on_the_page():
    said = words_states.states_headline(STATES)
    # 78.5, 9 and 12.5: the half goes to the first.
    assert said == (
        "Of 100 crowns seated on a living tooth, after 10 years 79 are in place and unopened, 9 are opened and in "
        "place, and 12 have failed."
    )
    page = text_of(crowns.render(RESULTS))
    assert said in page
    assert "Earlier, in the same order: after 1 year 98, 1 and 1; after 5 years 89, 5 and 6." in page


def test_one_crown_is_and_late_starts_and_early_ends_are_said():
    point = dataclasses.replace(STATES.points[4], share=(0.98, 0.01, 0.01))
    late = dataclasses.replace(STATES, points=(point,), told=(1.0,), starts_at_days=91, stops_early=True)
    assert words_states.states_headline(late) == (
        "Of 100 crowns in place and unopened 3 months after the seat, after 1 year 98 are in place and unopened, 1 is "
        "opened and in place, and 1 has failed."
    )
    assert "Counted from 3 months after the seat" in words_states.states_definition(late)
    assert "stops where too few" in words_states.states_definition(late)
    assert "Too few crowns" in words_states.states_headline(dataclasses.replace(STATES, told=()))


def test_the_areas_fill_100_and_differ_without_colour():
    chart = state_areas(STATES, id="a", label="b")
    traces = chart.spec["data"]
    assert [sum(v) for v in zip(*(t["y"] for t in traces), strict=True)] == pytest.approx([100] * len(STATES.points))
    assert len({json.dumps(t["fillpattern"]["shape"]) for t in traces}) == 3
    named = [a["text"] for a in chart.spec["layout"]["annotations"]]
    assert named == ["Unopened: 79", "Opened: 9", "Failed: 12"]
    places = [a["y"] for a in chart.spec["layout"]["annotations"]]
    assert places == sorted(places)
    assert places[-1] < 100
    assert len(chart.sheet.rows) == 3 * len(STATES.points)
    assert state_areas(dataclasses.replace(STATES, points=STATES.points[:1]), id="a", label="b") is None


def test_the_tables_hold_what_is_followed_and_the_ranges():
    followed = crowns.followed_table(STATES)
    assert followed.heads[1:] == tuple(str(y) for y in range(11))
    assert [int(n.replace(",", "")) for n in followed.rows[1][1:]] == [p.followed[1] for p in STATES.points[::4]]
    for row in crowns.states_table(STATES).rows:
        assert sum(int(cell.split()[0]) for cell in row[1:]) == 100


def test_machines_get_the_same_figures_and_nothing_where_there_is_none():
    found = json.loads(json.dumps(results_json(RESULTS)))["crown_states"]
    assert found["per_100"][-1] == {"years": 10, "vital": 79, "opened": 9, "lost": 12}
    assert found["points"][4]["share"] == list(STATES.points[4].share)
    assert from_plain(Results, to_plain(RESULTS)).states == STATES
    none = dataclasses.replace(RESULTS, states=None)
    assert results_json(none)["crown_states"] is None
    assert words_states.TITLE not in crowns.render(none)
