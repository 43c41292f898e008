"""Headlines as one family, techniques as another, and what a family takes from a verdict."""

import dataclasses

import numpy as np
import pytest
from technique_practice import draw

from pipeline.questions.analysis import Analysis
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.engine import answer_all
from pipeline.questions.techniques.family import among_headlines, by_chance, difference_p, in_family, main_p
from pipeline.questions.techniques.question import TOOTH_LOSS
from pipeline.results import Comparison, Difference, Estimate, Looked, Verdict
from pipeline.results.steady import Steady

ANALYSIS = Analysis()
DAM = next(q for q in all_questions() if q.id == "rubber_dam")


def main_comparison(per_100: float, low: float, high: float, code: str = "differs") -> Comparison:
    difference = Difference("through_crown", "before_seat", 5.0, 0, per_100, low, high, "")
    verdict = Verdict(code, "It differs.", "", "The range is 1 to 9 more per 100.", "", "", 5.0)
    return Comparison("main", "", "", "", "", (), (), None, difference, verdict, (), (), (), 5.0)


def dam_rows(*, ratio: float, seed: int = 24):
    rng = np.random.default_rng(seed)
    dam = rng.random(2600) < 0.5
    return draw(rng, 2600, {"rubber_dam": dam, "kind": None, "lesion": None, "crown_at_start": None},
                log_hazard=np.log(ratio) * ~dam)  # fmt: skip


def test_the_p_of_the_main_difference_is_that_of_its_limits() -> None:
    # A range that just touches 0 has the p of its confidence.
    assert main_p(main_comparison(5.0, 0.0, 10.0), ANALYSIS) == pytest.approx(0.05)
    assert main_p(None, ANALYSIS) is None


@pytest.mark.parametrize(("per_100", "low", "high"), [(0.5, 0.0, 20.0), (-4.0, -20.0, 0.0)])
def test_a_p_is_that_of_the_limit_towards_no_difference(per_100: float, low: float, high: float) -> None:
    d = main_comparison(per_100, low, high).difference
    assert difference_p(d, ANALYSIS) == pytest.approx(0.05)
    assert difference_p(d, dataclasses.replace(ANALYSIS, confidence=0.9)) == pytest.approx(0.1)


def test_a_claim_must_show_on_both_scales_so_the_larger_p_counts() -> None:
    touching, contrast = main_comparison(5.0, 0.0, 10.0), "through_crown vs before_seat"

    def ratio(p: float, named: str = contrast, adjusted_for: tuple[str, ...] = ("sex",)) -> Estimate:
        return Estimate(named, "cox", adjusted_for, (), 1.3, 1.0, 1.6, p, "", 9, 9, 9, 9)

    def p_of(*estimates: Estimate, overall: tuple[float, float, float] | None = None) -> float | None:
        steady = Steady(contrast, None, None, (), (), overall, "")
        return main_p(dataclasses.replace(touching, estimates=estimates, steady=steady), ANALYSIS)

    assert p_of() == pytest.approx(0.05)
    assert p_of(ratio(0.2)) == pytest.approx(0.2)
    assert p_of(ratio(0.001)) == pytest.approx(0.05)
    assert p_of(ratio(0.9, adjusted_for=()), ratio(0.9, "vital vs before_seat")) == pytest.approx(0.05)
    # The log of the ratio lies half as far from 0 as its limit: 1.96 / 2 = 0.98 errors, of which 2 * 0.16354.
    for overall in ((2.0, 0.5, 8.0), (0.5, 0.125, 2.0)):
        assert p_of(overall=overall) == p_of(ratio(0.9), overall=overall) == pytest.approx(0.3271, abs=1e-4)
    assert p_of(ratio(0.9), overall=(2.0, 1.9, 2.1)) == pytest.approx(0.05)
    without = main_comparison(5.0, 5.0, 5.0)
    assert main_p(dataclasses.replace(without, estimates=(ratio(0.2),)), ANALYSIS) is None
    assert main_p(dataclasses.replace(without, difference=None), ANALYSIS) is None


