"""The owner page's parts on clinicians, months, first years and published figures: words, tables and charts agree."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from dashboards import tables_owner
from dashboards.charts.benchmarks import author, benchmarks_chart
from dashboards.charts.monitoring import first_year_chart, funnel_chart, running_chart
from dashboards.pages import owner
from dashboards.words import owner as words_owner
from dashboards.words import signals as words_signals
from pipeline.results.monitoring import (
    Benchmark,
    FirstYear,
    FirstYearRow,
    Funnel,
    FunnelRow,
    Monitoring,
    Running,
    RunningMonth,
)
from pipeline.results.owner import Owner, SignalCases

LIMITS = (0.5, 1.6, 0.4, 2.1)
ROWS = (
    FunnelRow("Dr Ashby", 120, 90, 600.0, 9, 10.2, 0.88, *LIMITS, "within", 2, 0.72, 0.93, 0.6, 1.3),
    FunnelRow(
        "Dr Brandt", 130, 95, 640.0, 25, 11.4, 2.19, *LIMITS, "more_99_8", 2, 0.75, 1.82,
        1.15, 2.7,
    ),
    FunnelRow(
        "Dr <b>Cole</b>", 14, 12, 40.0, 1, 1.0, 1.0, None, None, None, None, "too_few", 2, None, 1.0, 0.5,
        1.9,
    ),
)  # fmt: skip
FUNNEL = Funnel(ROWS, 3, 5.0, 2.0, 1.17, 2, 0.0375)
MONTHS = tuple(
    RunningMonth(f"20{20 + i // 12}-{i % 12 + 1:02d}", o, 1.0, g, c, signal)
    for i, (o, g, c, signal) in enumerate(
        [(1, 0.0, 0.0, False)] * 12 + [(3, -2.0, 1.1, False), (4, -5.0, 2.9, True), (0, -4.0, 0.0, False)]
    )
)
RUNNING = Running("all", MONTHS, 12.0, 2.0, 2.75, 20.0, 6.4, 0.31, 1.0, 140.0)
QUARTERS = (
    FirstYearRow("2022 Q4", 40, 1, 0.025, 0.004, 0.16, 0.9, 0.0, 0.11, True, False),
    FirstYearRow("2023 Q1", 38, 7, 0.18, 0.09, 0.34, 0.9, 0.0, 0.11, True, True),
    FirstYearRow("2023 Q2", 41, 2, None, None, None, 0.4, None, None, False, False),
)
FIRST = FirstYear(QUARTERS, 0.1026, 365, 1, 7, 10, 5.0, False)
RUNS = (RUNNING, replace(RUNNING, name="Dr Ashby"))
WATCHED = Monitoring("crown_survival", 264, 35, ("age", "tooth group"), (), FUNNEL, RUNS, FIRST, 20)
SAME = Benchmark(
    benchmark_id="b1", outcome="root_canal_failure", event="endo_intervention", start="endo_completion",
    clock="fixed_time", censoring="kaplan_meier", teeth="initial_endo",
    definition="Time to retreatment, surgery or extraction", population="US insurer claims", tooth_type="all",
    timing="5", figure="92 % of teeth (KM)", n=487476, citation="Burry JC, Stover S. 2016. J Endod 42:702-705",
    doi="10.1/x", seen_where="seen (https://example.org)", note="A remark", horizon_years=5.0, published=0.92,
    published_low=None, published_high=None, comparable=True, disagrees=(), reasons=(),
    our_definition="First retreatment, surgery or extraction.", our_teeth=2829, ours=0.866, ours_low=0.85,
    ours_high=0.881,
)  # fmt: skip
OTHER = replace(
    SAME, comparable=False, ours=None, disagrees=("censoring", "teeth"), reasons=("a crude share", "only some kinds")
)
RATIO = replace(OTHER, definition="crown v none", disagrees=("measure",), reasons=("no share of teeth",))
HEALING = replace(OTHER, disagrees=("outcome", "event"), reasons=("is about healing", "counts findings"))
WAITING = replace(OTHER, definition="loss", disagrees=("ours",), reasons=("agrees, but too few",))


def numbers(text: str) -> list[float]:
    return [float(n) for n in re.findall(r"\d+(?:\.\d+)?", text)]


def test_each_clinician_has_a_sentence_with_the_numbers_of_the_table() -> None:
    table = tables_owner.funnel(WATCHED)
    assert table is not None
    assert [row[0] for row in table.rows] == [r.name for r in ROWS]
    for row, cells in zip(ROWS, table.rows, strict=True):
        text = words_owner.clinician_sentence(row, "crown", min_expected=5.0, times=2.0)
        assert numbers(text)[:3] == [row.observed, row.expected, row.teeth]
        assert [float(c) for c in (cells[4], cells[5], cells[1])] == [row.observed, row.expected, row.teeth]
    assert "1 failure where 1.0 was expected of 14 crowns: too few to judge" in text
    assert "about 72 times in 100" in words_owner.clinician_sentence(ROWS[0], "crown", min_expected=5.0, times=2.0)


def test_power_that_is_alike_is_said_once() -> None:
    assert not words_owner.power_of_all(FUNNEL)
    alike = replace(FUNNEL, rows=tuple(replace(r, notice_95=0.997 if r.notice_95 else None) for r in ROWS))
    once = "Twice as many failures as colleagues’ would be noticed more than 99 times in 100, in each who is judged."
    assert words_owner.power_of_all(alike) == once
    (part, *_) = owner._watch(replace(WATCHED, funnel=alike))
    assert part.more.count("noticed") == 1
    assert not any("noticed" in text for text in part.list)
    (part, *_) = owner._watch(WATCHED)
    assert sum("noticed" in text for text in part.list) == 2


def test_a_clinician_with_a_signal_is_told_of_it_beside_all_years() -> None:
    (part, *_) = owner._watch(WATCHED)
    assert "That is over all years; for a while failures came faster, with a signal in February 2021." in part.list[0]
    assert not any("for a while" in text for text in part.list[1:])


def test_a_signal_of_a_clinician_says_how_all_years_stand() -> None:
    signal = SignalCases("crown_survival", "Dr Ashby", "2021-01", "2021-02", 7, 2.0, 2.0, 20.0, True)
    assert words_signals.over_all_years(signal, Owner(), (WATCHED,)) == (
        "Over all years such a burst is diluted: 9 where 10.2 were expected, within what chance alone produces."
    )
    few = replace(signal, who="Dr <b>Cole</b>")
    other = replace(signal, outcome="endo_free_of_intervention")
    assert not words_signals.over_all_years(few, Owner(), (WATCHED,))
    assert not words_signals.over_all_years(other, Owner(), (WATCHED,))


def test_no_word_ranks_or_blames() -> None:
    said = " ".join(words_owner.clinician_sentence(r, "crown", min_expected=5.0, times=2.0) for r in ROWS)
    said += words_owner.funnel_note(FUNNEL)
    assert not re.search(r"\b(best|worst|rank|poor|underperform|significant)", said)
    assert "in about 4 of 100 such practices" in said
    assert "leaves out Dr Brandt, who stands outside" in said
    assert "most likely 182 of Dr Brandt (range 115 to 270)" in said
    assert "17 % above" in said
    assert "3 rows have no clinician" in said


def test_two_who_differ_are_named_together_and_neither_is_the_unusual_one() -> None:
    two = tuple(replace(r, standing="differ_95") for r in ROWS[:2])
    found = replace(FUNNEL, rows=two, not_recorded=0)
    note = words_owner.funnel_note(found)
    assert note.startswith("Dr Ashby and Dr Brandt differ from one another by more than chance alone")
    assert "the records cannot say which of the two is the unusual one" in note
    assert "leaves out" not in note
    said = [words_owner.clinician_sentence(r, "crown", min_expected=5.0, times=2.0) for r in two]
    assert all("further from the other than chance" in one for one in said)
    assert not words_owner.pair_sentence(FUNNEL)


def test_the_chart_of_clinicians_draws_hostile_names_as_text_and_small_clinicians_hollow() -> None:
    chart = funnel_chart(FUNNEL, id="f", label="x")
    assert chart is not None
    names = [a["text"] for a in chart.spec["layout"]["annotations"]]
    assert names == ["Dr Ashby", "Dr Brandt", "Dr &lt;b&gt;Cole&lt;/b&gt;"]
    dots = [t for t in chart.spec["data"] if t["mode"] == "markers"]
    assert sorted(x for d in dots for x in d["x"]) == [0.88, 1.0, 2.19]
    bars = [s for s in chart.spec["layout"]["shapes"] if s["type"] == "rect"]
    assert [(b["x0"], b["x1"]) for b in bars] == [(0.5, 1.6), (0.5, 1.6)]


def test_the_running_sentence_names_the_month_that_the_chart_marks() -> None:
    text = words_owner.running_sentence(RUNNING)
    assert "signalled in February 2021" in text
    assert "one false signal in 20 years" in text
    assert "12 expected failures a year" in text
    assert "about 31 times in 100" in text
    assert "after about 6 months" in text
    chart = running_chart(RUNNING, id="r", label="x")
    assert chart is not None
    (marks,) = (t for t in chart.spec["data"] if t["mode"] == "markers+text")
    assert marks["x"] == ["2021-02-01"]
    quiet = replace(RUNNING, months=tuple(replace(m, signal=False) for m in MONTHS))
    assert "At no time" in words_owner.running_sentence(quiet)
    assert "5.0 more than expected (February 2021)" in words_owner.running_read(RUNNING)
    assert sum(int(row[1]) for row in tables_owner.by_year(RUNNING).rows) == sum(m.observed for m in MONTHS)


def test_the_first_year_marks_what_is_outside_and_what_is_not_over() -> None:
    text = words_owner.first_year_sentence(FIRST, "crown", "seated")
    assert text.startswith("10.3 of 100 crowns failed within a year. 2023 Q1 (7 of 38) is outside")
    assert "2023 Q2 is not shown: not every crown seated then has had its year." in text
    marks = [row[-1] for row in tables_owner.first_year(FIRST, "crown").rows]
    assert marks == ["within", "outside", "year not over"]
    chart = first_year_chart(FIRST, id="y", label="x")
    assert chart is not None
    dots = chart.spec["data"][-1]
    assert dots["y"] == [pytest.approx(2.5), pytest.approx(18.0), None]


def test_a_published_figure_stands_beside_ours_with_both_definitions() -> None:
    intro = words_owner.benchmark_intro([SAME, OTHER, RATIO])
    assert intro.startswith("1 of 2 published shares of teeth that we have read has the same event")
    assert "count" not in intro
    assert "1 more counts as we do" in words_owner.benchmark_intro([SAME, WAITING])
    assert "2 more count as we do" in words_owner.benchmark_intro([SAME, WAITING, WAITING])
    sentence = words_owner.benchmark_sentence(SAME)
    assert (
        sentence
        == "By 5 years, retreatment, surgery or extraction: 13 of 100 here (range 12 to 15), 8 of 100 in Burry 2016."
    )
    (both,) = words_owner.definitions([SAME, replace(SAME, horizon_years=10.0), OTHER])
    assert both == (
        "Burry 2016. Counted there: time to retreatment, surgery or extraction. Where: US insurer claims. Counted "
        "here: first retreatment, surgery or extraction. A remark. Burry JC, Stover S. 2016. J Endod 42:702-705, "
        "doi 10.1/x."
    )
    table = tables_owner.beside_ours([SAME, OTHER])
    assert table is not None
    assert table.rows == (
        ("Burry 2016: retreatment, surgery or extraction", "5", "2,829", "487,476",
         "87 (85 to 88)", "92"),
    )  # fmt: skip
    rest = tables_owner.not_beside([SAME, RATIO, HEALING, OTHER, WAITING])
    assert rest is not None
    assert [row[-1] for row in rest.rows] == [
        "Agrees, but too few.", "A crude share; only some kinds.", "Is about healing.",
    ]  # fmt: skip
    assert rest.rows[1][1:3] == ("Time to retreatment, surgery or extraction", "US insurer claims")
    chart = benchmarks_chart([SAME, OTHER], id="b", label="x")
    assert chart is not None
    drawn = [t["x"][0] for t in chart.spec["data"] if t["mode"] == "markers"]
    assert drawn == [pytest.approx(13.4), pytest.approx(8.0)]
    assert author(replace(SAME, citation="Landys Boren D, Kvist T. 2015. J Endod")) == "Landys Boren 2015"
    assert author(replace(SAME, citation="Some University. 2020. Thesis 596")) == "Some University 2020"
    assert benchmarks_chart([OTHER], id="b", label="x") is None


def test_the_parts_stand_in_one_order_and_say_when_there_is_too_little() -> None:
    parts = owner._watch(WATCHED)
    assert [p.heading for p in parts] == [
        "Clinicians against colleagues", "Failures month by month", "The first year",
    ]  # fmt: skip
    assert len(parts[0].list) == 3
    assert parts[1].more_table is not None
    assert [row[0] for row in parts[1].more_table.rows] == ["Dr Ashby"]
    (little,) = owner._watch(replace(WATCHED, funnel=None, running=(), first_year=None, failures=1))
    assert little.text == (
        "Only 1 failure so far; from 20 on, clinicians and months can be set against what is expected."
    )


def test_a_practice_of_one_clinician_is_told_that_nobody_is_beside_them() -> None:
    parts = owner._watch(replace(WATCHED, funnel=None, running=(RUNNING,), failures=50))
    assert [p.heading for p in parts] == ["Clinicians", "Failures month by month", "The first year"]
    assert "no two clinicians" in parts[0].text


def test_a_first_year_without_limits_is_drawn_from_its_shares_alone() -> None:
    few = replace(FIRST, rows=tuple(replace(r, limit_low=None, limit_high=None) for r in FIRST.rows))
    chart = first_year_chart(few, id="y", label="x")
    assert chart is not None
