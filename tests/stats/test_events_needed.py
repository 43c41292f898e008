"""Failures needed: published figures, another library, and power found by simulation."""

import math

import numpy as np
import pytest
from lifelines.statistics import sample_size_necessary_under_cph

from pipeline.stats.cox import fit_cox
from pipeline.stats.events_needed import expected_failures, information_needed, ratio_of_shares


def failures_needed(ratio: float, *, share: float = 0.5, power: float = 0.8) -> float:
    """A failure tells share * (1 - share) of the information (Schoenfeld 1983), `share` at risk being in one group."""
    return information_needed(ratio, power=power) / (share * (1 - share))


@pytest.mark.parametrize(("ratio", "patients"), [(1.25, 1264), (1.5, 384), (1.75, 204), (2.0, 132)])
def test_published_sample_sizes(ratio: float, patients: int):
    # Trials 2015;16 (doi 10.1186/s13063-015-0727-9), table 1: Schoenfeld's formula at 5 % and 80 % power, equal groups,
    # half of them censored. Failures are rounded up in each group, and twice as many patients are needed.
    assert 4 * math.ceil(failures_needed(ratio) / 2) == patients


def test_published_failures_from_two_shares():
    # MRC Cognition and Brain Sciences Unit, FAQ/powsurv: 0.75 against 0.37 needs 20.39 failures (with z of 1.96, 0.84).
    assert failures_needed(ratio_of_shares(0.37, 0.75)) == pytest.approx(20.39, rel=0.002)


@pytest.mark.parametrize(("ratio", "power", "per_control"), [(0.7, 0.8, 1.0), (1.6, 0.9, 1.0)])
def test_agrees_with_another_library(ratio: float, power: float, per_control: float):
    # Among as many in either group, failing with these shares, it asks for so many; the product is the failures.
    exposed, control = sample_size_necessary_under_cph(power, per_control, 0.25, 0.35, ratio)
    seen = 0.25 * exposed + 0.35 * control
    formula = failures_needed(ratio, power=power)
    # Its formula allows for the ratio's effect on the variance, ((ratio + 1) / (ratio - 1))^2 for 4 / log(ratio)^2.
    freedman = formula * ((ratio + 1) / (ratio - 1)) ** 2 * math.log(ratio) ** 2 / 4
    assert seen == pytest.approx(freedman, rel=0.01)


def test_unequal_groups_need_more():
    # One in five: 1 / (0.2 * 0.8) = 6.25 instead of 4.
    assert failures_needed(1.5, share=0.2) == pytest.approx(failures_needed(1.5) * 6.25 / 4)


def test_power_by_simulation():
    # As many failures as the formula asks for find the ratio four times in five.
    random = np.random.default_rng(8)
    n = math.ceil(failures_needed(1.8))
    group = np.arange(n) % 2
    found = 0
    for _ in range(400):
        days = np.ceil(random.exponential(np.where(group == 1, 1000 / 1.8, 1000))).astype(int)
        # The score test of a Cox model is the log-rank test.
        found += fit_cox(group[:, None], days, np.ones(n, dtype=bool), names=["group"]).score_test.p < 0.05
    assert 0.74 <= found / 400 <= 0.86


def test_expected_failures_by_simulation():
    # 300 teeth followed, 60 new a year, over 4 years: 0.05 fail and 0.1 leave per tooth-year.
    random = np.random.default_rng(4)
    seen = []
    for _ in range(400):
        begun = np.concatenate([np.zeros(300), random.uniform(0, 4, 240)])
        fails, leaves = begun + random.exponential(20, 540), begun + random.exponential(10, 540)
        seen.append(np.sum((fails < leaves) & (fails < 4)))
    expected = expected_failures(followed=300, arrivals=60, failing=0.05, leaving=0.1, after=4)
    assert np.mean(seen) == pytest.approx(expected, abs=4 * np.std(seen) / 20)


def test_expected_failures_in_fractions():
    # Nobody leaves or fails: one tooth gives 3 tooth-years, arrivals of one a year 4.5.
    assert expected_failures(followed=1, arrivals=1, failing=0, leaving=0, after=3) == 0
    small = expected_failures(followed=2, arrivals=1, failing=1e-9, leaving=0, after=3)
    assert small / 1e-9 == pytest.approx(2 * 3 + 4.5)


@pytest.mark.parametrize("ratio", [1.0, 0.0, -2.0])
def test_no_ratio_no_number(ratio: float):
    with pytest.raises(ValueError, match="hazard ratio"):
        information_needed(ratio)
