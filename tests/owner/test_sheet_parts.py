"""Early signs, trust, published figures, signals, what to do, choosers: each by hand."""

import datetime as dt
import itertools
import math
from dataclasses import replace

import polars as pl
import pytest
from practices_over_time import CUTOFF, drawn_teeth

from pipeline.practice.outcomes import ENDO_FAILURE
from pipeline.questions.analysis import Analysis
from pipeline.questions.owner.filters import ALL, bands, filters_of
from pipeline.questions.owner.over_time import early_rows, pooled_years
from pipeline.questions.owner.published import beside_published, change_of, published_range
from pipeline.questions.owner.to_do import Waiting, cases_behind, recent_by_chance, signal_cases, to_do
from pipeline.questions.owner.trust import trust_of, worst
from pipeline.release.disclosure import SMALLEST
from pipeline.results import UnknownCode
from pipeline.results.monitoring import Benchmark, Monitoring, Running, RunningMonth
from pipeline.results.owner import Change, SignalCases, Stretch
from pipeline.stats.kaplan_meier import kaplan_meier

ASKED = Analysis(min_at_risk=10, min_failures=5, smallest_difference_per_100=5.0, horizon_years=5, confidence=0.95)


# Early signs.


@pytest.mark.parametrize(
    ("counts", "lines"),
    [
        ({2020: 60, 2021: 55, 2022: 70}, [(2020, 2020), (2021, 2021), (2022, 2022)]),
        ({2020: 60, 2021: 20, 2022: 40}, [(2020, 2020), (2021, 2022)]),  # from the latest back
        ({2018: 10, 2020: 60, 2022: 5}, [(2018, 2022)]),  # a year without a tooth lies between
        ({2018: 10, 2019: 20, 2020: 60}, [(2018, 2020)]),  # what is left over joins the first line
        ({2020: 3}, [(2020, 2020)]),
        ({}, []),
    ],
)
def test_small_years_are_taken_together(counts, lines):
    assert pooled_years([y for y, n in counts.items() for _ in range(n)]) == lines


def test_early_signs_stop_where_nobody_is_followed_so_long():
    rows = early_rows(drawn_teeth(2, patients=1500), cutoff=CUTOFF, asked=ASKED)
    assert [r.name for r in rows][-3:] == ["2022", "2023", "2024"]
    told = {r.name: [s.survival is not None for s in r.at] for r in rows}
    assert told["2024"] == [False, False]
    assert told["2023"][1] is False
    assert told["2021"] == [True, True]
    assert all(s.followed <= s.teeth and s.failures <= s.teeth for r in rows for s in r.at)


# Trust.


def rate(low: float, high: float) -> Stretch:
    return Stretch("2010-01-01", "2024-12-31", 100, 100, 10, 5.0, 50, (low + high) / 2, low, high)


def graded(teeth: pl.DataFrame, *, low: float = 0.88, high: float = 0.92, read: int = 1000, aside: int = 0):
    found = trust_of(teeth, rate(low, high), cutoff=CUTOFF, read=read, set_aside=aside, asked=ASKED)
    return found.grade, {m.name: (round(m.share, 3), m.grade) for m in found.measured}


def followed(days: list[int], **columns: list[bool]) -> pl.DataFrame:
    """Teeth begun ten years before the cut-off, followed for so many days."""
    n = len(days)
    plain = {name: [False] * n for name in ("event", "died", "guessed", "uncertain")} | columns
    return pl.DataFrame({"start": [dt.date(2014, 12, 31)] * n, "exit_days": days, **plain})


