"""Two questions, or a page and a file for pooling, that count one group with a few apart: nothing says that they do."""

from __future__ import annotations

import dataclasses
import itertools

import sample_results as samples

from dashboards.release.released import release
from pipeline.questions.question import SINCE_OPENING
from pipeline.release.disclosure import AS_FIRST, FOLLOWED, SMALLEST, TEETH, Gate, Rounding
from pipeline.release.gates import gate_of, told_half_years
from pipeline.release.pool.contribution import Side
from pipeline.release.pool.make import _Counted, _counts
from pipeline.results import Group, HalfYear, Results

KEYS = 150


def two_questions(apart: int, seed: int) -> Results:
    """Results with a second question that counts each group of the first with some more or fewer of all."""
    results = samples.differs()
    first = results.comparisons[0]
    groups = tuple(_less(g, apart) for g in first.groups)
    second = dataclasses.replace(first, id=SINCE_OPENING.id, groups=groups)
    records = dataclasses.replace(results.records, digest=f"{seed}", rounded_by=f"{seed}")
    return dataclasses.replace(results, comparisons=(first, second), records=records)


def _less(g: Group, n: int) -> Group:
    half_years = tuple(dataclasses.replace(h, followed=max(h.followed - n, 0)) for h in g.half_years)
    return dataclasses.replace(g, crowns=g.crowns - n, patients=g.patients - n, half_years=half_years)


def test_counts_of_one_group_a_few_apart_are_told_alike_whatever_the_records() -> None:
    for seed, apart in itertools.product(range(KEYS // 5), (-10, -3, -1, 1, 2, 5, 10)):
        one, two = release(two_questions(apart, seed)).comparisons
        for a, b in zip(one.groups, two.groups, strict=True):
            assert (a.crowns, a.patients) == (b.crowns, b.patients)
            followed = {p.months: p.followed for p in a.points}
            assert all(followed.get(p.months, p.followed) == p.followed for p in b.points)


def test_counts_that_differ_by_more_than_a_few_are_told_each_by_itself() -> None:
    for seed in range(KEYS):
        gate = Gate(Rounding(f"{seed}".encode()), first={(TEETH, "g"): [100, 80, 101]})
        alone = Gate(Rounding(f"{seed}".encode()))
        for n in (100, 80):
            assert gate.teeth(n, group="g") == alone.teeth(n)
        assert gate.teeth(101, group="g") == alone.teeth(100)
        assert gate.teeth(101) == alone.teeth(101)
        for n in range(60, 130):
            told = gate.teeth(n, group="g")
            assert told is not None
            assert abs(told - n) <= AS_FIRST


def test_a_few_stay_hidden_beside_a_count_that_is_told() -> None:
    for seed in range(KEYS):
        gate = Gate(Rounding(f"{seed}".encode()), first={(TEETH, "g"): [16, 5], (FOLLOWED, "g 6"): [16]})
        assert gate.teeth(16, group="g") is not None
        assert [gate.teeth(n, group="g") for n in range(SMALLEST)] == [None] * SMALLEST
        assert gate.followed([16, 5], groups=["g 6", "g 6"])[1] is None


def test_a_file_for_pooling_tells_of_those_followed_what_the_page_tells_of_all() -> None:
    """Told apart, they would say that some crowns were opened and not followed then."""
    for seed, apart in itertools.product(range(KEYS // 5), (1, 2, 5, 10)):
        results = two_questions(0, seed)
        page, gate = release(results).comparisons[0], gate_of(results)
        for g, told in zip(results.comparisons[0].groups, page.groups, strict=True):
            counted = _Counted(g.crowns - apart, g.patients - apart, g.failures, g.failed_patients)
            side: Side = _counts(gate, g.name, counted, g.name, results.comparisons[0].outcome)
            assert (side.teeth, side.patients) == (told.crowns.value, told.patients.value)


def _followed_from_the_first_day(results: Results, clock: str, lost: int) -> Results:
    """The second question by a clock of its own; in both, all are followed at first and fewer each half-year."""
    first, second = results.comparisons

    def falling(g: Group, by: int) -> Group:
        years = (HalfYear(6 * i, max(g.crowns - i * by, 0), 0, 0) for i in range(12))
        return dataclasses.replace(g, half_years=tuple(years))

    changed = (
        dataclasses.replace(first, groups=tuple(falling(g, 10) for g in first.groups)),
        dataclasses.replace(second, clock=clock, groups=tuple(falling(g, lost) for g in second.groups)),
    )
    return dataclasses.replace(results, comparisons=changed)


def test_no_more_are_followed_than_there_are_told_and_numbers_do_not_rise() -> None:
    """Teeth told as those of the first question, and numbers followed as their own, made files that were refused."""
    own_clock = SINCE_OPENING.clock
    clocks = (samples.differs().comparisons[0].clock, own_clock)
    for seed, apart, clock, lost in itertools.product(range(KEYS // 5), (-10, -8, -5, 5, 10), clocks, (8, 10, 13)):
        results = _followed_from_the_first_day(two_questions(apart, seed), clock, lost)
        gate = gate_of(results)
        for c, g in [(one, group) for one in results.comparisons for group in one.groups]:
            teeth = gate.teeth(g.crowns, g.patients, group=g.name)
            told = [n for _, n, _ in told_half_years(gate, g.name, g.half_years, clock=c.clock, teeth=teeth)]
            assert teeth is not None
            assert told
            assert told[0] <= teeth
            assert told == sorted(told, reverse=True)


def test_numbers_followed_by_another_clock_are_told_as_themselves() -> None:
    """So long after the seat others are followed than so long after the opening."""
    for seed in range(KEYS // 5):
        results = _followed_from_the_first_day(two_questions(8, seed), SINCE_OPENING.clock, 10)
        gate, second = gate_of(results), results.comparisons[1]
        for g in second.groups:
            told = told_half_years(gate, g.name, g.half_years, clock=second.clock)
            assert [n for _, n, _ in told] == [gate.rounding.count(h.followed) for h, _, _ in told]
