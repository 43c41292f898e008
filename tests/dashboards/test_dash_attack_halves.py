"""Half-years of one failure: what failures told beside the numbers followed leave open, by integer programming."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import polars as pl
import pytest
import sample_results as samples
from attacker import Attacker
from half_years import group_of_rows, of_rows

from dashboards.release.curve import release_curve, told_table
from dashboards.release.percent import percent_step
from dashboards.release.released import release
from pipeline.release.disclosure import EVENTS_PER_CHANGE, SLACK, SMALLEST, Gate, Rounding
from pipeline.release.pool.contribution import Line
from pipeline.release.pool.make import risk_set_table
from pipeline.results.records import Records


def _spells(seed: int) -> pl.DataFrame:
    """Teeth followed from one and the same start: so many, and of them as many failing, as in small practices."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(60, 500))
    fails, leaves = rng.exponential(rng.uniform(8, 60), n), rng.uniform(0, rng.uniform(6, 20), n)
    days = np.minimum(fails, leaves) * 365.25
    return pl.DataFrame({"entry_days": np.zeros(n), "exit_days": days, "event": fails <= leaves})


def _attack(table: tuple[Line, ...], *, anywhere: bool = False) -> Attacker:
    """All that is known of the failures of each half-year, as one number each.

    `anywhere` is the rule that let the count change beside an unchanged number followed.
    """
    a = Attacker()
    for i, line in enumerate(table):
        a.cell(f"followed {i}", line.followed)
        a._number(f"up to {i}", 0, 0 if i == 0 else 10_000)
    for i in range(1, len(table)):
        failed = {f"up to {i}": 1.0, f"up to {i - 1}": -1.0}
        a.know(failed, 0, math.inf)
        a.know({f"followed {i - 1}": 1, f"followed {i}": -1} | {n: -w for n, w in failed.items()}, 0, math.inf)
        a.groups[f"failed in half-year {i}"] = failed
    for i in range(len(table)):
        a.groups.pop(f"followed {i}", None)
    changes = [i for i in range(1, len(table)) if table[i].failures != table[i - 1].failures]
    most_hidden = a._number("most hidden", SMALLEST - 1, SMALLEST + 3)
    behind, needed, since = "", "", 0
    for i in range(1, len(table)):
        if not anywhere and table[i].followed == table[since].followed:
            continue  # No change can be here.
        since = i
        total = {f"up to {i}": 1.0}
        if i in changes:
            told = table[i].failures or 0
            a.low[f"up to {i}"], a.high[f"up to {i}"] = max(SMALLEST, told - 4), told + 4
            a.know(total | {most_hidden: -1}, 1, math.inf)
            if behind:
                a.know(total | {behind: -1, needed: -1}, 0, math.inf)
            behind, needed = f"up to {i}", a._number(f"needed after {i}", EVENTS_PER_CHANGE, EVENTS_PER_CHANGE + 4)
        elif behind:
            a.know(total | {behind: -1, needed: -1}, -math.inf, -1)
        else:
            a.know(total | {most_hidden: -1}, -math.inf, 0)
    return a


def _changes(table: tuple[Line, ...]) -> int:
    return sum(x.failures != y.failures for x, y in itertools.pairwise(table))


@pytest.mark.one_in(4)
@pytest.mark.parametrize("some", range(8))
def test_no_half_year_is_known_to_hold_a_few_failures(some: int) -> None:
    """Of no half-year it is sure that somebody failed in it, and that it were fewer than 11."""
    changes = 0
    for seed in range(10 * some, 10 * some + 10):
        table = risk_set_table(Gate(Rounding(str(seed).encode())), "", of_rows(_spells(seed)))
        changes += _changes(table)
        assert _attack(table).pinned() == {}
    assert changes > 5


def test_the_attack_finds_a_change_beside_an_unchanged_number() -> None:
    told = [(100, None), (90, None), (90, 15), (80, 15)]
    table = tuple(Line(6 * i, n, 50 * i, f) for i, (n, f) in enumerate(told))
    assert _attack(table, anywhere=True).pinned() == {"failed in half-year 2": (1, 8)}


