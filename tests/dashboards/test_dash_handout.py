"""The handout: an abstract, a flow, Table 1 and the sources, from released figures alone."""

import dataclasses
import datetime as dt
import re

import pytest
import sample_results as samples
from plain_gate import plain_gate
from read_page import plain

from dashboards import terms
from dashboards.pages import handout
from dashboards.release.released import release
from dashboards.talk import words
from dashboards.words import shared as words_shared
from pipeline.practice.talk import Talk
from pipeline.results import BalanceRow, Results


def _with_table1() -> Results:
    results = samples.differs()
    main = results.comparisons[0]
    assert main.robustness is not None
    balance = (
        BalanceRow("age_at_seat", "age", 0.2, None, 54.4, 51.5),
        BalanceRow("sex_female", "sex: female", 0.1, None, 0.55, 0.487),
        BalanceRow("sex_male", "sex: male", 0.1, None, 0.45, 0.513),
    )
    main = dataclasses.replace(main, robustness=dataclasses.replace(main.robustness, balance=balance))
    return dataclasses.replace(results, comparisons=(main, *results.comparisons[1:]))


def test_the_abstract_says_what_the_slides_say() -> None:
    released = release(_with_table1())
    c = released.comparisons[0]
    told = dict(handout.abstract(released))
    assert words_shared.curves(c) in told["Findings"]
    assert words_shared.result(c) in told["Findings"]
    assert words_shared.choices(c) in told["How sure"]
    page = plain(handout.render(released))
    assert all(text in page for text in told.values())
    first, done = handout.answers(released, c.question).given
    said = words_shared.verdict(c).removesuffix(" in these records")  # which the verdict's own word says
    assert (first.says, first.asked, first.code) == (f"{said}.", "", c.verdict_code)
    assert f"{words.action(released)[0]}.".lower().endswith(f": {done.says.lower()}")
    assert handout.answers(released, "Crowns that last").given[0].asked == c.question


def test_the_last_box_of_the_flow_is_the_sum_of_the_groups() -> None:
    released = release(_with_table1())
    last = released.methods.flow[-1][1].value
    sizes = [g.crowns.value for g in released.comparisons[0].groups]
    assert last is not None
    assert abs(last - sum(n for n in sizes if n is not None)) <= 4 * (len(sizes) + 1)  # each may be off by 4


def test_table_1_tells_age_and_sex_by_group(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dashboards.release.released.gate_of", lambda results: plain_gate())
    c = release(_with_table1()).comparisons[0]
    table = handout.table1(c)
    groups = {g.name: g for g in c.groups}
    assert table.heads[1:] == (groups["before_seat"].label, groups["through_crown"].label)
    rows = {name: cells for name, *cells in table.rows}
    assert rows["Crowns, number"] == ["900", "640"]
    assert rows["Age at the seat, mean in years"] == ["52", "54"]
    assert rows["Sex: female"] == ["49 %", "55 %"]


def test_flow_sources_citation_and_cautions_stand_on_it() -> None:
    released = release(_with_table1())
    page = handout.render(released, Talk(speaker="Dr Ashby"), day=dt.date(2026, 11, 29))
    text = plain(page)
    assert all(step in text and str(n) in text for step, n in released.methods.flow)
    assert all(str(r) in text for r in words_shared.references(released))
    assert "Dr Ashby" in text
    assert "on 29 November 2026" in text
    assert all(caution.replace("'", "&#39;") in page or caution in text for caution in terms.CAUTIONS)
    assert "memory" not in text.lower()


@pytest.mark.parametrize("name", samples.few_at_once("empty_practice", "too_early", "hostile"))
def test_every_practice_has_one_without_scripts_or_connections(name: str) -> None:
    page = handout.render(release(samples.all_variants()[name]))
    assert "<script" not in page
    assert not re.findall(r'(?:src|href)="(?!#|[\w-]+\.(?:html|pptx)")[^"]*"', page)
    assert "What we would do" in page


def test_no_long_sentence_stands_twice() -> None:
    text = plain(handout.render(release(_with_table1())))
    sentences = [s.strip() for s in re.split(r"(?<=[.?!])\s+|\n", text) if len(s.split()) > 7]
    assert [s for s in set(sentences) if sentences.count(s) > 1] == []
