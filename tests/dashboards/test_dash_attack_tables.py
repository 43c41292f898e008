"""Integer programming over all tables of one release: no group under 11 may be pinned down."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import sample_results as samples
from attacker import Attacker, attack

from dashboards.release.released import release
from pipeline.release.disclosure import SMALLEST, Gate, Rounding
from pipeline.results.records import Records


def test_the_attacker_finds_what_plain_rounding_gave_away() -> None:
    """The same attack on counts to the nearest 5: 105 of which 100 failed leave 1 to 9."""
    a = Attacker()
    whole, part = (a._number(n, told - 2, told + 2) for n, told in (("whole", 105), ("part", 100)))
    a.within(part, whole)
    assert a.pinned() == {"whole without part": (1, 9)}
    assert a.smallest() == 9


def test_the_attacker_finds_a_lone_hidden_count() -> None:
    a = Attacker()
    for name, told in (("whole", 121), ("a", 60), ("b", 54)):
        a._number(name, told, told)
    a.cell("hidden", None)
    a.parts("whole", ["a", "b", "hidden"])
    assert a.limits({"hidden": 1}) == (7, 7)
    assert a.pinned() == {"hidden": (7, 7)}


def test_two_told_counts_leave_eleven_open() -> None:
    a = Attacker()
    a.within(a.cell("part", 100), a.cell("whole", 110))
    # 96 to 104 of 106 to 114; with one step between them the least is 2, and the most 18.
    assert a.limits({"whole": 1, "part": -1}) == (2, 18)
    a.within(a.cell("other", 105), "whole")
    # From 105 to 110 it may be one only, on either side of the number where they pass into one another.
    assert a.limits({"whole": 1, "other": -1}) == (1, 13)
    assert a.smallest() >= SMALLEST


@pytest.mark.one_in(4)
@pytest.mark.parametrize("key", ["a", "b"])
@pytest.mark.parametrize("name", ["differs", "cannot_tell", "too_early", "hostile"])
def test_no_group_under_eleven_is_pinned_down_in_a_whole_release(name: str, key: str) -> None:
    results = dataclasses.replace(samples.all_variants()[name], records=Records(key))
    attacker = attack(release(results), sums=False)
    assert len(attacker.groups) > 80
    assert attacker.pinned() == {}
    assert attacker.smallest() >= SMALLEST


def _practice(seed: int) -> tuple[list[int], list[tuple[list[str], list[int]]]]:
    """How many teeth there are and failed, and four breakdowns of each: small practices, with many small rows."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(60, 500))
    failed = rng.random(n) < rng.uniform(0.05, 0.4)
    tables = []
    for by, many in (("year", 9), ("group", 3), ("clinician", 5), ("clinic", 2)):
        row = rng.choice(many, n, p=rng.dirichlet(np.ones(many)))
        tables.append(([f"{by} {i}" for i in range(many)], [int((row == i).sum()) for i in range(many)]))
        tables.append(
            ([f"{by} {i} failed" for i in range(many)], [int((failed & (row == i)).sum()) for i in range(many)])
        )
    return [n, int(failed.sum())], tables


@pytest.mark.one_in(3)
@pytest.mark.parametrize("some", range(6))
def test_no_hidden_cell_of_thirty_practices_is_pinned_down(some: int) -> None:
    """All breakdowns of a practice together, their totals told: the smallest group that can be pinned down is 11."""
    hidden, smallest = 0, []
    for seed in range(5 * some, 5 * some + 5):
        totals, tables = _practice(seed)
        gate = Gate(Rounding(str(seed).encode()))
        told: list[list[int | None]] = []
        while not told or not gate.settled:
            gate.walk()
            told = [gate.table(names, counts) for names, counts in tables]
        a = Attacker()
        wholes = [a.cell(name, gate.teeth(n)) for name, n in zip(("teeth", "failed"), totals, strict=True)]
        a.within(*reversed(wholes))
        for i, ((names, _), shown) in enumerate(zip(tables, told, strict=True)):
            cells = [a.cell(name, n) for name, n in zip(names, shown, strict=True)]
            a.parts(wholes[i % 2], cells)
            hidden += shown.count(None)
            if i % 2:
                for part, whole in zip(cells, tables[i - 1][0], strict=True):
                    a.within(part, whole)
            # What is hidden of one table together is a group too.
            together = [c for c, n in zip(cells, shown, strict=True) if n is None]
            if together:
                a.groups[f"hidden of table {i}"] = dict.fromkeys(together, 1.0)
        assert a.limits({"teeth": 1})[0] <= totals[0] <= a.limits({"teeth": 1})[1]
        assert a.pinned() == {}
        smallest.append(a.smallest())
    assert hidden > 50
    assert min(smallest) >= SMALLEST
