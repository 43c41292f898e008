"""Random effects against the published BCG vaccine trials and what the R package metafor gave for four cases.

Sources: tests/data/meta_analysis/SOURCES.md.
"""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.meta_analysis import Method, between_variance, leave_one_out, meta_analysis

RECORDED = json.loads(
    (Path(__file__).parents[1] / "data" / "meta_analysis" / "expected.json").read_text(encoding="utf-8")
)["cases"]
# Cases of tuberculosis and others, vaccinated and not: Colditz GA, et al. JAMA 1994;271:698-702, as laid out in the
# data set dat.bcg of the R package metafor.
BCG = (
    (4, 119, 11, 128),
    (6, 300, 29, 274),
    (3, 228, 11, 209),
    (62, 13536, 248, 12619),
    (33, 5036, 47, 5761),
    (180, 1361, 372, 1079),
    (8, 2537, 10, 619),
    (505, 87886, 499, 87892),
    (29, 7470, 45, 7232),
    (17, 1699, 65, 1600),
    (186, 50448, 141, 27197),
    (5, 2493, 3, 2338),
    (27, 16886, 29, 17825),
)
Y = [math.log(a / (a + b)) - math.log(c / (c + d)) for a, b, c, d in BCG]
SE = [math.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)) for a, b, c, d in BCG]
METHODS: tuple[Method, ...] = ("REML", "DL", "PM")
studies = st.lists(st.tuples(st.floats(-2, 2), st.floats(0.05, 1)), min_size=2, max_size=7)


def test_the_published_bcg_example_by_restricted_likelihood() -> None:
    # As metafor prints it: four decimals.
    found = meta_analysis(Y, SE)
    assert round(found.estimate, 4) == -0.7145
    assert round(found.std_error, 4) == 0.1798
    assert (round(found.normal_low, 4), round(found.normal_high, 4)) == (-1.0669, -0.3622)
    assert round(found.tau2, 4) == 0.3132
    assert (round(found.tau2_low, 4), round(found.tau2_high, 4)) == (0.1197, 1.1115)
    assert round(100 * found.i2, 2) == 92.22
    assert (round(100 * found.i2_low, 2), round(100 * found.i2_high, 2)) == (81.92, 97.68)
    assert round(found.q, 4) == 152.2330


def test_the_published_bcg_example_by_dersimonian_and_laird() -> None:
    found = meta_analysis(Y, SE, method="DL")
    assert (round(found.estimate, 4), round(found.normal_low, 4), round(found.normal_high, 4)) == (
        -0.7141,
        -1.0644,
        -0.3638,
    )


def test_the_trials_are_those_that_metafor_holds() -> None:
    assert pytest.approx(RECORDED["bcg"]["y"], abs=1e-12) == Y
    assert pytest.approx(RECORDED["bcg"]["se"], abs=1e-12) == SE


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("case", RECORDED)
def test_equals_metafor(case: str, method: Method) -> None:
    told = RECORDED[case]
    found = meta_analysis(told["y"], told["se"], method=method)
    for field, expected in told["methods"][method].items():
        assert getattr(found, field) == pytest.approx(expected, rel=1e-6, abs=1e-7), field


@pytest.mark.parametrize("case", RECORDED)
def test_leaving_one_out_equals_metafor(case: str) -> None:
    told = RECORDED[case]
    found = [m.estimate for m in leave_one_out(told["y"], told["se"])]
    assert found == pytest.approx(told["left_out"], abs=1e-7)


def test_two_studies_by_hand() -> None:
    """Errors of 1 and a gap of 4: Q = 8, so the variance between them is 8 - 1 = 7 by all three methods."""
    for method in METHODS:
        found = meta_analysis([-2.0, 2.0], [1.0, 1.0], method=method)
        assert found.q == pytest.approx(8)
        assert found.tau2 == pytest.approx(7)
        assert found.estimate == pytest.approx(0)
        assert found.i2 == pytest.approx(7 / 8)


@settings(max_examples=40, deadline=None)
@given(studies)
def test_the_order_of_studies_changes_no_bit(drawn: list[tuple[float, float]]) -> None:
    whole = meta_analysis(*zip(*drawn, strict=True))
    for shuffled in itertools.islice(itertools.permutations(drawn), 1, 6):
        again = meta_analysis(*zip(*shuffled, strict=True))
        assert {**vars(again), "weights": sorted(again.weights)} == {**vars(whole), "weights": sorted(whole.weights)}


@settings(max_examples=60, deadline=None)
@given(studies)
def test_what_always_holds(drawn: list[tuple[float, float]]) -> None:
    y, se = zip(*drawn, strict=True)
    found = meta_analysis(y, se)
    assert min(y) - 1e-9 <= found.estimate <= max(y) + 1e-9
    assert found.low <= found.normal_low + 1e-12
    assert found.predicted_low <= found.low
    assert 0 <= found.i2 < 1
    assert found.tau2_low <= found.tau2_high
    assert sum(found.weights) == pytest.approx(1)


@settings(max_examples=40, deadline=None)
@given(studies)
def test_no_other_variance_is_likelier(drawn: list[tuple[float, float]]) -> None:
    y, v = [a for a, _ in drawn], [b * b for _, b in drawn]

    def deviance(tau2: float) -> float:
        w = [1 / (x + tau2) for x in v]
        mean = sum(a * b for a, b in zip(w, y, strict=True)) / sum(w)
        spread = sum(a * (b - mean) ** 2 for a, b in zip(w, y, strict=True))
        return spread + math.log(sum(w)) - sum(map(math.log, w))

    best = deviance(between_variance(y, v, method="REML"))
    assert all(best <= deviance(i / 50) + 1e-9 for i in range(400))


@pytest.mark.parametrize(
    ("y", "se"), [([1.0], [1.0]), ([1.0, 2.0], [1.0]), ([1.0, math.nan], [1.0, 1.0]), ([1.0, 2.0], [1.0, 0.0])]
)
def test_refuses_what_cannot_be_pooled(y: list[float], se: list[float]) -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        meta_analysis(y, se)
    assert leave_one_out([1.0, 2.0], [1.0, 1.0]) == ()