def _know_share(a: Attacker, table: tuple[Line, ...], share: int, step: int, *, at: int) -> None:
    """That the exact share of failed at a line is less than a step from this one, of 100.

    The cumulative hazard is the sum over half-years of failures over those at risk, no more than at the begin of each
    and no fewer than at its end.
    """
    low, high = (-math.log(1 - min(max(s, 0), 99.9) / 100) for s in (share - step, share + step))
    least, most = (dict.fromkeys((f"up to {i}" for i in range(at + 1)), 0.0) for _ in range(2))
    for (i, before), (j, now) in itertools.pairwise(enumerate(table[: at + 1])):
        for name, sign in ((f"up to {j}", 1), (f"up to {i}", -1)):
            least[name] += sign / (before.followed + SLACK)
            most[name] += sign / max(now.followed - SLACK, 1)
    a.know(least, -math.inf, high)
    a.know(most, low, math.inf)
    a.low[f"up to {at}"] = max(a.low[f"up to {at}"], SMALLEST)


def _share_beside_file(seed: int, *, years: int, exact: bool) -> dict[str, tuple[int, int]]:
    """What the middle of a page's curve beside a file for pooling pins down: as told, or the exact share rounded."""
    gate, spells = Gate(Rounding(str(seed).encode())), _spells(seed)
    group, teeth = group_of_rows(spells), gate.rounding.count(spells.height)
    table, step = risk_set_table(gate, group.name, group.half_years), percent_step(teeth)
    assert step is not None
    share = [100 * (1 - p.survival) for p in group.curve if p.days <= 365.25 * years][-1]
    told = next(p.failed for p in release_curve(gate, group, teeth=teeth) if p.months == 12 * years)
    # A middle of the told counts alone is known without the page, so that it says nothing of the exact share.
    assert abs(told - share) < 2 * step
    a = _attack(table)
    if exact:
        at = next(i for i, line in enumerate(table) if line.months == 12 * years)
        _know_share(a, table, gate.rounding.share(share, step), step, at=at)
    return a.pinned()


@pytest.mark.parametrize(("seed", "years"), [(102, 5), (125, 4), (140, 5)])
def test_an_exact_share_beside_a_file_would_pin_a_half_year_down(seed: int, years: int) -> None:
    """So none is told: the curve and its middle follow from the told counts, which the file has too."""
    assert len(_share_beside_file(seed, years=years, exact=True)) == 1
    assert _share_beside_file(seed, years=years, exact=False) == {}


def _without(table: pl.DataFrame, row: int) -> pl.DataFrame:
    return table.with_row_index().filter(pl.col("index") != row).drop("index")


def test_a_change_that_comes_later_without_one_patient_does_not_say_that_he_failed() -> None:
    """Two files, one patient apart, rounded by their own records, alike up to their first change.

    Were 11 further failures enough for each later change, one that comes later in the second file were his. So it comes
    later without a patient who never failed, too, and nearly as often.
    """
    leaving = [40.0 * (i + 1) for i in range(200)]
    frame = pl.DataFrame({"entry_days": [0.0] * 200, "exit_days": leaving, "event": [True, False] * 100})
    later = {True: 0, False: 0}
    whole = of_rows(frame)
    for row in (40, 41):
        less = of_rows(_without(frame, row))
        for i in range(150):
            one = risk_set_table(Gate(Rounding(f"a{i}".encode())), "", whole)
            two = risk_set_table(Gate(Rounding(f"b{i}".encode())), "", less)
            first, second = ([j for j in range(1, len(t)) if t[j].failures != t[j - 1].failures] for t in (one, two))
            if first[0] == second[0]:
                later[bool(frame["event"][row])] += second[1] > first[1]
    assert later[False] > 8
    assert abs(later[True] - later[False]) < 15


