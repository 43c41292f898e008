"""Gray's test: against cmprsk, and with late entry by hand-worked risk sets and by simulation without a difference."""

from fractions import Fraction

import numpy as np
import pytest
from curve_reference import ERRORS, dataset, expected
from scipy.stats import kstest

from pipeline.stats.gray import gray_test
from pipeline.stats.log_rank import log_rank


@pytest.mark.parametrize("cause", [1, 2])
def test_equals_cmprsk(cause):
    mgus2, sim = dataset("mgus2_cr"), dataset("sim")
    cases = [
        (
            gray_test(mgus2["etime"], mgus2["event"], mgus2["sex"], of_cause=cause),
            expected("cuminc")["mgus2_sex"]["gray"],
        ),
        (gray_test(sim["stop"], sim["ev"], sim["grp"], of_cause=cause), expected("cuminc")["sim"]["gray"]),
        (
            gray_test(sim["stop"], sim["ev"], sim["grp"], of_cause=cause, strata=sim["arch"]),
            expected("cuminc")["sim_strata_gray"],
        ),
    ]
    for found, reference in cases:
        theirs = reference[cause - 1]
        assert found.chi_square == pytest.approx(theirs["stat"], rel=ERRORS)
        assert found.p == pytest.approx(theirs["pv"], rel=ERRORS)
        assert found.df == theirs["df"]


def weighted_risk_set(rows, group, day):
    """Late entry by brute force: those at risk, and those with a competing event before, at the weight of [1].

    Their weight is the chance, among the group, of still being uncensored and already entered on the day rather than on
    the day of their event: products over days of 1 - censored / followed, and backwards of 1 - entered / followed.

    [1] Geskus RB. Cause-specific cumulative incidence estimation and the Fine and Gray model under both left
        truncation and right censoring. Biometrics 2011;67:39-49.
    """
    mine = [row for row in rows if row[3] == group]

    def uncensored_before(t):
        share = Fraction(1)
        for u in sorted({exit for _, exit, cause, _ in mine if cause == 0 and exit < t}):
            # Events come before endings on a day, so those with an event that day are no longer followed.
            followed = sum(e < u <= x for e, x, _, _ in mine) - sum(x == u and c > 0 for _, x, c, _ in mine)
            share *= 1 - Fraction(sum(x == u and c == 0 for _, x, c, _ in mine), followed)
        return share

    def entered_before(t):
        share = Fraction(1)
        for u in sorted({entry for entry, *_ in mine if entry >= t}):
            # Those under observation just after day u, of whom some have entered at u.
            followed = sum(e <= u < x for e, x, _, _ in mine)
            share *= 1 - Fraction(sum(e == u for e, *_ in mine), followed)
        return share

    size = Fraction(sum(e < day <= x for e, x, _, _ in mine))
    for _, exit, cause, _ in mine:
        if cause == 2 and exit < day:
            now, then = (uncensored_before(t) * entered_before(t) for t in (day, exit))
            size += now / then
    return size


def test_late_entry_by_hand():
    # entry, exit, cause, group; days -1 stand for the start.
    rows = [
        (-1, 2, 2, "a"), (-1, 4, 1, "a"), (-1, 6, 0, "a"), (3, 8, 1, "a"), (3, 9, 2, "a"), (5, 10, 1, "a"),
        (-1, 3, 1, "b"), (-1, 5, 2, "b"), (-1, 7, 1, "b"), (2, 8, 0, "b"), (4, 9, 1, "b"), (4, 11, 0, "b"),
    ]  # fmt: skip
    score = Fraction(0)
    for day in sorted({exit for _, exit, cause, _ in rows if cause == 1}):
        a, b = (weighted_risk_set(rows, group, day) for group in "ab")
        events = [sum(x == day and c == 1 and g == group for _, x, c, g in rows) for group in "ab"]
        score += events[0] - sum(events) * a / (a + b)
    entry, exit_days, cause, group = zip(*rows, strict=True)
    found = gray_test(exit_days, cause, group, entry_days=entry)
    assert found.score[0] == pytest.approx(float(score), abs=1e-12)
    # And the number the fractions come to, so that a change on both sides at once would show.
    assert score == Fraction(-4891, 10710)


