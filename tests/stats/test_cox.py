import numpy as np
import polars as pl
import pytest
from cox_reference import CASES, dataset, expected, score_residuals
from lifelines import CoxPHFitter

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import CoxInputError, fit_cox, refuse_collinear
from pipeline.stats.cox_input import COLLINEAR, check_rows


@pytest.mark.parametrize("key", CASES, ids="-".join)
def test_fit_equals_r(key):
    fit, r = CASES[key].fit(), expected(*key)
    assert fit.converged
    assert (fit.n_rows, fit.n_events) == (r["n"], r["nevent"])
    assert fit.coef == pytest.approx(r["coef"], abs=1e-11)
    assert fit.se(robust=False) == pytest.approx(r["naive.se"], rel=1e-11)
    assert fit.se() == pytest.approx(r["se"], rel=1e-11)
    assert [fit.loglik_null, fit.loglik] == pytest.approx(r["loglik"], abs=1e-9)
    assert fit.score_test.chi_square == pytest.approx(r["score"], rel=1e-11)
    assert fit.coef @ np.linalg.solve(fit.cov, fit.coef) == pytest.approx(r["wald"], rel=1e-11)
    if "score_resid" in r:
        assert score_residuals(fit)[:, 0] == pytest.approx(r["score_resid"], abs=1e-11)


def test_validation_data_1_in_closed_form():
    # Therneau's validation data 1. With r = exp(beta), Efron: events at 1 (3r + 3 at risk), two at 6 (r + 3, then
    # half of both left out, (r + 5)/2) and the last one alone. The root of the score solves r^3 - 23r - 30 = 0.
    efron = CASES["validate", "t1"].fit()
    r = max(np.roots([1, 0, -23, -30]).real)
    beta = np.log(r)
    assert efron.coef[0] == pytest.approx(beta, abs=1e-12)
    assert efron.loglik == pytest.approx(2 * beta - np.log((3 * r + 3) * (r + 3) * (r + 5) / 2), abs=1e-12)
    assert efron.loglik_null == pytest.approx(-np.log(6 * 4 * 3), abs=1e-12)
    # Breslow: both events at 6 have r + 3 at risk, so that -r^2 + 3r + 6 = 0.
    breslow = CASES["validate", "t1_breslow"].fit()
    assert breslow.coef[0] == pytest.approx(np.log((3 + np.sqrt(33)) / 2), abs=1e-12)


def test_validation_data_1_score_residuals_at_zero():
    design = CASES["validate", "t1"].fit().design
    at_zero = kernel.moments(design.sets, design.z, np.zeros(1))
    residuals = next(kernel.score_residuals(design.sets, design.z, at_zero)) * design.scale
    assert residuals == pytest.approx([5 / 12, -1 / 12, 55 / 144, -5 / 144, 29 / 144, 29 / 144], abs=1e-12)


def test_validation_data_published_to_six_digits():
    # Survival package, vignette "validate": data 1 (Efron), data 2 (Breslow, entry), data 3 (Efron, weights).
    first, second, third = (CASES["validate", name].fit() for name in ("t1", "t2_breslow", "t3"))
    assert first.coef[0] == pytest.approx(1.676857, abs=5e-7)
    assert second.coef[0] == pytest.approx(-0.084526, abs=5e-7)
    assert third.coef[0] == pytest.approx(0.87260425, abs=5e-9)
    assert [third.loglik_null, third.loglik] == pytest.approx([-30.29218, -29.41678], abs=5e-6)


def test_stanford_heart_kalbfleisch_and_prentice_model_6():
    # Kalbfleisch and Prentice, Table 6.1, model 6, as printed in the survival package's vignette "timedep".
    fit = CASES["worked", "kp_model6"].fit()
    published = {
        "age": (0.01527, 0.01750),
        "trt": (0.04457, 0.32171),
        "surgery": (-0.62113, 0.36786),
        "year": (-0.13608, 0.07090),
        "age:trt": (0.02703, 0.02714),
    }
    for name, (coef, se) in published.items():
        got = fit.contrast({name: 1})
        assert (got.estimate, got.se) == (pytest.approx(coef, abs=5e-6), pytest.approx(se, abs=5e-6))
    assert 2 * (fit.loglik - fit.loglik_null) == pytest.approx(16.06, abs=0.005)