@pytest.mark.parametrize("seed", range(12))
def test_no_number_followed_says_when_the_next_tooth_failed(seed: int) -> None:
    """A failure moves to any other day of its half-year, and nothing that is told moves with it, on pages or in files.

    Were a year's number that at risk when the next one failed, a page beside a file for pooling, which has that of the
    year itself, would tell the month of that failure: 39 of 63 were known to within 6 weeks in 26 releases.
    """
    spells, gate = _spells(seed).with_columns(pl.col("exit_days").ceil()), Gate(Rounding(str(seed).encode()))
    group = group_of_rows(spells)
    table = told_table(gate, group)
    lines = {line.months: line.followed for line in risk_set_table(gate, group.name, group.half_years)}
    if table is not None:
        assert all(lines[m] == n for m, n in zip(table.months, table.followed, strict=True))
    days, event = spells["exit_days"].to_list(), spells["event"].to_list()
    for m, n in lines.items():
        assert n == gate.rounding.count(sum(d > m * 365.25 / 12 for d in days))
    failed = [i for i, e in enumerate(event) if e and days[i] > 1]
    for i in failed[:: max(1, len(failed) // 8)]:
        half = math.ceil(days[i] / 182.625)
        for moved in (math.floor((half - 1) * 182.625) + 1, math.floor(half * 182.625)):
            other = group_of_rows(spells.with_columns(exit_days=pl.Series([*days[:i], float(moved), *days[i + 1 :]])))
            assert other.half_years == group.half_years
            assert told_table(gate, dataclasses.replace(other, stops_at_days=group.stops_at_days)) == table


WHERE_CURVES_STOP = [(10, 0.05), (10, 0.03), (20, 0.05), (30, 0.05), (10, 0.1)]


@pytest.mark.one_in(4)
@pytest.mark.parametrize("some", range(8))
def test_where_the_settings_stop_a_curve_no_few_failures_are_told(some: int) -> None:
    """Pages of the same records under other settings beside each other and a file for pooling.

    The failures up to where a curve stops were told there, so that of two stops the 1 to 8 between them were known (2
    of 43 groups).
    """
    for seed in range(6 * some, 6 * some + 6):
        gate, spells = Gate(Rounding(str(seed).encode())), _spells(seed)
        groups = [group_of_rows(spells, *rules) for rules in WHERE_CURVES_STOP]
        table, lines = told_table(gate, groups[0]), risk_set_table(gate, groups[0].name, groups[0].half_years)
        assert all(told_table(gate, g) == table for g in groups)
        if table is None:
            continue
        a = _attack(lines)
        told = {table.changes[-1][0]: table.changes[-1][1]}
        told |= {i: y.failures for i, (x, y) in enumerate(itertools.pairwise(lines), 1) if x.failures != y.failures}
        for i, n in told.items():
            a.low[f"up to {i}"] = max(a.low[f"up to {i}"], SMALLEST, (n or 0) - 4)
            a.high[f"up to {i}"] = min(a.high[f"up to {i}"], (n or 0) + 4)
        for i, j in itertools.pairwise(sorted(told)):
            a.groups[f"between {i} and {j}"] = {f"up to {j}": 1.0, f"up to {i}": -1.0}
        assert a.pinned() == {}


def test_the_count_by_label_gives_no_exact_share_of_a_curve_either() -> None:
    """Where a label is that of a group from the same clock, its share is the middle of the curve as told."""
    results = samples.differs()
    main = results.comparisons[0]
    assert main.naive is not None
    horizon = round(12 * main.horizon_years)
    ends = {g.name: [p.survival for p in g.curve if p.days <= 365.25 * main.horizon_years] for g in main.groups}
    shares = tuple((name, ends[name][-1]) for name, _ in main.naive.survival)
    same = dataclasses.replace(main, naive=dataclasses.replace(main.naive, survival=shares))
    found = 0
    for i in range(12):
        (told, *_) = release(
            dataclasses.replace(results, comparisons=(same, *results.comparisons[1:]), records=Records(str(i)))
        ).comparisons
        points = {g.name: g.at(horizon) for g in told.groups}
        for name, failed in told.naive.failed if told.naive else ():
            found += 1
            assert failed == getattr(points[name], "failed", None)
    assert found > 10
