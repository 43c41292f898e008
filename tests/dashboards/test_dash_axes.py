"""Axes of the charts of rows: they hold what is drawn, with few and round ticks."""

import pytest

from dashboards.charts.contrasts import Apart, difference_chart, ticks_of
from dashboards.charts.rows import nice_top


@pytest.mark.parametrize(
    ("furthest", "reach", "step"),
    [(3.0, 15, 5), (14.0, 15, 5), (14.1, 20, 5), (24.0, 25, 5), (24.1, 30, 10), (49.0, 50, 10), (49.1, 55, 20)],
)
def test_the_axis_of_differences(furthest: float, reach: int, step: int):
    for ends in ((-furthest, 0.0), (0.0, furthest)):
        chart = difference_chart([Apart("a", 0.0, *ends)], smallest=5, id="d", label="d")
        assert chart is not None
        axis = chart.spec["layout"]["xaxis"]
        assert axis["range"] == [-reach, reach]
        assert axis["tickvals"] == [t for t in range(-reach, reach + 1) if t % step == 0]


@pytest.mark.parametrize(
    ("ends", "span"),
    [
        ((1.0, 1.2), (0.5, 2)),
        ((0.5, 2.0), (0.5, 2)),
        ((0.49, 2.01), (0.2, 5)),
        ((0.2, 5.0), (0.2, 5)),
        ((0.15, 7.0), (0.1, 10)),
        ((0.01, 30.0), (0.1, 10)),
    ],
)
def test_the_axis_of_ratios(ends: tuple[float, float], span: tuple[float, float]):
    assert ticks_of(ends) == [t for t in (0.1, 0.2, 0.5, 1, 2, 5, 10) if span[0] <= t <= span[1]]


@pytest.mark.parametrize(
    ("highest", "least", "top"),
    [
        (0.0, 5.0, 5.5),
        (4.0, 5.0, 5.5),
        (9.7, 5.0, 10),
        (9.9, 5.0, 10.5),
        (43.0, 5.0, 45),
        (98.0, 5.0, 100),
        (0.2, 0.25, 0.3),
    ],
)
def test_the_upper_end_of_an_axis_from_nothing(highest: float, least: float, top: float):
    assert nice_top([0.0, float("nan"), highest], least=least) == pytest.approx(top)