def test_published_examples():
    # Recidivism: Allison 1995; Fox and Weisberg's appendix (fin: HR 0.684, 95% 0.470 to 0.996, p 0.047).
    fin = CASES["cox", "rossi"].fit().hazard_ratio("fin")
    assert [fin.estimate, fin.low, fin.high, fin.p] == pytest.approx([0.6843, 0.4702, 0.9957, 0.0474], abs=5e-5)
    # Veteran's lung cancer: survival package, vignette "timedep".
    veteran = CASES["cox", "veteran_karno"].fit()
    assert veteran.coef == pytest.approx([0.180197, -0.005551, -0.033771], abs=5e-7)
    assert 2 * (veteran.loglik - veteran.loglik_null) == pytest.approx(43.04, abs=0.005)
    # Lung cancer: survival package, vignette "survival".
    assert CASES["worked", "lung_wtloss"].fit().coef == pytest.approx([0.0200882, -0.5210319, 0.0007596], abs=5e-8)
    # Larynx: Klein and Moeschberger, Table 8.1, Breslow ties (published value from memory).
    larynx = CASES["worked", "larynx_km81"].fit()
    assert larynx.coef == pytest.approx([0.1386, 0.6383, 1.6931, 0.0189], abs=5e-5)
    assert larynx.se() == pytest.approx([0.4623, 0.3561, 0.4222, 0.0143], abs=5e-5)


def test_contrast_is_coefficients_along_a_vector_with_the_robust_covariance():
    fit = CASES["cox", "sim_entry_cluster"].fit()
    got = fit.contrast({"grp": 1, "age": -10})
    along = np.array([1, 0, -10])
    assert fit.robust_cov is not None
    error = np.sqrt(along @ fit.robust_cov @ along)
    assert got.estimate == pytest.approx(fit.coef[0] - 10 * fit.coef[2])
    assert got.se == pytest.approx(error)
    assert got.high - got.estimate == pytest.approx(1.959963984540054 * error)
    assert fit.contrast(along, confidence=0.9).low > got.low
    assert np.isnan(fit.contrast({}).p)  # of nothing there is nothing to test
    with pytest.raises(KeyError):
        fit.contrast({"agee": 1})


def test_influence_sums_to_nothing_and_squares_to_the_robust_covariance():
    fit = CASES["cox", "sim_entry_wt_strata_cluster"].fit()
    rows, clusters = fit.influence(), fit.influence(by_cluster=True)
    assert rows.shape == (fit.n_rows, 3)
    assert clusters.shape == (fit.n_clusters, 3)
    assert rows.sum(axis=0) == pytest.approx(np.zeros(3), abs=1e-12)
    assert clusters.T @ clusters == pytest.approx(fit.robust_cov, rel=1e-12)


def test_influence_predicts_leaving_a_row_out():
    (x, exit_days, event), options = CASES["cox", "lung"].arrays()
    fit = fit_cox(x, exit_days, event, **options)
    influence = fit.influence()
    for row in (0, 50, 200):
        without = fit_cox(*(np.delete(part, row, axis=0) for part in (x, exit_days, event)), **options)
        assert fit.coef - without.coef == pytest.approx(influence[row], abs=0.1 * fit.se().max())


def test_start_changes_the_path_not_the_result():
    (x, exit_days, event), options = CASES["cox", "mgus2_age_cluster"].arrays()
    near = fit_cox(x, exit_days, event, **options)
    far = fit_cox(x, exit_days, event, **options, start=near.coef + 3 * near.se())
    assert far.coef == pytest.approx(near.coef, abs=1e-11)
    assert far.loglik_null == near.loglik_null
    assert fit_cox(x, exit_days, event, **options, start=near.coef).iterations <= 2


