"""Four verdicts by the interval alone, tested in a fixed order; every number in the words is the interval's."""

import dataclasses
import re

import pytest

from pipeline.questions.verdict import Basis, Scales, decide, write_verdict
from pipeline.results import Difference, Group


def difference(low: float, high: float, *, from_days: int = 0) -> Difference:
    return Difference("through_crown", "before_seat", 5, from_days, (low + high) / 2, low, high, "")


@pytest.mark.parametrize(
    ("low", "high", "failures", "code"),
    [
        (6.0, 14.0, (9, 50), "too_early"),
        (6.0, 14.0, (50, 9), "too_early"),
        (6.0, 14.0, (10, 10), "differs"),
        (-4.9, 4.9, (50, 50), "little_difference"),
        (1.0, 4.0, (50, 50), "little_difference"),  # excludes 0, yet too small to matter
        (1.0, 5.0, (50, 50), "differs"),
        (-14.0, -6.0, (50, 50), "differs"),
        (0.5, 14.0, (50, 50), "differs"),
        (-14.0, -0.5, (50, 50), "differs"),
        (-14.0, 0.5, (50, 50), "cannot_tell"),
        (-9.0, 0.0, (50, 50), "cannot_tell"),
        (-5.0, 4.0, (50, 50), "cannot_tell"),
        (0.0, 9.0, (50, 50), "cannot_tell"),
        (-9.0, 9.0, (50, 50), "cannot_tell"),
    ],
)
def test_verdict_by_interval(low, high, failures, code):
    assert decide(difference(low, high), failures, smallest=5, min_failures=10) == code


@pytest.mark.parametrize(("horizon", "code"), [(5, "little_difference"), (5.01, "differs")])
def test_a_difference_is_called_little_by_the_horizon_only(horizon, code):
    found = decide(difference(1.0, 4.0), (50, 50), smallest=5, min_failures=10, horizon_years=horizon)
    assert found == code


def test_without_a_horizon_any_years_will_do():
    early = dataclasses.replace(difference(1.0, 4.0), years=0.5)
    assert decide(early, (50, 50), smallest=5, min_failures=10) == "little_difference"


def test_a_difference_by_fewer_years_than_asked_for_says_so():
    told = write_verdict(dataclasses.replace(basis(difference(5.6, 14.4)), horizon_years=10))
    assert told.range.endswith("6 to 14 more per 100. Too few are followed for 10 years: this is by 5 years.")


@pytest.mark.parametrize(("low", "high"), [(-9.0, 0.0), (0.0, 9.0), (-9.0, 9.0)])
def test_a_range_that_holds_or_meets_zero_is_open_by_itself_whatever_the_ratio(low, high):
    told = basis(difference(low, high))
    found = [
        write_verdict(dataclasses.replace(told, scales=scales))
        for scales in (None, Scales(None), Scales((1.1, 0.9, 1.3)), Scales((1.1, 0.9, 1.3), adjusted=False))
    ]
    assert {v.code for v in found} == {"cannot_tell"}
    assert {v.sentence for v in found} == {found[0].sentence}


_NO_RATIO, _OTHER = "It could not be adjusted for how", "Alone this would pass for a difference, but the ratio"


@pytest.mark.parametrize(
    ("low", "high", "scales", "code", "why"),
    [
        (1.0, 9.0, None, "differs", ""),
        (1.0, 9.0, Scales((1.4, 1.1, 1.8)), "differs", ""),
        (1.0, 9.0, Scales((1.4, 1.0, 1.8)), "cannot_tell", _OTHER),
        (-9.0, -1.0, Scales((0.7, 0.5, 1.0)), "cannot_tell", _OTHER),
        (1.0, 9.0, Scales((0.7, 0.5, 0.9)), "cannot_tell", _OTHER),
        (-9.0, -1.0, Scales((1.4, 1.1, 1.8)), "cannot_tell", _OTHER),
        (1.0, 9.0, Scales(None), "cannot_tell", _NO_RATIO),
        (1.0, 9.0, Scales((1.4, 1.1, 1.8), adjusted=False), "cannot_tell", _NO_RATIO),
        (1.0, 4.0, Scales((1.4, 1.0, 1.8)), "little_difference", ""),
    ],
)
def test_what_shows_on_one_scale_alone_is_not_claimed_and_the_sentence_says_why(low, high, scales, code, why):
    told = write_verdict(dataclasses.replace(basis(difference(low, high)), scales=scales))
    assert told.code == code
    assert told.sentence.startswith(f"{told.range} {why}") is bool(why)


@pytest.mark.parametrize(("side", "ratio"), [(1, (1.2, 1.05, 1.4)), (-1, (0.8, 0.7, 0.95))])
def test_a_difference_under_one_of_100_points_the_same_way_as_its_ratio(side, ratio):
    d = Difference("through_crown", "before_seat", 5, 0, side * 0.8, *sorted((side * 0.1, side * 6.0)), "")
    rules = {"smallest": 5, "min_failures": 10}
    assert decide(d, (50, 50), **rules, scales=Scales(ratio)) == "differs"
    other_way = tuple(sorted(1 / value for value in ratio))
    other = (1 / ratio[0], other_way[0], other_way[-1])
    assert decide(d, (50, 50), **rules, scales=Scales(other)) == "cannot_tell"


def test_no_difference_at_the_horizon_is_too_early():
    assert decide(None, (50, 50), smallest=5, min_failures=10) == "too_early"