def test_a_figure_is_as_good_as_the_worst_that_it_hangs_on():
    whole = 1826  # five years
    assert graded(followed([whole] * 10)) == (
        "firm",
        {"followed": (1.0, "firm"), "set_aside": (0.0, "firm"), "day_guessed": (0.0, "firm"), "range": (0.02, "firm")},
    )
    # Four of ten were lost on the first day: 6/10 of what was possible is just enough for fair.
    grade, measured = graded(followed([0] * 4 + [whole] * 6))
    assert (grade, measured["followed"]) == ("fair", (0.6, "fair"))
    assert graded(followed([0] * 5 + [whole] * 5))[0] == "thin"
    assert graded(followed([whole] * 10), aside=11)[0] == "fair"
    assert graded(followed([whole] * 10), aside=51)[0] == "thin"
    assert graded(followed([whole] * 10, guessed=[True] * 2 + [False] * 8))[0] == "fair"
    assert graded(followed([whole] * 10, uncertain=[True] + [False] * 9))[1]["order_uncertain"] == (0.1, "fair")
    assert graded(followed([whole] * 10), low=0.80, high=0.92)[0] == "fair"
    assert graded(followed([whole] * 10), low=0.70, high=0.92)[0] == "thin"


def test_who_failed_or_died_was_followed_as_far_as_could_be():
    found = graded(followed([100, 200, 1826], event=[True, False, False], died=[False, True, False]))[1]
    assert found["followed"] == (1.0, "firm")


def test_the_worst_grade():
    assert [worst(g) for g in (["firm", "thin", "fair"], ["fair", "firm"], [])] == ["thin", "fair", "firm"]


# Published figures.


PUBLISHED = Benchmark(
    benchmark_id="x", outcome="root_canal_failure", event="endo_intervention", start="endo_completion",
    clock="fixed_time",
    censoring="last_contact", teeth="all_endo", definition="", population="", tooth_type="", timing="5", figure="92",
    n=1000, citation="Someone A. 2016. J", doi="", seen_where="", note="", horizon_years=5.0, published=0.92,
    published_low=None, published_high=None, comparable=True, disagrees=(), reasons=(), our_teeth=500, ours=0.87,
    ours_low=0.85, ours_high=0.89, our_failures=50, our_tooth_years=2000.0,
)  # fmt: skip


def test_ours_beside_a_published_figure_by_hand():
    found = change_of((0.90, 0.87, 0.93), (0.94, 0.92, 0.95), Change("", "", 5.0))
    # 4 more failed here; the distances are those of a right angle: 0.03 and 0.02 down, 0.03 and 0.01 up.
    assert found.per_100 == pytest.approx(4.0)
    assert found.ci_low == pytest.approx(4 - 100 * (0.03**2 + 0.02**2) ** 0.5)
    assert found.ci_high == pytest.approx(4 + 100 * (0.03**2 + 0.01**2) ** 0.5)
    assert found.verdict == "worse"


def test_wilsons_range_as_published():
    # Wilson's interval for 81 of 263, Newcombe RG, Stat Med 1998;17:857-872, table I: 0.2553 to 0.3662.
    assert published_range(81 / 263, None, None, 263, confidence=0.95) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert published_range(0.9, 0.85, 0.94, 263, confidence=0.95) == (0.85, 0.94)
    assert published_range(0.9, None, None, None, confidence=0.95) is None


def test_only_figures_that_count_as_we_do_stand_beside_ours():
    def told(**changes: object) -> list[str]:
        found = beside_published([replace(PUBLISHED, **changes)], outcome=ENDO_FAILURE, asked=ASKED)  # type: ignore[arg-type]
        return [p.change.verdict for p in found]

    assert told() == ["worse"]
    assert told(ours=0.93, ours_low=0.91, ours_high=0.95) == ["same"]
    assert told(ours=0.90, ours_low=0.80, ours_high=0.95) == ["cannot_tell"]
    assert told(our_failures=4) == ["cannot_tell"]
    assert told(comparable=False) == told(event="tooth_lost") == told(start="crown_seat") == []


def test_the_figure_nearest_to_the_horizon_comes_first():
    three = [replace(PUBLISHED, benchmark_id=str(y), horizon_years=y) for y in (10.0, 1.0, 6.0)]
    found = beside_published(three, outcome=ENDO_FAILURE, asked=ASKED)
    assert [p.years for p in found] == [6.0, 1.0, 10.0]


# Signals.


def chart(name: str, months: list[tuple[str, int, float, float, bool]]) -> Running:
    made = tuple(RunningMonth(m, o, e, 0.0, c, s) for m, o, e, c, s in months)
    return Running(name, made, 1.0, 2.0, 1.5, 20.0, 10.0, 0.5, 1.0, 30.0)


