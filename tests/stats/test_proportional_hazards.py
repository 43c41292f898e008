from itertools import pairwise

import numpy as np
import pytest
from cox_reference import CASES, Case, expected, sim

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import fit_cox
from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.proportional_hazards import proportional_hazards_test

fits = {
    "veteran": CASES["cox", "veteran_karno"],
    "sim": CASES["cox", "sim"],
    "sim_entry": CASES["cox", "sim_entry"],
    "sim_strata": Case(**sim, strata="arch"),
    "lung": CASES["cox", "lung"],
}


@pytest.mark.parametrize("name", fits)
def test_test_equals_r(name):
    r = expected("zph", name)["km"]
    got = proportional_hazards_test(fits[name].fit())
    assert got["term"].to_list() == r["rows"]
    assert got.select("chi_square", "df", "p").to_numpy() == pytest.approx(np.array(r["tab"]), rel=1e-10)


def test_recidivism_equals_r():
    r = expected("zph", "rossi_km")
    got = proportional_hazards_test(CASES["cox", "rossi"].fit())
    assert got["term"].to_list() == [row["_row"] for row in r]
    assert got["chi_square"].to_list() == pytest.approx([row["chisq"] for row in r], rel=1e-10)


def test_it_is_the_score_test_of_a_time_product_fitted_row_by_row():
    # The definition: split follow-up at every event day, add x times the share failed before it, and score-test the
    # coefficient of that at zero.
    rng = np.random.default_rng(5)
    days, event = rng.integers(1, 15, 60), rng.random(60) < 0.7
    x = rng.integers(0, 2, 60).astype(float)
    fit = fit_cox(x[:, None], days, event, names=["x"])
    cuts = np.unique(np.concatenate(([0], days)))
    pieces = [(row, low, high) for row in range(60) for low, high in pairwise(cuts) if high <= days[row]]
    row, low, high = map(np.array, zip(*pieces, strict=True))
    curve = kaplan_meier(days, event)
    failed = 1 - np.concatenate(([1.0], curve.survival))[np.searchsorted(curve.time, high)]
    both = np.column_stack((x[row], x[row] * failed))
    longer = fit_cox(both, high, event[row] & (high == days[row]), names=["x", "x_day"], entry_days=low).design
    at = kernel.moments(longer.sets, longer.z, np.array([fit.coef[0], 0]) * longer.scale)
    score = kernel.score(longer.sets, longer.z, at)
    expected_chi_square = score @ np.linalg.solve(kernel.information(longer.sets, longer.z, at), score)
    got = proportional_hazards_test(fit)["chi_square"][0]
    assert got == pytest.approx(expected_chi_square, rel=1e-9)


def test_a_hazard_ratio_that_changes_is_found_and_one_that_does_not_is_not():
    rng = np.random.default_rng(11)
    changing, steady = rng.integers(0, 2, 4000), rng.integers(0, 2, 4000)
    first = rng.exponential(1000 / np.exp(1.0 * changing + 0.7 * steady))
    second = 500 + rng.exponential(1000 / np.exp(-1.0 * changing + 0.7 * steady))
    days = np.ceil(np.where(first < 500, first, second)).astype(int)
    fit = fit_cox(np.column_stack((changing, steady)), days, np.ones(4000, bool), names=["changing", "steady"])
    p = proportional_hazards_test(fit)["p"]
    assert p[0] < 1e-10
    assert p[1] > 0.01