def basis(d: Difference | None, *, failures: tuple[int, int] = (40, 60), years: float = 4) -> Basis:
    group = Group("through_crown", "Root canal through the crown", 100, 90, failures[0], 400.0, 10, 8, 12)
    reference = Group("before_seat", "Root canal before the seat", 300, 250, failures[1], 1200.0, 5, 4, 6)
    return Basis(group, reference, d, 5, 5, 10, years)


def numbers(text: str) -> list[int]:
    return [int(n) for n in re.findall(r"\d+", text)]


def test_words_hold_the_interval_in_whole_teeth():
    verdict = write_verdict(basis(difference(5.6, 14.4)))
    assert verdict.code == "differs"
    assert numbers(verdict.sentence) == [10, 100, 5, 6, 14, 100]
    assert "more failures" in verdict.sentence
    fewer = write_verdict(basis(difference(-14.4, -5.6)))
    assert "10 fewer failures" in fewer.sentence
    assert "6 to 14 fewer" in fewer.sentence


def test_cannot_tell_names_both_ends():
    verdict = write_verdict(basis(difference(-8.0, 10.0)))
    assert "8 fewer to 10 more" in verdict.sentence
    assert "we cannot tell yet" in verdict.sentence


def test_what_would_settle_it_follows_from_the_width():
    # Half-width 10 is an error of 5.10; 5 in 2.80 errors is one of 1.78: 8.17 times the failures, 7.17 times the years.
    find = "would find a difference of 5 per 100, if there is one, four times in five."
    far = write_verdict(basis(difference(-9.0, 11.0), years=2))
    assert far.next_step == f"Not here within 10 years; the records of 9 practices of this size together {find}"
    near = write_verdict(basis(difference(-9.0, 11.0), years=1))
    assert near.next_step == (
        "About 8 more years of records at the present pace, or the records of 9 practices of this size together, "
        f"{find}"
    )


def test_ten_years_can_be_promised_and_no_more():
    times = (2 * 2.80159 / 1.95996) ** 2 - 1
    said = [write_verdict(basis(difference(-9, 11), years=y / times)).next_step for y in (0.99, 9.5, 9.99, 10.1)]
    assert said[0].startswith("About 1 more year of records at the present pace, or the records of 9 practices")
    assert said[1].startswith("About 10 more years of records at the present pace, or ")
    assert said[2].startswith("About 10 more years of records at the present pace, or ")
    assert said[3].startswith("Not here within 10 years; the records of 9 practices")


@pytest.mark.parametrize(("low", "high", "enough"), [(-1.0, 5.99, True), (-1.0, 6.0, False), (-2.0, 8.0, False)])
def test_a_range_that_is_narrow_enough_needs_no_more(low, high, enough):
    # Half-widths of 3.498: 5 is then 2.80 errors off, and found four times in five. One of 5 finds it every other time.
    said = write_verdict(basis(difference(low, high))).next_step
    assert said.startswith("These records are enough to find a difference of 5 per 100, if there is one") is enough
    settled = write_verdict(basis(difference(-4, 4))).next_step
    assert settled.startswith("More of these records will not say why")


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (0.4, 11.0, "0 to 11 more"),
        (1.0, 11.0, "1 to 11 more"),
        (-11.0, -0.4, "0 to 11 fewer"),
        (-11.0, -1.0, "1 to 11 fewer"),
        (-6.0, 0.6, "6 fewer to 1 more"),
        (-0.6, 6.0, "1 fewer to 6 more"),
    ],
)
def test_a_range_in_words(low, high, words):
    assert write_verdict(basis(difference(low, high))).range == f"The range that the records allow is {words} per 100."


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (-9.0, 11.0, "1 more failure per 100"),
        (-11.0, 9.0, "1 fewer failure per 100"),
        (-9.0, 13.0, "2 more failures per 100"),
        (-9.6, 10.4, "About as many failures per 100"),
    ],
)
def test_the_result_in_words(low, high, words):
    result = write_verdict(basis(difference(low, high))).result
    assert result.startswith(
        f"{words} with root canal through the crown than with root canal before the seat by 5 years"
    )


def test_what_is_too_early_says_why():
    few, exactly = (write_verdict(basis(None, failures=(n, 60))) for n in (9, 10))
    assert few.sentence.startswith(
        "Too few failures so far to compare (9 failures with root canal through the crown, 60"
    )
    assert exactly.sentence.startswith("Too few teeth are followed for 5 years to compare (10 failures with")
    assert write_verdict(basis(difference(5.6, 14.4), failures=(60, 9))).code == "too_early"


def test_one_is_singular():
    verdict = write_verdict(basis(difference(5.6, 14.4), failures=(1, 60)))
    assert "1 failure with" in verdict.sentence
    assert "(1 failures" not in verdict.sentence


def test_a_late_start_is_said():
    verdict = write_verdict(basis(difference(5.6, 14.4, from_days=183)))
    assert "from 6 months to 5 years" in verdict.sentence
    for days, words in ((730, "from 24 months to"), (30, "from 1 month to"), (1, "from 1 month to"), (46, "from 2 m")):
        assert words in write_verdict(basis(difference(5.6, 14.4, from_days=days))).sentence
    assert " by 5 years" in write_verdict(basis(difference(5.6, 14.4))).sentence


def test_words_that_are_never_used():
    for low, high in ((5.6, 14.4), (-4, 4), (-8, 10)):
        text = " ".join(str(v) for v in dataclasses.asdict(write_verdict(basis(difference(low, high)))).values())
        for word in ("significant", "trend towards", "no difference", "proves", "underperform"):
            assert word not in text.lower()
