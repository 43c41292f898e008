import numpy as np
import pytest
from cox_reference import CASES, expected
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.concordance import concordance, concordance_of_fit
from pipeline.stats.prefix_ranks import sums_below


@pytest.mark.parametrize("key", CASES, ids="-".join)
def test_concordance_of_a_fit_equals_r(key):
    got, r = concordance_of_fit(CASES[key].fit()), expected(*key)
    assert got.estimate == pytest.approx(r["concordance"], abs=1e-12)
    assert got.se == pytest.approx(r["concordance.se"], rel=1e-10)


def test_concordance_by_hand():
    # Failures on days 1 and 3. Day 1 (score 5): against 2, 5 and 9: in order, tied, out of order.
    # Day 3 (score 2): against the row censored that very day (9) and the last one (5): both out of order.
    got = concordance([5, 2, 9, 5], [1, 3, 3, 4], [1, 1, 0, 0])
    assert (got.concordant, got.discordant, got.tied_score) == (1, 3, 1)
    assert got.estimate == pytest.approx((1 + 1 / 2) / 5)


def test_a_row_that_enters_on_the_day_of_a_failure_is_not_compared():
    got = concordance([5, 2, 9], [3, 6, 7], [1, 0, 0], entry_days=[0, 0, 3])
    assert (got.concordant, got.discordant) == (1, 0)


def test_no_comparable_pair_gives_no_estimate():
    got = concordance([1, 2, 3], [5, 5, 5], [1, 1, 1])
    assert np.isnan(got.estimate)
    assert np.isnan(got.se)


def brute_force(*, score, exit_days, event, entry, strata, weight):
    """Every pair, one by one, and the influence of each row on the estimate by definition."""
    n = len(score)
    pairs = np.zeros((3, n))
    for i in range(n):
        for j in range(n):
            outlives = exit_days[j] > exit_days[i] or (exit_days[j] == exit_days[i] and not event[j])
            if i != j and event[i] and strata[i] == strata[j] and entry[j] < exit_days[i] and outlives:
                kind = 0 if score[i] > score[j] else 1 if score[i] < score[j] else 2
                pairs[kind, i] += weight[j]
                pairs[kind, j] += weight[i]
    count = pairs @ weight / 2
    somers = (count[0] - count[1]) / count.sum()
    influence = weight * (pairs[0] - pairs[1] - somers * pairs.sum(axis=0)) / count.sum()
    return count, (somers + 1) / 2, np.sqrt(influence @ influence) / 2


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_concordance_equals_every_pair_counted(seed):
    rng = np.random.default_rng(seed)
    n = 40
    entry = rng.integers(0, 6, n)
    rows = {
        "score": rng.integers(0, 9, n),
        "exit_days": entry + rng.integers(1, 10, n),
        "event": rng.random(n) < 0.6,
        "entry": entry,
        "strata": rng.integers(0, 3, n),
        "weight": rng.integers(1, 4, n),
    }
    count, estimate, error = brute_force(**rows)
    got = concordance(
        rows["score"],
        rows["exit_days"],
        rows["event"],
        entry_days=entry,
        strata=rows["strata"],
        weights=rows["weight"],
    )
    assert [got.concordant, got.discordant, got.tied_score] == count.tolist()
    assert (got.estimate, got.se) == (pytest.approx(estimate), pytest.approx(error))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 20), min_size=1, max_size=30), st.data())
def test_sums_below_a_rank_in_a_run(ranks, data):
    n = len(ranks)
    begin, end, bound = (data.draw(st.integers(0, most)) for most in (n, n, 25))
    weight = np.arange(1.0, n + 1)
    got = sums_below(np.array(ranks), weight, np.array([begin]), np.array([end]), np.array([bound]))
    assert got.tolist() == [sum(weight[p] for p in range(begin, end) if ranks[p] < bound)]
