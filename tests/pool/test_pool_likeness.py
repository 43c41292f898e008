"""How alike two files are, by hand: variances of rounded counts, chances of equal ones, and keys that say nothing."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from pool_practices import MAIN, key_of
from scipy.stats import chi2, norm, poisson

from pipeline.release.pool import likeness
from pipeline.release.pool.agreed import DEFINITIONS, NOTE, SCHEMA
from pipeline.release.pool.contribution import Contrast, Contribution, Line, Ratio, Side
from pipeline.release.pool.files import signed
from pipeline.release.pool.likeness import same_practice
from pipeline.release.pool.signing import key_number


def contribution(code: str, *contrasts: Contrast, **more: object) -> Contribution:
    made = Contribution(SCHEMA, DEFINITIONS, "toothyears 0.1.0", NOTE, code * 16, "2024-12", (), contrasts)
    return dataclasses.replace(made, **more)  # type: ignore[arg-type]


def side(name: str, teeth: int = 500, failures: int | None = 100, followed: tuple[int, ...] = ()) -> Side:
    table = tuple(Line(6 * i, n, 0, None) for i, n in enumerate(followed))
    return Side(name, teeth, teeth, failures, (), table)


def contrast(group: Side, reference: Side, **more: object) -> Contrast:
    made = Contrast(MAIN, "crown_failure", "since_seat", group, reference, None, None, None)
    return dataclasses.replace(made, **more)  # type: ignore[arg-type]


def ratio(log: float, error: float, step: float = 0.1) -> Ratio:
    return Ratio("cox_time_varying", (), log, step, error)


def plain(**more: int | None) -> Contrast:
    return contrast(side("through_crown", **more), side("before_seat"))  # type: ignore[arg-type]


def test_the_variance_of_telling_a_count_as_one_of_two_steps() -> None:
    # A count that lies `over` above a step of 5 is told as the next one with a chance of `over` in 5.
    errors = [[-over if over <= drawn else 5 - over for drawn in range(5)] for over in range(5)]
    assert np.mean(errors) == 0
    assert np.mean(np.square(errors)) == likeness.ROUNDING == 4


def test_counts_by_hand() -> None:
    # Each varies by itself (100 and 90) and by its rounding, 4 on either side; rounding alone parts equal ones.
    assert list(likeness._of_counts([100, 50], [90, 50, 7])) == [(100 + 8) / (190 + 16), 8 / (100 + 16)]


@pytest.mark.parametrize("count", [60, 400])
def test_the_chance_of_two_equal_counts(count: int) -> None:
    every = poisson.pmf(np.arange(3 * count), count)
    assert likeness._equal_by_chance(count) == pytest.approx(5 * float(every @ every), rel=0.01)
    assert likeness._equal_by_chance(None) == 1


def test_figures_of_one_question_by_hand() -> None:
    one, other = plain(teeth=500, failures=100), plain(teeth=400, failures=None)
    teeth, same_teeth, same_failures = (100**2 + 8) / 916, 8 / 1016, 8 / 216
    assert likeness._differences(one, other) == [teeth, same_teeth, same_failures]
    assert likeness._differences(other, one) == [teeth, same_teeth, same_failures]
    # Logarithms 0.3 apart, each told in steps of 0.1, whose variance is 0.01 / 12.
    a = dataclasses.replace(one, adjusted=ratio(0.5, 0.5), crude=ratio(0.9, 0.5))
    b = dataclasses.replace(one, crude=ratio(0.2, 0.2))
    found = likeness._differences(a, b)
    assert len(found) == 5
    assert found[-1] == pytest.approx((0.3**2 + 0.02 / 12) / (0.25 + 0.04))


def test_too_few_figures_say_nothing() -> None:
    assert likeness._chance(0.0, 12) == 0
    assert likeness._chance(0.0, 11.9) == 1
    assert likeness._chance(6.0, 12) == pytest.approx(chi2.cdf(6.0, 12))


def test_tables_are_held_against_each_other_by_who_leaves() -> None:
    followed = tuple(500 - 20 * i for i in range(13))
    moved = tuple(n - 10 * (i % 2) for i, n in enumerate(followed))

    def made(code: str, numbers: tuple[int, ...]) -> Contribution:
        return contribution(code, contrast(side("through_crown", followed=numbers), side("before_seat")))

    found = likeness._chance_of_figures(made("a", followed), made("b", moved))
    # Twelve half-years in which 20 leave, of which 30 and 10 by turns in the other file; 260 left in either.
    leave = [(10**2 + 8) / (50 + 16), (10**2 + 8) / (30 + 16)] * 6
    squares = [*leave, 8 / (520 + 16), 8 / 216, 8 / 1016, 8 / 216]
    assert found == pytest.approx(chi2.cdf(math.fsum(squares), len(squares)))


def test_files_that_nobody_signed_have_no_key_in_common() -> None:
    assert same_practice(contribution("a"), contribution("b")) is None
    assert "same practice" in (same_practice(contribution("a"), contribution("a")) or "")


def test_keys_and_former_keys() -> None:
    one, other = signed(contribution("a"), key_of("one")), signed(contribution("b"), key_of("other"))
    assert same_practice(one, other) is None
    assert "same key" in (same_practice(one, signed(contribution("b"), key_of("one"))) or "")
    followed = dataclasses.replace(contribution("b"), former_keys=(key_number(one.key),))
    for pair in itertools.permutations([one, signed(followed, key_of("other"))]):
        assert "takes the place" in (same_practice(*pair) or "")


@pytest.mark.parametrize(("by_figures", "same"), [(1e-4, True), (2.2e-4, True), (2.6e-4, False), (1e-3, False)])
def test_figures_and_marks_together(monkeypatch: pytest.MonkeyPatch, by_figures: float, same: bool) -> None:
    # Fisher's rule: q, the product of both chances, comes as small by chance with q * (1 - log q); marks that go
    # together by 3.5 errors come with 1 in 4,300.
    q = by_figures * norm.sf(3.5)
    assert (q * (1 - math.log(q)) < 1e-6) == same
    monkeypatch.setattr(likeness, "_chance_of_figures", lambda *_: by_figures)
    monkeypatch.setattr(likeness, "go_together", lambda *_: 3.5)
    monkeypatch.setattr(likeness, "shared_patients", lambda *_: 0.1)
    said = same_practice(*(dataclasses.replace(contribution(code), marks=(1,) * 256) for code in "ab"))
    assert said == ("rest on the same patients' work: about 10 of 100 are in both" if same else None)