def test_entering_before_anything_happens_is_no_late_entry():
    sim = dataset("sim")
    first = int(sim["stop"].min())
    moved = gray_test(sim["stop"] + 10, sim["ev"], sim["grp"], entry_days=np.full(len(sim), first + 9))
    plain = gray_test(sim["stop"], sim["ev"], sim["grp"])
    assert moved.chi_square == plain.chi_square


def test_without_competing_events_the_score_is_that_of_the_log_rank_test():
    sim = dataset("sim")
    columns = (sim["stop"], sim["ev"] == 1, sim["grp"])
    for strata in (None, sim["arch"]):
        gray = gray_test(*columns, entry_days=sim["start"], strata=strata)
        rank = log_rank(*columns, entry_days=sim["start"], strata=strata)
        assert gray.score[0] == pytest.approx((rank.observed - rank.expected)[0], abs=1e-10)
        # The variances estimate the same thing in two ways.
        assert gray.variance[0, 0] == pytest.approx(rank.variance[0, 0], rel=0.01)


def practices_without_a_difference(rng, late):
    """Two groups with the same two hazards and different entry and censoring; truncated rows never seen."""
    n = 400
    group = rng.integers(0, 2, n)
    days = np.ceil(rng.exponential(1 / np.array([0.0012, 0.0008])[:, None], (2, n))).astype(int)
    exit_days, cause = days.min(axis=0), days.argmin(axis=0) + 1
    censored = np.ceil(rng.exponential(np.where(group == 1, 800, 2000))).astype(int)
    cause = np.where(censored < exit_days, 0, cause)
    exit_days = np.minimum(exit_days, censored)
    entry = (
        np.where(rng.random(n) < np.where(group == 1, 0.7, 0.3), rng.integers(0, 900, n), 0) if late else exit_days * 0
    )
    seen = exit_days > entry
    return exit_days[seen], cause[seen], group[seen], entry[seen]


@pytest.mark.thorough
@pytest.mark.parametrize("late", [False, True])
def test_p_is_even_when_there_is_no_difference(late):
    rng = np.random.default_rng(20250101)
    found = []
    for _ in range(600):
        exit_days, cause, group, entry = practices_without_a_difference(rng, late)
        found.append(gray_test(exit_days, cause, group, entry_days=entry))
    p = np.array([test.p for test in found])
    # 600 runs: a true 5% gives 0.05 +- 0.018 in 95 of 100 seeds.
    assert 0.03 < np.mean(p < 0.05) < 0.07
    assert kstest(p, "uniform").pvalue > 0.01
    scores = np.array([test.score[0] for test in found])
    assert np.mean([test.variance[0, 0] for test in found]) == pytest.approx(scores.var(), rel=0.15)


def test_a_group_that_fails_before_others_enter_is_refused():
    rows = ([2, 8, 9, 8, 9], [1, 1, 0, 2, 1], ["a", "a", "a", "b", "b"])
    with pytest.raises(ValueError, match="from_day"):
        gray_test(*rows, entry_days=[0, 4, 4, 0, 0])
    assert gray_test(*rows, entry_days=[0, 4, 4, 0, 0], from_day=4).df == 1


def test_no_event_of_the_cause_leaves_nothing_to_test():
    assert np.isnan(gray_test([3, 4, 5], [2, 0, 2], ["a", "b", "b"]).p)


def test_row_order_and_time_scale_change_nothing():
    sim = dataset("sim")
    shuffled = sim.sample(fraction=1, shuffle=True, seed=3)
    one, other = (
        gray_test(rows["stop"] * scale, rows["ev"], rows["grp"], entry_days=rows["start"] * scale, strata=rows["arch"])
        for rows, scale in ((sim, 1), (shuffled, 1000))
    )
    assert one.chi_square == other.chi_square