def test_how_often_chance_shows_one_as_clear() -> None:
    assert by_chance(None) == "one as clear comes up by chance too often"
    found = [by_chance(p).split("up to ")[1] for p in (0.001, 0.031, 0.25, 0.49)]
    assert found == [f"{n} of 100 practices" for n in (1, 4, 25, 49)]
    assert by_chance(0.5) == by_chance(1.0) == "among so many, chance alone may well show one as clear"


@pytest.mark.parametrize(("main", "expected"), [(0.039, 0.04875), (0.045, 0.05625), (1e-6, 1.25e-6)])
def test_the_main_comparison_has_four_fifths_of_the_chance(main: float, expected: float) -> None:
    looked = among_headlines({"main": main, "delay": 0.9, "trial": None}, main="main")
    found = {name: told.p_family for name, told in looked.items()}
    assert {(t.looks, round(t.share, 9)) for t in looked.values()} == {(2, 0.8), (2, 0.2)}
    assert found == {"main": pytest.approx(expected), "delay": pytest.approx(0.9 if main < 0.04 else 1.0, abs=0.1)}


def test_the_other_headlines_share_the_last_fifth_or_all_where_the_main_comparison_differs() -> None:
    # Four others: each has a twentieth of the chance beside an undecided main comparison, a quarter after a clear one.
    others = {"delay": 0.002, "opening": 0.5, "crown": 0.5, "trial": 0.5}
    beside = among_headlines({"main": 0.5, **others}, main="main")
    after = among_headlines({"main": 1e-4, **others}, main="main")
    alone = among_headlines(others, main="main")
    assert [of["delay"].p_family for of in (beside, after, alone)] == pytest.approx([0.04, 0.008, 0.008])
    assert [of["delay"].share for of in (beside, after, alone)] == pytest.approx([0.05, 0.05, 0.25])
    assert among_headlines({"main": None}, main="main") == {}


def test_techniques_are_a_family_of_their_own() -> None:
    rows = {("course", TOOTH_LOSS): dam_rows(ratio=1.42)}
    (alone,) = answer_all([DAM], rows, ANALYSIS).answers
    assert alone.family == 1
    assert alone.contrasts[0].p_family == pytest.approx(alone.contrasts[0].p)
    twice = [DAM, dataclasses.replace(DAM, id="again")]
    both = answer_all(twice, rows, ANALYSIS).answers
    assert [a.family for a in both] == [2, 2]
    assert [a.contrasts[0].p_family for a in both] == pytest.approx([2 * alone.contrasts[0].p] * 2)


def looked(p_family: float, looks: int = 7) -> Looked:
    return Looked(0.0049, p_family, looks, 0.04)


def test_a_main_difference_that_only_stands_alone_is_not_named() -> None:
    main = main_comparison(5.0, 1.0, 9.0)
    kept = in_family(main, looked(0.04), ANALYSIS)
    assert kept.verdict == dataclasses.replace(main.verdict, looked=looked(0.04))
    assert in_family(main, None, ANALYSIS) == main
    found = in_family(main, looked(0.142), ANALYSIS).verdict
    assert found.code == "cannot_tell"
    # What stops it is named with its numbers, which stand in the results.
    assert found.sentence == (
        "The range is 1 to 9 more per 100. Alone it would pass for a difference (p 0.0049), but 7 main questions "
        "share what chance is allowed, and this one has 1/25 of it: p becomes 0.14, and chance is not ruled out."
    )
    assert found.looked == looked(0.142)
    even = dataclasses.replace(ANALYSIS, confidence=0.75)  # of which the edge is a number that a computer holds
    codes = [in_family(main, looked(p), even).verdict.code for p in (0.25, 0.2499)]
    assert codes == ["cannot_tell", main.verdict.code]
    other = main_comparison(5.0, -1.0, 9.0, code="cannot_tell")
    assert in_family(other, looked(0.9), ANALYSIS).verdict.sentence == other.verdict.sentence
