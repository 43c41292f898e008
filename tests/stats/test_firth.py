import numpy as np
import pytest
from cox_reference import CASES, dataset
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from pipeline.stats.cox import CoxInputError
from pipeline.stats.firth import FirthFit, fit_firth


def matched_pairs(first: int, second: int) -> FirthFit:
    """Pairs of an exposed and an unexposed tooth, of which the exposed one fails first in `first` pairs."""
    n = first + second
    x = np.tile([[1], [0]], (n, 1))
    days = np.concatenate((np.tile([1, 2], first), np.tile([2, 1], second)))
    return fit_firth(x, days, days == 1, names=["exposed"], strata=np.repeat(np.arange(n), 2))


@pytest.mark.parametrize(("first", "second"), [(5, 3), (8, 0), (0, 1), (40, 10)])
def test_matched_pairs_in_closed_form(first, second):
    # The partial likelihood of pairs is binomial and its penalty Jeffreys' prior: half a pair is added to each side.
    fit = matched_pairs(first, second)
    a, b = first + 0.5, second + 0.5
    log_ratio = np.log(a / b)
    share = a / (a + b)
    got = fit.profile("exposed")

    def penalised(beta):
        p = 1 / (1 + np.exp(-beta))
        return a * np.log(p) + b * np.log(1 - p)

    drop = 2 * (penalised(log_ratio) - penalised(0))
    assert got.estimate == pytest.approx(log_ratio, abs=1e-9)
    assert got.se == pytest.approx(1 / np.sqrt((first + second) * share * (1 - share)), rel=1e-9)
    assert got.p == pytest.approx(stats.chi2.sf(drop, 1), rel=1e-6)
    for limit in (got.low, got.high):
        assert 2 * (penalised(log_ratio) - penalised(limit)) == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-6)
    assert got.low < log_ratio < got.high


@pytest.mark.parametrize("exposed", [3, 4])
def test_a_first_step_too_long_is_shortened(exposed):
    # The only tooth that is not exposed fails first, all others after it: that alone tells, as 1 / (1 + n ratio), and
    # with the penalty the share of the n is 1/4, so that the ratio is 1 / (3 n).
    days = np.arange(1, exposed + 2)
    fit = fit_firth(np.minimum(days - 1, 1)[:, None], days, days > 0, names=["exposed"])
    assert fit.converged
    assert fit.coef[0] == pytest.approx(-np.log(3 * exposed), abs=1e-9)


def slow_penalised(beta, rows, ties):
    """The penalised likelihood by its definition, one risk set and one tied event at a time."""
    x, exit_days, event, entry, strata, weight = rows
    loglik, information = 0.0, np.zeros((len(beta), len(beta)))
    risk = weight * np.exp(x @ beta)
    for s, day in {(s, t) for s, t, e in zip(strata, exit_days, event, strict=True) if e}:
        here = (strata == s) & (entry < day) & (exit_days >= day)
        failed = (strata == s) & (exit_days == day) & event
        d = failed.sum()
        loglik += weight[failed] @ (x[failed] @ beta)
        for k in range(d):
            part = risk * here - (k / d if ties == "efron" else 0) * risk * failed
            mean = part @ x / part.sum()
            loglik -= weight[failed].mean() * np.log(part.sum())
            information += weight[failed].mean() * ((x.T * part) @ x / part.sum() - np.outer(mean, mean))
    return loglik + 0.5 * np.linalg.slogdet(information)[1]


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_it_maximises_the_penalised_likelihood_with_entry_strata_and_weights(ties):
    rng = np.random.default_rng(2)
    entry = rng.integers(0, 6, 50)
    x = np.column_stack((rng.random(50) < 0.3, rng.normal(size=50)))
    rows = (
        x,
        entry + rng.integers(1, 9, 50),
        rng.random(50) < 0.5,
        entry,
        rng.integers(0, 2, 50),
        rng.uniform(1, 2, 50),
    )
    fit = fit_firth(*rows[:3], names=["a", "b"], entry_days=rows[3], strata=rows[4], weights=rows[5], ties=ties)
    best = optimize.minimize(
        lambda beta: -slow_penalised(beta, rows, ties),
        fit.coef + 0.1,
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-13},
    )
    assert fit.converged
    assert fit.coef == pytest.approx(best.x, abs=1e-6)
    assert fit.penalised_loglik == pytest.approx(slow_penalised(fit.coef, rows, ties), abs=1e-9)
    # A profile limit: the best likelihood with that coefficient held there has fallen by half the chi-square.
    limit = fit.profile("a").low
    held = optimize.minimize_scalar(lambda b: -slow_penalised(np.array([limit, b]), rows, ties), tol=1e-12)
    assert 2 * (fit.penalised_loglik + held.fun) == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-5)


def test_a_group_without_failures_gets_a_finite_estimate_and_limits():
    # Values of another implementation (firthmodels 0.8.2, Breslow ties): -3.4275412, standard error 1.423548.
    rows = dataset("sep_zero")
    fit = fit_firth(rows.select("g", "x").to_numpy(), rows["t"], rows["e"], names=["g", "x"], ties="breslow")
    got = fit.profile("g")
    assert got.estimate == pytest.approx(-3.4275412, abs=5e-7)
    assert got.se == pytest.approx(1.423548, abs=1e-6)
    assert np.isfinite([got.low, got.high]).all()
    ratio = fit.hazard_ratio("g")
    assert (ratio.estimate, ratio.high) == (pytest.approx(np.exp(got.estimate)), pytest.approx(np.exp(got.high)))
    assert ratio.p == got.p < 1e-4


def test_with_many_failures_the_penalty_hardly_matters():
    case = CASES["cox", "sim_entry_strata"]
    (x, days, event), options = case.arrays()
    options.pop("robust")
    fit, plain = fit_firth(x, days, event, **options), case.fit()
    assert fit.coef == pytest.approx(plain.coef, abs=0.02 * plain.se().max())
    assert fit.se == pytest.approx(plain.se(), rel=0.01)
    wald, profile = plain.contrast({"grp": 1}), fit.profile("grp")
    assert [profile.low, profile.high] == pytest.approx([wald.low, wald.high], abs=0.02 * wald.se)


def test_bad_input_is_refused_as_by_the_ordinary_fit():
    with pytest.raises(CoxInputError, match="None of 3 rows has an event"):
        fit_firth([[1], [0], [1]], [1, 2, 3], [0, 0, 0], names=["x"])
    with pytest.raises(CoxInputError, match="follow from the covariates before them: b"):
        fit_firth([[1, 2], [0, 0], [2, 4]], [1, 2, 3], [1, 1, 0], names=["a", "b"])


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_limits_enclose_the_estimate_and_agree_with_p(seed):
    rng = np.random.default_rng(seed)
    group, x = rng.random(80) < 0.15, rng.normal(size=80)
    days, event = rng.integers(1, 40, 80), (rng.random(80) < 0.3) & ~(group & (rng.random(80) < 0.8))
    fit = fit_firth(np.column_stack((group, x)), days, event, names=["group", "x"])
    assert fit.converged
    for name in fit.names:
        got = fit.profile(name)
        assert got.low < got.estimate < got.high
        assert (got.p < 0.05) == (got.low > 0 or got.high < 0)