def test_an_event_on_day_0_counts_without_entry():
    # Three teeth, x = 1 fails on day 0, then x = 0 and x = 1: score 1 - 2r/(2r + 1) - r/(r + 1) is 0 at r^2 = 1/2.
    fit = fit_cox([[1], [0], [1]], [0, 3, 5], [1, 1, 1], names=["x"])
    assert fit.coef[0] == pytest.approx(np.log(np.sqrt(0.5)))
    shifted = fit_cox([[1], [0], [1]], [0, 3, 5], [1, 1, 1], names=["x"], entry_days=[-1, -1, -1])
    assert shifted.coef == pytest.approx(fit.coef)


def test_entry_on_the_day_of_an_event_is_not_yet_at_risk():
    # The third tooth enters on day 3, when the first one fails: at risk then are the first two only.
    late = fit_cox([[1], [0], [5], [0]], [3, 8, 9, 9], [1, 1, 1, 0], names=["x"], entry_days=[0, 0, 3, 0])
    r = np.exp(late.coef[0])
    one, two, three = r / (r + 2), 5 * r**5 / (r**5 + 2), 5 * r**5 / (r**5 + 1)
    assert (1 - one) - two + (5 - three) == pytest.approx(0, abs=1e-10)


bad_inputs = {
    "2 of 4 rows have negative follow-up": {"exit_days": [-3, 4, -1, 2]},
    "1 of 4 rows enter on or after": {"entry_days": [0, 4, 0, 0]},
    "1 of 4 rows have no finite value of a": {"x": [[np.nan, 1], [1, 0], [2, 2], [4, 1]]},
    "1 of 4 rows have no finite exit_days": {"exit_days": [np.nan, 4, 1, 2]},
    "1 of 4 rows have a weight": {"weights": [1, 0, 1, 1]},
    "3 of 4 rows have an event that is neither": {"event": [1, 2, 2, 2]},
    "None of 4 rows has an event": {"event": [0, 0, 0, 0]},
    "Constant covariates cannot be estimated: b": {"x": [[1, 7], [2, 7], [5, 7], [3, 7]]},
    "follow from the covariates before them: b": {"x": [[1, 2], [2, 4], [5, 10], [3, 6]]},
    "do not vary among rows at risk together: b": {"strata": [1, 1, 2, 2], "x": [[1, 0], [2, 0], [5, 1], [3, 1]]},
    "event has 3 rows and exit_days 4": {"event": [1, 1, 0]},
    "2 clusters are too few for robust errors of 2": {"cluster": [1, 1, 2, 2]},
    "a name is used more than once": {"names": ["a", "a"]},
    "ties must be": {"ties": "exact"},
}


@pytest.mark.parametrize("message", bad_inputs)
def test_bad_input_is_refused_with_counts_and_names(message):
    good = {
        "x": [[1, 3], [2, 1], [5, 2], [3, 3]],
        "exit_days": [3, 4, 5, 6],
        "event": [1, 1, 1, 0],
        "names": ["a", "b"],
    }
    with pytest.raises(CoxInputError, match=message):
        fit_cox(**{**good, **bad_inputs[message]})


@pytest.mark.parametrize(("data", "name"), [("sep_zero", "g"), ("sep_first", "g"), ("rare", "rare")])
@pytest.mark.parametrize("robust", [False, True])
def test_a_coefficient_without_bound_is_named_and_gets_no_error(data, name, robust):
    rows = dataset(data)
    names = [name, "x"]
    fit = fit_cox(rows.select(names).to_numpy(), rows["t"], rows["e"], names=names, robust=robust)
    assert not fit.converged
    assert fit.diverging == (name,)
    assert np.isnan(fit.se()).tolist() == [True, False]
    ratio = fit.hazard_ratio(name)
    assert (ratio.low, ratio.high) == (0, np.inf)
    assert np.isnan(ratio.p)
    assert np.isfinite(fit.hazard_ratio("x").p)


def test_extreme_start_is_halved_back():
    (x, exit_days, event), options = CASES["cox", "lung"].arrays()
    fit = fit_cox(x, exit_days, event, **options, start=[0.5, -3, 4])
    assert fit.converged
    assert fit.coef == pytest.approx(expected("cox", "lung")["coef"], abs=1e-11)