def watched(*charts: Running) -> list[Monitoring]:
    return [Monitoring("crown_survival", 100, 30, (), (), None, charts, None, 20)]


MONTHS = [
    ("2023-10", 2, 1.0, 0.4, False),
    ("2023-11", 0, 1.0, 0.0, False),
    ("2023-12", 3, 1.0, 1.1, False),
    ("2024-01", 2, 1.0, 1.6, True),
    ("2024-02", 3, 1.0, 1.7, True),
    ("2024-03", 0, 1.0, 0.0, False),
]


def test_a_signal_counts_from_where_the_watch_last_stood_at_nothing():
    found = signal_cases(watched(chart("AR2", MONTHS)), cutoff=dt.date(2024, 12, 31))
    assert [(s.since, s.month, s.failed, s.expected) for s in found] == [
        ("2024-02", "2024-02", 3, 1.0),  # after a signal the watch starts again
        ("2023-12", "2024-01", 5, 2.0),
    ]


@pytest.mark.parametrize(("cutoff", "recent"), [(dt.date(2025, 12, 31), True), (dt.date(2026, 1, 1), False)])
def test_a_signal_is_recent_for_two_years(cutoff, recent):
    assert [s.recent for s in signal_cases(watched(chart("all", MONTHS[:4])), cutoff=cutoff)] == [recent]


def test_chance_alone_brings_a_recent_signal_to_some_practices():
    """Two years of a chart set to one false signal in 20 years have 0.1 of them, two charts 0.2: exp(-0.2) none."""
    long = [(f"20{y}-{m:02}", 0, 1.0, 0.0, False) for y in range(20, 25) for m in range(1, 13)]
    charts = [chart("all", long), chart("AR1", long)]
    assert recent_by_chance(charts) == pytest.approx(1 - math.exp(-0.2))
    assert recent_by_chance([chart("all", long[:12])]) == pytest.approx(1 - math.exp(-0.05))
    assert recent_by_chance([replace(charts[0], false_alarm_years=120.0)]) == pytest.approx(1 - math.exp(-1 / 60))
    assert recent_by_chance([]) == 0


def test_the_cases_behind_a_signal_are_those_that_failed_in_its_months():
    rows = pl.DataFrame(
        {
            "id": ["a", "b", "c", "d", "e"],
            "provider_id": ["AR2", "AR2", "AR2", "AR1", "AR2"],
            "start": [dt.date(2023, 11, 1)] * 5,
            "exit_days": [30, 91, 92, 60, 60],  # 1 December, 31 January, 1 February
            "event": [True, True, True, True, False],
        }
    )
    signal = SignalCases("crown_survival", "AR2", "2023-12", "2024-01", 2, 1.0, 2.0, 20.0, True)
    assert cases_behind(rows, signal)["id"].to_list() == ["a", "b"]
    assert cases_behind(rows, replace(signal, who="all"))["id"].to_list() == ["a", "d", "b"]


# What to do.


_DUE = {"not_seen_for_long": pl.Boolean()}


def waiting(*, reviews: int = 0, hints: int = 0, mend: int = 0, codes: list[UnknownCode] | None = None) -> Waiting:
    due = pl.DataFrame({"not_seen_for_long": [True] * min(reviews, 1) + [False] * max(reviews - 1, 0)}, schema=_DUE)
    asked = pl.DataFrame({"patient_id": [*range(hints), *range(hints)], "tooth_fdi": [11] * (2 * hints)})
    return Waiting(due, asked, mend, 1000, codes or [], 200)


def signal_of(*, recent: bool) -> SignalCases:
    return SignalCases("crown_survival", "all", "2024-01", "2024-02", 7, 2.0, 2.0, 20.0, recent)


def test_what_concerns_patients_comes_first_then_the_largest_number():
    found = to_do(waiting(reviews=3, hints=9, mend=40), [signal_of(recent=True)], behind=7)
    assert [(t.what, t.count) for t in found] == [("signals", 7), ("reviews", 3), ("mend", 40), ("ask", 9)]
    assert found[1].long_not_seen == 1


