"""The short ways of the kernel give what the plain ones do."""

import numpy as np
import pytest

from pipeline.stats.cox import fit_cox
from pipeline.stats.cox_kernel import (
    BLOCK,
    cross_product,
    information,
    moments,
    product_of_means,
    ranks,
    score,
    score_residuals,
    second_of_rows,
)
from pipeline.stats.stratum_hazard import count_below


@pytest.mark.parametrize("grid", [[0, 3, 4, 9], [2], [-5, 0], [0, 10_000_000], [0.5, 3.0]])
def test_ranks_are_those_of_a_bisection(grid):
    values = np.array([-np.inf, -6, -1, 0, 0.4, 2.5, 3, 8.999, 9, 11, 1e9])
    grid = np.array(grid, dtype=np.float64)
    assert ranks(grid, values).tolist() == np.searchsorted(grid, values, side="right").tolist()


def test_a_cross_product_by_blocks_is_that_of_all_rows():
    rng = np.random.default_rng(2)
    x, weight = rng.normal(size=(3, 2 * BLOCK + 5)), rng.random(2 * BLOCK + 5)
    assert cross_product(x, weight) == pytest.approx((x * weight) @ x.T, rel=1e-12)


@pytest.mark.parametrize("days", [[4.0], [0, 1, 2, 3, 4, 5, 99], [0, 0.5, 1.5, 4.0, 7.2]])
@pytest.mark.parametrize("values", [[-np.inf, -1, 0, 4, 4, 7], [-np.inf, -np.inf], [0, 0.5, 4], [], [3, 50_000_000]])
def test_what_lies_below_a_day_is_counted(values, days):
    values = np.array(values, dtype=np.float64)
    assert count_below(values, np.array(days)).tolist() == [int((values < day).sum()) for day in days]


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_a_factor_scales_the_share_of_each_event_day(ties):
    rng = np.random.default_rng(5)
    entry, x = rng.integers(0, 6, 60), rng.normal(size=(60, 2))
    exit_ = entry + rng.integers(1, 7, 60)
    design = fit_cox(x, exit_, rng.random(60) < 0.6, names=["a", "b"], entry_days=entry, ties=ties).design
    sets = design.sets
    assert len(sets.event_row) > sets.n_groups > 5  # days with several events
    at = moments(sets, design.z, np.array([0.3, -0.2]))
    ones, some = np.ones(sets.n_groups), rng.random(sets.n_groups)
    for share_of in (information, score, product_of_means, second_of_rows):
        if share_of is product_of_means:
            whole, twice, part, rest = (share_of(sets, at, f) for f in (None, 2 * ones, some, ones - some))
        else:
            whole, twice, part, rest = (share_of(sets, design.z, at, f) for f in (None, 2 * ones, some, ones - some))
        assert twice == pytest.approx(2 * whole)
        assert part + rest == pytest.approx(whole)
    # The score's parts by row add up to it, and its slope is minus the information.
    residuals, part, rest = (np.stack(list(score_residuals(sets, design.z, at, f))) for f in (None, some, ones - some))
    assert residuals @ sets.weight == pytest.approx(score(sets, design.z, at))
    assert part @ sets.weight == pytest.approx(score(sets, design.z, at, some))
    assert part + rest == pytest.approx(residuals)
    for j in range(2):
        step = np.zeros(2)
        step[j] = 1e-5
        up, down = (score(sets, design.z, moments(sets, design.z, np.array([0.3, -0.2]) + s)) for s in (step, -step))
        assert (up - down) / 2e-5 == pytest.approx(-information(sets, design.z, at)[j], rel=1e-6)


def test_a_cox_likelihood_with_a_tie_and_a_late_entry_by_hand():
    # One covariate, log ratio log 2: risks are 1 or 2. Day 2: two of four fail (risks 2 and 1; 1 and 2 go on); the
    # last row enters on day 2, so that on day 3 it and the two others are at risk, and one of risk 2 fails.
    x = np.array([[1.0], [0], [0], [1], [0]])
    fit = fit_cox(x, [2, 2, 5, 3, 5], [1, 1, 0, 1, 0], names=["a"], entry_days=[0, 0, 0, 0, 2], ties="efron")
    design = fit.design
    beta = np.array([np.log(2) * design.scale[0]])
    at = moments(design.sets, design.z, beta)
    # Efron: of a sum of 6 the second of the two tied events leaves out half of their 3; on day 3 the sum is 4.
    by_hand = np.log(2 / 6) + np.log(1 / 4.5) + np.log(2 / 4)
    assert at.loglik == pytest.approx(by_hand)
    assert moments(design.sets, design.z, beta * 0).loglik == pytest.approx(-np.log(4 * 3 * 3))
    # Events with the covariate 2, expected 4/6 + (4 - 1)/4.5 + 2/4 = 11/6.
    assert score(design.sets, design.z, at)[0] * design.scale[0] == pytest.approx(2 - (4 / 6 + 3 / 4.5 + 2 / 4))