def test_many_small_strata_keep_their_precision():
    # 20,000 matched pairs: only the pairs that differ count, and the estimate is the log of a ratio of counts.
    rng = np.random.default_rng(7)
    x = rng.integers(0, 2, size=(20_000, 2))
    pair = np.repeat(np.arange(20_000), 2)
    fit = fit_cox(x.reshape(-1, 1), np.tile([1, 2], 20_000), np.tile([1, 0], 20_000), names=["x"], strata=pair)
    exposed_first, other_first = np.sum(x[:, 0] > x[:, 1]), np.sum(x[:, 0] < x[:, 1])
    assert fit.coef[0] == pytest.approx(np.log(exposed_first / other_first), abs=1e-10)
    assert fit.se()[0] == pytest.approx(np.sqrt(1 / exposed_first + 1 / other_first), rel=1e-9)


@pytest.mark.filterwarnings("ignore:It appears your weights are not integers")
def test_lifelines_agrees_with_entry_strata_and_weights():
    # lifelines is a judge of coefficients, likelihood and model errors; its robust errors ignore late entry.
    case = CASES["cox", "sim_entry_wt_strata_cluster"]
    fit = case.fit()
    rows = dataset("sim").select("start", "stop", "w", "arch", *case.covariates, e=pl.col("ev") == 1).to_pandas()
    judge = CoxPHFitter().fit(
        rows,
        "stop",
        "e",
        entry_col="start",
        strata=["arch"],
        weights_col="w",
        fit_options={"precision": 1e-12, "r_precision": 1e-15},
    )
    assert fit.coef == pytest.approx(judge.params_.to_numpy(), abs=1e-8)
    assert fit.se(robust=False) == pytest.approx(np.sqrt(np.diag(judge.variance_matrix_)), rel=1e-6)
    assert fit.loglik == pytest.approx(judge.log_likelihood_, abs=1e-6)


def test_covariates_of_very_different_size_do_not_disturb_each_other():
    (x, exit_days, event), options = CASES["cox", "sim_entry_cluster"].arrays()
    plain = fit_cox(x, exit_days, event, **options)
    scaled = fit_cox(x * [1e-6, 1, 1e6] + [0, 5, 1e8], exit_days, event, **options)
    assert scaled.coef * [1e-6, 1, 1e6] == pytest.approx(plain.coef, rel=1e-7)
    assert scaled.se() * [1e-6, 1, 1e6] == pytest.approx(plain.se(), rel=1e-7)


@pytest.mark.parametrize(("share", "is_refused"), [(0.9, True), (1.1, False)])
def test_what_hardly_varies_is_told_by_its_variance_at_a_mean_event(share, is_refused):
    # Events of weight 2 and 5 make 7; the rows that are none, of weight 100, are not asked.
    rows = check_rows(
        [[0.0, 1.0], [1.0, 0.0], [2.0, 5.0]], [1, 2, 3], [1, 0, 1], names=("age", "fee"), weights=[2, 100, 5]
    )
    information = np.diag([7.0, 7.0 * share * COLLINEAR])
    if is_refused:
        with pytest.raises(CoxInputError, match="do not vary among rows at risk together: fee\\."):
            refuse_collinear(rows, information)
    else:
        refuse_collinear(rows, information)


@pytest.mark.parametrize(("share", "is_refused"), [(0.9, True), (1.1, False)])
def test_what_follows_from_those_before_it_is_told_by_the_variance_left(share, is_refused):
    rows = check_rows([[0.0, 1.0, 0.0], [1.0, 0.0, 3.0]], [1, 2], [1, 1], names=("age", "fee", "year"))
    # Of `year` all but this share of its variance follows from `age`, whatever the units of either.
    alike, size = np.sqrt(1 - share * COLLINEAR), np.array([1.0, 1.0, 30.0])
    information = np.array([[1, 0, alike], [0, 1, 0], [alike, 0, 1]]) * np.outer(size, size)
    if is_refused:
        with pytest.raises(CoxInputError, match="follow from the covariates before them: year\\."):
            refuse_collinear(rows, information)
    else:
        refuse_collinear(rows, information)
