"""Attacks on the technique questions: what is listed, and what is not, says nothing of a count under 11.

Inside, a group of fewer than 5 failures, or of 10 patients, is pooled, left out or no reference, and a question with
one group alone is not answered. Whoever knows that reads counts off the list of groups, unless the list hangs on told
counts alone.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable, Sequence

import pytest
from plain_gate import plain_gate

from dashboards.release.technique import ReleasedTechniques, release_techniques
from dashboards.words import technique as words_technique
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.grouping import MIN_FAILURES, OTHER
from pipeline.release.disclosure import STEP, Gate, Rounding
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast, TechniqueGroup

SIZES = {"teeth": 200, "patients": 150}


def answer(question: str, outcome: str, failures: dict[str, int], *, family: int = 40) -> TechniqueAnswer | None:
    """What stands inside of groups with so many failures, by the rules of `grouping.grouped`."""
    q = next(q for q in all_questions() if q.id == question)
    large = {n: f for n, f in failures.items() if f >= MIN_FAILURES}
    small = [f for f in failures.values() if f < MIN_FAILURES]
    if not q.bands and sum(small) >= MIN_FAILURES:
        large[OTHER] = sum(small)
    if len(large) < 2:
        return None
    reference = q.reference if q.reference in large else min(large)
    groups = tuple(TechniqueGroup(n, n, 200, 150, f, 900.0, None, None, None) for n, f in large.items())
    contrasts = tuple(
        TechniqueContrast(n, reference, 1.2, 0.7, 2.0, 4.0, -6.0, 14.0, 0.4, 1.0, "cannot_tell", "", "")
        for n in large if n != reference
    )  # fmt: skip
    return TechniqueAnswer(
        f"technique_{question}_{outcome}", question, "", "course", outcome, 5.0, reference, groups, contrasts,
        (), "", None, (), (), (), (), (), family,
    )  # fmt: skip


def shown(failures: dict[str, int], question: str = "filling_method", *, others: int = 60) -> ReleasedTechniques:
    """The release of two outcomes of one question: of tooth loss with so many failures, and of another with plenty."""
    given = (
        answer(question, "tooth_loss", failures),
        answer(question, "endo_failure", dict.fromkeys(failures, others)),
    )
    return release_techniques(plain_gate(), [a for a in given if a is not None], smallest=5)


MANY = {"cold_lateral": 60, "warm_vertical": 50, "single_cone": 40, "carrier": 30}


@pytest.mark.parametrize("name", list(MANY))
def test_nothing_hangs_on_how_few_failures_a_group_has(name: str) -> None:
    """From 0 to 10, over the limit of 5 that decides inside what is listed, pooled, and compared with what."""
    found = {repr(shown(MANY | {name: n})) for n in range(11)}
    assert len(found) == 1
    assert repr(shown(MANY | {name: 15})) not in found


@pytest.mark.parametrize("pair", [("warm_vertical", "carrier"), ("cold_lateral", "carrier")])
def test_nothing_hangs_on_how_few_failures_two_groups_have(pair: tuple[str, str]) -> None:
    """Two small groups may be pooled, and the pool big enough to be told: its teeth would say which ones are in it."""
    some = range(0, 11, 2)
    assert len({repr(shown(MANY | dict(zip(pair, (n, m), strict=True)))) for n in some for m in some}) == 1


@pytest.mark.parametrize("question", ["rubber_dam", "irrigant_strength"])
def test_a_group_alone_does_not_say_that_its_counterpart_has_failures_enough(question: str) -> None:
    q = next(q for q in all_questions() if q.id == question)
    first, second = [x.name for x in (*q.levels, *q.bands)][:2]
    found = {repr(shown({first: 60, second: n}, question).answers) for n in range(11)}
    assert len(found) == 1
    assert "tooth_loss" not in found.pop()


def test_another_reference_is_shown_where_the_declared_one_is_not_in_use() -> None:
    """A practice that never fills so is told its comparisons all the same: nothing else is known of that group."""
    rest = {n: f for n, f in MANY.items() if n != "cold_lateral"}
    assert [len(a.contrasts) for a in shown(rest).answers] == [2, 2]
    assert [len(a.contrasts) for a in shown(MANY).answers] == [3, 3]


@functools.cache
def _looks(key: bytes) -> Callable[[int], str]:
    gate = Gate(Rounding(key))

    def said(family: int) -> str:
        given = answer("filling_method", "tooth_loss", MANY, family=family)
        assert given is not None
        return words_technique.looks(release_techniques(gate, [given], smallest=5))

    return said


def _runs(said: Sequence[str]) -> list[int]:
    """How many neighbours in a row are said alike."""
    starts = [0, *(i for i in range(1, len(said)) if said[i] != said[i - 1]), len(said)]
    return [b - a for a, b in itertools.pairwise(starts)]


@pytest.mark.parametrize("key", [b"a", b"b", b"c"])
def test_the_number_of_looks_is_told_in_steps(key: bytes) -> None:
    """Each look is a pair of groups of 5 failures or more, so that one failure may make one look more."""
    said = [_looks(key)(n) for n in range(20, 120)]
    assert len(set(said)) <= 100 / STEP + 1
    assert max(_runs(said)) <= 2 * STEP
    assert "56 comparisons" not in _looks(key)(56)


def test_few_looks_are_not_numbered() -> None:
    assert _looks(b"a")(7).startswith("The comparisons of technique")
