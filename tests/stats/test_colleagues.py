"""Groups against the others: by hand, against R, and in simulated practices counted one by one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import betainc
from scipy.stats import binom

from pipeline.stats.colleagues import (
    Tally,
    _chances,
    dispersion_of,
    in_stretches,
    judge,
    limits_of,
    rates_together,
    ratio_to,
    simulate,
    tally,
)

DAYS = [5, 12, 19, 23, 30, 41, 44, 52, 60, 71, 75, 83, 90, 97, 104, 111, 118, 125, 133, 140]
EVENT = [1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0, 1, 0]
GROUP = [2, 0, 1, 2, 2, 0, 2, 1, 0, 1, 2, 0, 0, 1, 2, 1, 0, 1, 2, 0]

NONE = np.zeros((0, 0))
R_RATIOS = [(0, 0.6918253234, 2.730939092), (1, 0.4059964245, 1.657005401), (2, 2.697155461, 3.158250425)]
R_TOGETHER = [0.6269139025, 2.2571879785]
# survdiff(Surv(day, event) ~ group): expected failures and the diagonal of the variance; no two rows share a day.
R_LOG_RANK = [(5.068279201, 3.045486901), (3.942736791, 2.623865542), (3.988984008, 2.702523721)]


def plain(days: object, event: object, group: object) -> Tally:
    n = len(np.asarray(days))
    return tally(days, event, np.ones(n), group, x=np.zeros((n, 0)), slope_cov=np.zeros((0, 0)))  # type: ignore[arg-type]


def counted(failed: list[list[float]], risk: list[list[float]]) -> Tally:
    return Tally(
        np.arange(len(failed[0]), dtype=float), np.array(failed, dtype=float), np.array(risk, dtype=float),
        np.zeros((len(failed), 0)), np.zeros((0, 0)),
    )  # fmt: skip


def only(place: int, groups: int) -> np.ndarray:
    return np.arange(groups) == place


def test_failures_and_risk_are_counted_on_the_days_of_failures() -> None:
    found = tally(
        [2, 3, 3, 5], [1, 0, 1, 1], [1.0, 2.0, 4.0, 8.0], [0, 0, 1, 1], x=np.zeros((4, 0)), slope_cov=np.zeros((0, 0))
    )
    assert found.days.tolist() == [2, 3, 5]
    assert found.failed.tolist() == [[1, 0, 0], [0, 1, 1]]
    assert found.risk.tolist() == [[3, 2, 0], [12, 12, 8]]


def test_ratios_and_information_are_those_of_a_cox_model_in_r() -> None:
    # R 4.2.2, survival: coxph(Surv(day, event) ~ I(group == k), ties = "breslow"); exp(coef) and 1 / vcov.
    found = plain(DAYS, EVENT, GROUP)
    for place, ratio, information in R_RATIOS:
        got = ratio_to(found, only(place, 3), ~only(place, 3))
        assert got.ratio == pytest.approx(ratio, rel=1e-6)
        assert got.information == pytest.approx(information, rel=1e-5)
        assert got.expected * got.ratio == pytest.approx(found.failed[place].sum())


def test_rates_of_one_model_of_all_are_those_of_r() -> None:
    # coxph(Surv(day, event) ~ factor(group), ties = "breslow"): groups 1 and 2 over group 0.
    rate, expected = rates_together(plain(DAYS, EVENT, GROUP))
    assert rate[1:] / rate[0] == pytest.approx(R_TOGETHER, rel=1e-4)
    assert expected.sum() == pytest.approx(sum(EVENT))


def test_expected_and_spread_where_all_are_alike_are_those_of_the_log_rank_test_in_r() -> None:
    found = plain(DAYS, EVENT, GROUP)
    for place, (expected, variance) in enumerate(R_LOG_RANK):
        total, share, spread = _chances(
            found, found.failed[None], only(place, 3)[None], ~only(place, 3)[None], dispersion=1.0
        )
        assert total[0] * share[0] == pytest.approx(expected, rel=1e-8)
        assert spread[0] * total[0] * share[0] * (1 - share[0]) == pytest.approx(variance, rel=1e-8)


def test_nobodys_own_failures_change_what_is_expected_of_them() -> None:
    # Day 1: 1 of the other 10 fails; day 2: 2 of 8. So 20 rows of one's own lead to 20/10 + 16/8 * 2 = 6, whatever
    # happens to them - where none of them fails.
    quiet = counted([[0, 0], [1, 2]], [[20, 16], [10, 8]])
    assert ratio_to(quiet, only(0, 2), only(1, 2)).expected == pytest.approx(6.0)
    # The others' hazard is one in ten and one in four on these days; three times the rate is three times as many.
    often = counted([[6, 12], [1, 2]], [[20, 16], [10, 8]])
    assert ratio_to(often, only(0, 2), only(1, 2)).ratio == pytest.approx(3.0)
    assert ratio_to(often, only(0, 2), only(1, 2)).expected == pytest.approx(6.0)


def test_a_failure_with_no_one_beside_says_nothing() -> None:
    found = counted([[1, 3], [2, 0]], [[5, 5], [5, 0]])
    judged = judge(found, found.failed[None], np.array([True, True]), dispersion=1.0)
    assert judged.flag.tolist() == [[0, 0]]
    low, high = limits_of(found, only(0, 2), only(1, 2), dispersion=1.0, tail=0.025)
    assert low == 0.0
    assert high == np.inf  # of three failures even all may fall to one by chance


@pytest.mark.parametrize(("mine", "theirs", "flag"), [(20, 20, 0), (27, 13, 1), (26, 14, 0), (31, 9, 2), (13, 27, 1)])
def test_two_of_one_size_are_judged_by_the_exact_binomial(mine: int, theirs: int, flag: int) -> None:
    # Of 40 failures 27 or more fall to one of two alike with chance 1.9 %, 26 or more 4.0 %, 31 or more 0.03 %.
    assert binom.sf(26, 40, 0.5) < 0.025 < binom.sf(25, 40, 0.5)
    assert binom.sf(30, 40, 0.5) < 0.001
    found = counted([[mine], [theirs]], [[50], [50]])
    judged = judge(found, found.failed[None], np.array([True, True]), dispersion=1.0)
    assert judged.flag.tolist() == [[flag, flag]]
    assert judged.of.tolist() == [[2, 2]]
    low, high = limits_of(found, only(0, 2), only(1, 2), dispersion=1.0, tail=0.025)
    assert (low <= mine / theirs <= high) == (flag == 0)


def test_who_stands_out_is_set_aside_before_the_others_are_looked_at() -> None:
    # A fails three times as often; beside A and the other, B and C would each seem to have too few.
    found = counted([[120], [40], [40]], [[40], [40], [40]])
    judged = judge(found, found.failed[None], np.ones(3, dtype=bool), dispersion=1.0)
    assert judged.flag.tolist() == [[2, 0, 0]]
    assert judged.up[0, 0]
    assert judged.of.tolist() == [[3, 2, 2]]
    assert judged.stage.tolist() == [[0, 1, 1]]
    # Without A set aside B would be outside: 40 of 200 where 67 are expected.
    assert binom.cdf(40, 200, 1 / 3) < 0.001


def test_small_groups_are_not_judged_and_of_two_judged_each_is_held_against_the_other() -> None:
    found = counted([[30], [10], [3]], [[20], [20], [3]])
    judged = judge(found, found.failed[None], np.array([True, True, False]), dispersion=1.0)
    assert judged.of.tolist() == [[2, 2, 0]]
    assert judged.flag[0, 2] == 0


def test_clumps_widen_and_single_rows_do_not() -> None:
    draw = np.random.default_rng(3)
    days, group = draw.integers(1, 4000, 600), np.repeat([0, 1, 2], 200)
    event, score = draw.random(600) < 0.3, np.ones(600)
    one = plain(days, event, group)
    assert dispersion_of(one, days, event, score, group=group, cluster=np.arange(600)) < 1.15
    twice = [np.repeat(v, 3) for v in (days, event, group)]
    found = plain(*twice)
    mouths = np.repeat(np.arange(600), 3)
    got = dispersion_of(found, *twice[:2], np.ones(1800), group=twice[2], cluster=mouths)
    assert got == pytest.approx(3, rel=0.15)


def test_how_failures_of_a_cluster_spread_is_counted_row_by_row() -> None:
    score = 1 + np.arange(20) % 3 / 2
    mouth = 2 * np.array(GROUP) + np.array(EVENT)  # those of a group that fail are one, and so are the others of it
    found = tally(DAYS, EVENT, score, GROUP, x=np.zeros((20, 0)), slope_cov=np.zeros((0, 0)))
    _, expected = rates_together(found)
    failed = [sum(e for e, g in zip(EVENT, GROUP, strict=True) if g == k) for k in range(3)]
    weight = [w * (failed[g] + 0.5) / (expected[g] + 0.5) for w, g in zip(score, GROUP, strict=True)]
    pulls, plain_spread = np.zeros((6, 3)), 0.0
    for day in (d for d, e in zip(DAYS, EVENT, strict=True) if e):
        seen = [row for row in range(20) if DAYS[row] >= day]
        whole = sum(weight[row] for row in seen)
        for k in range(3):
            share = sum(weight[row] for row in seen if GROUP[row] == k) / whole
            plain_spread += share * (1 - share)
            for row in seen:
                own = (GROUP[row] == k) - share
                pulls[mouth[row], k] += own * ((DAYS[row] == day) - weight[row] / whole)
    ratio = (pulls**2).sum() / plain_spread
    assert ratio > 1.05
    assert dispersion_of(found, DAYS, EVENT, score, group=GROUP, cluster=mouth) == pytest.approx(ratio, rel=1e-9)


def test_one_failure_of_both_may_say_that_a_small_group_fails_no_more_often() -> None:
    # 1 of 20 units of risk is the group's. So many parts k of one failure are outside where I_p(k, 2 - k) <= 0.1.
    found = counted([[0], [1]], [[1], [19]])
    _, high = limits_of(found, only(0, 2), only(1, 2), dispersion=1.0, tail=0.1)
    part = high * 1 / (high * 1 + 19)
    assert 0 < part < 1
    assert betainc(part, 2 - part, 1 / 20) == pytest.approx(0.1, rel=1e-6)


def test_others_together_move_with_the_relative_risks_as_their_failures_do() -> None:
    # Two of the others, of 6 and 2 failures, are one group of 8 whose slope is (6 * 0.4 + 2 * 1.2) / 8 = 0.6.
    def with_slopes(failed: list[float], risk: list[float], slopes: list[float]) -> Tally:
        columns = (np.array(column)[:, None] for column in (failed, risk, slopes))
        return Tally(np.zeros(1), *columns, np.array([[0.5]]))

    apart = with_slopes([5.0, 6.0, 2.0], [20.0, 20.0, 10.0], [0.1, 0.4, 1.2])
    one = with_slopes([5.0, 8.0], [20.0, 30.0], [0.1, 0.6])
    wide, same = (limits_of(t, only(0, t.groups), ~only(0, t.groups), dispersion=1.0, tail=0.025) for t in (apart, one))
    assert wide == pytest.approx(same, rel=1e-9)


def test_the_error_of_the_relative_risks_widens_the_limits() -> None:
    draw = np.random.default_rng(4)
    group = np.repeat([0, 1], 400)
    x = (draw.random(800) < np.where(group == 0, 0.9, 0.2)).astype(float)[:, None]
    days, event = draw.integers(1, 4000, 800), draw.random(800) < 0.2
    ends = []
    for error in (1e-9, 0.09):
        found = tally(days, event, np.exp(0.5 * x[:, 0]), group, x=x, slope_cov=np.array([[error]]))
        ends.append(limits_of(found, only(0, 2), only(1, 2), dispersion=1.0, tail=0.025)[1])
    # The log of the failures expected moves by about 0.7 of the coefficient.
    assert np.log(ends[1]) ** 2 == pytest.approx(np.log(ends[0]) ** 2 + (1.96 * 0.3 * 0.68) ** 2, rel=0.25)


@pytest.mark.parametrize("groups", [2, 3, 8])
def test_simulated_practices_that_are_alike_hold_somebody_outside_as_rarely_as_said(groups: int) -> None:
    risk = np.linspace(20, 60, groups)[:, None] * np.linspace(1.0, 0.3, 40)
    found = Tally(np.arange(40.0), risk * 0.04, risk, np.zeros((groups, 0)), np.zeros((0, 0)))
    hazard = np.full(40, 0.04)
    draw = np.random.default_rng(2)
    for dispersion in (1.0, 1.5):
        failed, spread = simulate(found, np.ones(groups), hazard, dispersion=dispersion, looks=1000, draw=draw)
        assert spread == pytest.approx(dispersion)
        out = judge(found, failed, np.ones(groups, dtype=bool), dispersion=spread).flag
        assert 0.015 < (out > 0).any(axis=1).mean() < 0.06
        assert (out == 2).any(axis=1).mean() < 0.005


def test_days_taken_together_keep_failures_and_nearly_the_same_expectation() -> None:
    draw = np.random.default_rng(6)
    days, event, group = draw.integers(1, 4000, 900), draw.random(900) < 0.4, draw.integers(0, 3, 900)
    found = plain(days, event, group)
    short = in_stretches(found)
    assert short.failed.shape == (3, 12)
    assert short.failed.sum(axis=1).tolist() == found.failed.sum(axis=1).tolist()
    for place in range(3):
        whole, part = (ratio_to(t, only(place, 3), ~only(place, 3)).expected for t in (found, short))
        assert part == pytest.approx(whole, rel=0.03)