def test_nothing_is_invented_where_there_is_nothing_to_do():
    assert to_do(waiting(), [signal_of(recent=False)], behind=0) == ()
    assert to_do(replace(waiting(), reviews=None), [], behind=0) == ()


def test_a_code_that_no_tooth_has_waits_for_nothing():
    codes = [UnknownCode("FEE", 5000, 0), UnknownCode("X1", 12, 10)]
    assert [(t.what, t.count, t.of) for t in to_do(waiting(codes=codes), [], behind=0)] == [("codes", 12, 1)]


# Choosers.


def test_stretches_of_years_for_the_chooser():
    assert bands(CUTOFF, 2019) == [("2020 to 2024", 2020, 2024), ("2019", 2019, 2019)]
    assert [b[0] for b in bands(CUTOFF, 1999)] == ["2020 to 2024", "2015 to 2019", "2010 to 2014", "1999 to 2009"]
    assert bands(CUTOFF, 2024) == [("2024", 2024, 2024)]


def chosen(seed: int = 4, **changes: object):
    teeth = drawn_teeth(seed, patients=250).with_columns(**changes)  # type: ignore[arg-type]
    return teeth, filters_of({"crown_survival": teeth}, cutoff=CUTOFF, asked=ASKED, fewest=SMALLEST)


def test_every_combination_is_the_curve_of_its_teeth():
    teeth, found = chosen()
    assert [c.field for c in found.choices] == ["provider_id", "tooth_group", "years"]  # one clinic is no choice
    by = {p.chosen: p for p in found.parts}
    clinician, group = found.choices[0].options.index("C1"), found.choices[1].options.index("molar")
    part = by[clinician, group, 0]
    mine = teeth.filter(pl.col("provider_id") == "C1", pl.col("tooth_group") == "molar")
    assert (part.teeth, part.patients, part.failures) == (
        mine.height,
        mine["patient_id"].n_unique(),
        mine["event"].sum(),
    )
    at = kaplan_meier(mine["exit_days"], mine["event"], cluster=mine["patient_id"]).at([365, 1826])
    assert [part.survival[0], part.survival[4]] == pytest.approx(list(at.survival), abs=5e-5)
    assert [part.ci_low[0], part.ci_low[4]] == pytest.approx(list(at.low), abs=5e-5)


def test_small_groups_have_no_figure_and_thin_ends_no_curve():
    teeth, found = chosen()
    assert min(p.teeth for p in found.parts) >= SMALLEST
    shown = {p.chosen for p in found.parts}
    for place in itertools.product(*(range(len(c.options)) for c in found.choices)):
        rows = teeth
        for choice, option in zip(found.choices, place, strict=True):
            if option and choice.field != "years":
                rows = rows.filter(pl.col(choice.field) == choice.options[option])
            elif option:
                first, last = (int(y) for y in choice.options[option].split(" to "))
                rows = rows.filter(pl.col("start").dt.year().is_between(first, last))
        assert (place in shown) == (rows.height >= SMALLEST)
    assert all(n >= ASKED.min_at_risk for p in found.parts for n in p.followed)


def test_choosers_stand_in_order_of_name_and_say_all_first():
    _, found = chosen(provider_id=pl.lit("Z"))
    assert [c.field for c in found.choices] == ["tooth_group", "years"]  # one clinician is no choice
    _, found = chosen()
    assert found.choices[0].options == (ALL, "C0", "C1", "C2")
    assert found.choices[1].options == (ALL, "premolar", "molar")


def test_too_many_combinations_leave_out_the_longest_chooser():
    many = pl.Series([f"P{i:03}" for i in range(200)])
    teeth = drawn_teeth(4, patients=250)
    named = teeth.with_columns(provider_id=many.gather(pl.Series(range(teeth.height)) % 200))
    found = filters_of({"crown_survival": named}, cutoff=CUTOFF, asked=ASKED, fewest=SMALLEST)
    assert found.left_out == ("provider_id",)
    assert [c.field for c in found.choices] == ["tooth_group", "years"]
