from itertools import pairwise

import numpy as np
import pytest
from cox_reference import CASES, Case, expected, sim

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import fit_cox
from pipeline.stats.proportional_hazards import proportional_hazards_test

SCALES = ("km", "rank", "identity", "log")
fits = {
    "veteran": CASES["cox", "veteran_karno"],
    "sim": CASES["cox", "sim"],
    "sim_entry": CASES["cox", "sim_entry"],
    "sim_strata": Case(**sim, strata="arch"),
    "lung": CASES["cox", "lung"],
}


@pytest.mark.parametrize("scale", SCALES)
@pytest.mark.parametrize("name", fits)
def test_test_equals_r(name, scale):
    r = expected("zph", name)[scale]
    got = proportional_hazards_test(fits[name].fit(), scale=scale)
    assert got["term"].to_list() == r["rows"]
    assert got.select("chi_square", "df", "p").to_numpy() == pytest.approx(np.array(r["tab"]), rel=1e-10)


@pytest.mark.parametrize("scale", SCALES)
def test_recidivism_equals_r(scale):
    r = expected("zph", f"rossi_{scale}")
    got = proportional_hazards_test(CASES["cox", "rossi"].fit(), scale=scale)
    assert got["term"].to_list() == [row["_row"] for row in r]
    assert got["chi_square"].to_list() == pytest.approx([row["chisq"] for row in r], rel=1e-10)


def test_a_term_of_several_columns_has_their_degrees_of_freedom():
    fit = CASES["cox", "veteran"].fit()
    cells = ["smallcell", "adeno", "large"]
    got = proportional_hazards_test(fit, terms={"celltype": cells, "karno": ["karno"]})
    assert got["term"].to_list() == ["celltype", "karno", "GLOBAL"]
    assert got["df"].to_list() == [3, 1, 8]
    single = proportional_hazards_test(fit)
    assert got["chi_square"][1] == pytest.approx(single["chi_square"][1])
    assert got["chi_square"][2] == pytest.approx(single["chi_square"][8])
    with pytest.raises(ValueError, match="Not in the fit: celltype"):
        proportional_hazards_test(fit, terms={"celltype": ["celltype"]})


def test_it_is_the_score_test_of_a_time_product_fitted_row_by_row():
    # The definition: split follow-up at every event day, add x times the day, and score-test its coefficient at zero.
    rng = np.random.default_rng(5)
    days, event = rng.integers(1, 15, 60), rng.random(60) < 0.7
    x = rng.integers(0, 2, 60).astype(float)
    fit = fit_cox(x[:, None], days, event, names=["x"])
    cuts = np.unique(np.concatenate(([0], days)))
    pieces = [(row, low, high) for row in range(60) for low, high in pairwise(cuts) if high <= days[row]]
    row, low, high = map(np.array, zip(*pieces, strict=True))
    both = np.column_stack((x[row], x[row] * high))
    longer = fit_cox(both, high, event[row] & (high == days[row]), names=["x", "x_day"], entry_days=low).design
    at = kernel.moments(longer.sets, longer.z, np.array([fit.coef[0], 0]) * longer.scale)
    score = kernel.score(longer.sets, longer.z, at)
    expected_chi_square = score @ np.linalg.solve(kernel.information(longer.sets, longer.z, at), score)
    got = proportional_hazards_test(fit, scale="identity")["chi_square"][0]
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


def test_log_of_day_0_is_refused():
    fit = fit_cox([[1], [0], [1], [0]], [0, 1, 2, 3], [1, 1, 1, 0], names=["x"])
    with pytest.raises(ValueError, match="day 0"):
        proportional_hazards_test(fit, scale="log")
