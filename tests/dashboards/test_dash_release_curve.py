"""Curves as they leave: worked out again from told counts, on half-years, covering the exact range."""

from __future__ import annotations

import dataclasses
import itertools
import math

import pytest
import sample_results as samples
from half_years import with_half_years
from plain_gate import plain_gate

from dashboards.charts.released_curve import released_curves, years
from dashboards.release.curve import (
    NO_CURVE,
    ReleasedPoint,
    ToldTable,
    _exact,
    _values,
    release_curve,
    told_table,
)
from dashboards.release.percent import percent_step
from dashboards.release.released import release
from pipeline.release.disclosure import SLACK, Gate, Rounding
from pipeline.results import CurvePoint, Group, Milestone


def steady(n: int = 1000, every: int = 20, lost_each: int = 1, years: int = 8) -> Group:
    """`n` crowns of which `lost_each` fail every so many days and nobody leaves: after k of them 1 - k/n survive."""
    points, alive = [], n
    for day in range(every, int(min(years * 365.25, every * (n - 1) / lost_each)), every):
        at_risk, alive = alive, alive - lost_each
        s = alive / n
        half = 1.96 * math.sqrt(s * (1 - s) / n)
        points.append(CurvePoint(day, at_risk, s, max(s - half, 0.0), min(s + half, 1.0)))
    miles = tuple(
        Milestone(y, n, left := n - lost_each * int(y * 365.25 // every), n - left, 0, left / n)
        for y in range(years + 1)
    )
    return with_half_years(Group("before_seat", "Before", n, n, n - alive, 1.0, 1.0, 1.0, 1.0, tuple(points), miles))


def gates(n: int) -> list[Gate]:
    return [Gate(Rounding(str(i).encode())) for i in range(n)]


def test_a_curve_by_hand() -> None:
    # One fails every 20 days: 9 by month 6, 18 by 12, 27 by 18, 36 by 24, 45 by 30. Told are 20, 35 (36 is 18 more) and
    # then 55 (54), as 27 and 45 are only 9 more than what stood.
    gate = plain_gate()
    table = told_table(gate, steady(years=4))
    assert table is not None
    assert table.months == (0, 6, 12, 18, 24, 30, 36, 42, 48)
    assert table.followed == (1000, 990, 980, 975, 965, 955, 945, 935, 925)
    assert (table.changes, table.first) == (((2, 20), (4, 35), (6, 55), (8, 75)), 2)
    points = release_curve(gate, steady(years=4), teeth=1000)
    assert [p.months for p in points] == [12, 18, 24, 30, 36, 42, 48]
    # 20 failures in 990 years: a rate of 2.02 of 100 a year, so 2.0 by one year; then 15 in 972.5 make 3.497.
    assert [p.failed for p in points] == [2, 3, 3, 5, 5, 7, 7]
    assert [p.followed.value for p in points] == [980, 975, 965, 955, 945, 935, 925]


@pytest.mark.parametrize("n", [150, 300, 1000])
def test_the_middle_is_seldom_further_from_the_exact_share_than_its_step(n: int) -> None:
    group = steady(n=n, every=30, years=8)
    away = []
    for gate in gates(60):
        teeth = gate.teeth(n)
        step = percent_step(teeth)
        assert step is not None
        points = release_curve(gate, group, teeth=teeth)
        exact = 100 * int(7 * 365.25 // 30) / n  # one fails every 30 days
        (there,) = (p for p in points if p.months == 84)
        away.append(abs(there.failed - exact) / step)
        failed = [p.failed for p in points]
        assert failed == sorted(failed)
        assert all(p.low <= p.failed <= p.high for p in points)
    assert max(away) < 2
    assert sum(x > 1 for x in away) <= 6


def test_the_middle_is_of_the_told_counts_alone() -> None:
    """Another exact share beside the same counts, and the same is told."""
    for seed, gate in enumerate(gates(20)):
        group = steady(n=300 + 20 * seed, every=25)
        other = tuple(dataclasses.replace(p, survival=(p.ci_low + 3 * p.survival) / 4) for p in group.curve)
        told = [release_curve(gate, g, teeth=300 + 20 * seed) for g in (group, dataclasses.replace(group, curve=other))]
        assert told[0] == told[1] != ()


@pytest.mark.parametrize(
    ("months", "followed", "lead", "years", "exposed"),
    [
        # Followed from the seat: 1000 to 980 for a year.
        ((0, 6, 12), (1000, 990, 980), 0, 1.0, 990.0),
        # First told half a year late: 3 months come before, of whose failures nothing is known.
        ((6, 12), (1000, 980), 3, 0.75, 495.0),
    ],
)
def test_the_range_of_a_curve_by_hand(
    months: tuple[int, ...], followed: tuple[int, ...], lead: int, years: float, exposed: float
) -> None:
    """20 failures: on the logarithm 1.96 errors of 1 in the root of 20 each way, and 4 of the 20 may be too many."""
    last = len(months) - 1
    table = ToldTable(months, followed, ((last, 20),), last, lead)
    mid, low, high = _values(table, 1.0)[last]
    hazard, way = 20 / exposed * years, math.exp(1.959964 / math.sqrt(20))
    assert mid == pytest.approx(100 * (1 - math.exp(-hazard)))
    assert low == pytest.approx(100 * (1 - math.exp(-hazard / way * (1 - SLACK / 20))))
    assert high == pytest.approx(100 * (1 - math.exp(-hazard * way * (1 + SLACK / 20))))
    wider = _values(table, 4.0)[last]
    assert wider[0] == mid
    assert wider[2] == pytest.approx(100 * (1 - math.exp(-hazard * way**2 * (1 + SLACK / 20))))


def test_a_curve_begins_where_enough_failed_and_not_with_a_flat_stretch() -> None:
    for gate in gates(30):
        points = release_curve(gate, steady(every=60), teeth=gate.teeth(1000))
        # The eleventh fails on day 660, the fifteenth on day 900: from month 24 on, once fewer are told to be followed.
        assert 24 <= points[0].months <= 48
        assert all(p.failed > 0 for p in points)


@pytest.mark.parametrize("failures", [9, 10, 11, 14])
def test_a_curve_of_too_few_failures_is_none(failures: int) -> None:
    years = failures + 0.9
    group = steady(every=365, years=math.ceil(years))
    group = with_half_years(
        dataclasses.replace(group, curve=group.curve[:failures], milestones=group.milestones[: failures + 1])
    )
    drawn = [bool(release_curve(g, group, teeth=g.teeth(1000))) for g in gates(20)]
    assert not any(drawn) if failures < 11 else any(drawn) or failures < 14


def test_a_curve_stops_before_fewer_than_eleven_are_followed() -> None:
    group = steady(n=200, every=30, lost_each=2, years=9)
    for gate in gates(10):
        points = release_curve(gate, group, teeth=gate.teeth(200))
        last = max(p.months for p in points)
        left = 200 - 2 * int(last * 365.25 / 12 // 30)
        assert left >= 11


def test_a_group_too_small_for_a_step_or_of_unknown_followed_has_no_curve() -> None:
    gate = plain_gate()
    assert release_curve(gate, steady(), teeth=None) == ()
    assert release_curve(gate, steady(), teeth=25) == ()
    assert release_curve(gate, dataclasses.replace(steady(), half_years=()), teeth=1000) == ()
    assert gate.withheld["", NO_CURVE] == 3


def test_a_curve_that_starts_late_begins_on_a_half_year_of_its_own() -> None:
    late = dataclasses.replace(steady(), curve=tuple(p for p in steady().curve if p.days > 400), starts_at_days=400)
    table = told_table(plain_gate(), with_half_years(late))
    assert table is not None
    assert table.months[0] == 18


def test_what_fails_on_the_first_day_of_all_is_no_change_of_its_own() -> None:
    group = steady()
    first = CurvePoint(0, 1000, 0.97, 0.96, 0.98)
    shifted = tuple(dataclasses.replace(p, at_risk=p.at_risk - 30, survival=p.survival - 0.03) for p in group.curve)
    table = told_table(plain_gate(), with_half_years(dataclasses.replace(group, curve=(first, *shifted))))
    assert table is not None
    assert table.first > 0


@pytest.mark.parametrize("name", samples.few_at_once("differs", "cannot_tell"))
def test_the_shared_range_covers_the_exact_one_at_every_day(name: str) -> None:
    seen = 0
    for gate in gates(4):
        for c in samples.all_variants()[name].comparisons:
            for g in c.groups:
                points = release_curve(gate, g, teeth=gate.teeth(g.crowns))
                for p, after in itertools.pairwise(points):
                    days = [q for q in g.curve if p.months * 365.25 / 12 <= q.days < after.months * 365.25 / 12]
                    seen += len(days)
                    assert all(p.low <= 100 * (1 - q.ci_high) + 1e-6 for q in days)
                    assert all(p.high >= 100 * (1 - q.ci_low) - 1e-6 for q in days)
                    assert p.low <= p.failed <= p.high
    assert seen > 100 or name in samples.WITHOUT_CURVES


@pytest.mark.parametrize("name", samples.few_at_once("differs", "cannot_tell"))
def test_each_change_of_a_told_curve_rests_on_eleven_failures_and_eleven_followed(name: str) -> None:
    for gate in gates(4):
        for c in samples.all_variants()[name].comparisons:
            for g in c.groups:
                table = told_table(gate, g)
                if table is None:
                    continue
                failed = [samples.failed_by(g, m) for m in table.months]
                ends = [0, *(failed[i] for i, _ in table.changes)]
                assert all(b - a >= 11 for a, b in itertools.pairwise(ends))
                assert failed[table.first] >= 11
                assert min(table.followed) >= 15


def test_a_curve_hangs_on_told_counts_alone() -> None:
    """Days move within their half-year, and one failure more or less where the told count stays: the same curve."""
    gate, group = plain_gate(), steady()
    wanted = [(p.months, p.failed, p.followed) for p in release_curve(gate, group, teeth=1000)]
    curve = tuple(dataclasses.replace(p, days=p.days - 1) for p in group.curve)
    moved = with_half_years(dataclasses.replace(group, curve=curve))
    found = release_curve(gate, moved, teeth=1000)
    assert [(p.months, p.failed, p.followed) for p in found] == wanted
    assert told_table(gate, moved) == told_table(gate, group)


def test_the_exact_range_of_a_half_year_is_that_of_all_its_days() -> None:
    group = steady(n=100, every=100)
    # Of days 100 and 200, before and in the half-year from day 183 to 365: 1 and 2 failed, and 3 on day 300.
    low, high = _exact(group, 6, 12)
    limits = [(100 * (1 - p.ci_high), 100 * (1 - p.ci_low)) for p in group.curve[:3]]
    assert (low, high) == (min(x for x, _ in limits), max(x for _, x in limits))


def test_points_are_refused_where_they_are_none() -> None:
    from dashboards.release.count import ReleasedCount

    with pytest.raises(ValueError, match="too few"):
        ReleasedPoint(6, 1, 0, 2, ReleasedCount(None))
    with pytest.raises(ValueError, match="half-years"):
        ReleasedPoint(-6, 1, 0, 2, ReleasedCount(15))
    assert ReleasedPoint(0, 1, 0, 2, ReleasedCount(15)).months == 0


def test_a_curve_that_begins_after_twice_the_horizon_is_drawn_all_the_same() -> None:
    """A small practice whose eleventh failure comes late: the axis reaches the curve."""
    c = release(samples.differs()).comparisons[0]
    late = tuple(dataclasses.replace(g, points=tuple(p for p in g.points if p.months >= 126)) for g in c.groups)
    assert any(g.points for g in late)
    chart = released_curves(dataclasses.replace(c, groups=late), id="late")
    assert chart is not None
    assert years(dataclasses.replace(c, groups=late))[-1] >= 11
