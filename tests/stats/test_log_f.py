"""A belief that coefficients are alike: as rows that would be put in, against R, and what it does to errors."""

import numpy as np
import polars as pl
import pytest
from r_session import needs_r, run_r

from pipeline.stats.cox import fit_cox
from pipeline.stats.log_f import LogF
from pipeline.stats.phases import fit_phases
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise_windows import standardise_windows


@pytest.fixture(scope="module")
def steady():
    """Opened crowns, none of which fails in its first year, and others; two of a patient."""
    rng, n = np.random.default_rng(1), 300
    opened = rng.random(n) < 0.4
    entry = np.where(opened, rng.integers(0, 400, n), -1)
    leave, event = entry + 1 + rng.integers(1, 1500, n), rng.random(n) < 0.2
    event &= ~opened | (leave - entry > 365)
    x = np.column_stack([opened, rng.random(n)])
    fit = fit_cox(x, leave, event, names=["opened", "other"], entry_days=entry, cluster=np.arange(n) // 2)
    return fit, np.where(opened, entry, 0)


def with_rows(fit, worth):
    """The rows of a fit with phases, and strata of two that are alike but for adjoining phases, one of which fails."""
    rows, columns = fit.design.rows, len(fit.names)
    pairs = [(k, other, fails) for k in range(2) for other in (k, k + 1) for fails in (k, k + 1)]
    put_in = len(pairs)
    return {
        "x": np.vstack([rows.x, [np.eye(columns)[fails] for _, _, fails in pairs]]),
        "exit_days": np.append(rows.exit, [5 if other == fails else 9 for _, other, fails in pairs]),
        "event": np.append(rows.event, [other == fails for _, other, fails in pairs]),
        "entry_days": np.append(rows.entry, [-1] * put_in),
        "strata": np.append(rows.strata, [1000 + 2 * k + other for k, other, _ in pairs]),
        "weights": np.append(rows.weight, [worth / 2] * put_in),
        "cluster": np.append(rows.cluster, [1000 + 2 * k + other for k, other, _ in pairs]),
    }


@pytest.mark.parametrize("worth", [1.0, 4.0])
def test_it_is_what_pairs_of_which_either_fails_would_add(steady, worth):
    fit, start = steady
    found = fit_phases(fit, "opened", start=start, cuts=(122, 365), alike=worth)
    assert found.failures[:2] == (0, 0)
    # Who was not opened stays whole, however many phases there are.
    assert (found.fit.design.rows.x[:, :3] == 0).all(axis=1).sum() == (fit.design.rows.x[:, 0] == 0).sum()
    rows = with_rows(found.fit, worth)
    put_in = fit_cox(rows.pop("x"), rows.pop("exit_days"), rows.pop("event"), names=found.fit.names, **rows)
    assert found.fit.coef == pytest.approx(put_in.coef, rel=1e-6)
    assert found.fit.model_cov == pytest.approx(put_in.model_cov, rel=1e-6)
    assert found.fit.robust_cov == pytest.approx(put_in.robust_cov, rel=1e-6, abs=1e-9)
    assert found.fit.converged
    assert found.fit.coef[0] < found.fit.coef[2]


@needs_r
def test_the_ratios_equal_r_on_rows_that_are_put_in(steady, tmp_path):
    fit, start = steady
    found = fit_phases(fit, "opened", start=start, cuts=(122, 365), alike=1.0).fit
    rows = with_rows(found, 1.0)
    columns = {f"x{j}": column for j, column in enumerate(rows.pop("x").T)}
    told = run_r(
        tmp_path,
        pl.DataFrame({**columns, **rows, "event": rows["event"].astype(int)}),
        "f <- coxph(Surv(entry_days, exit_days, event) ~ x0 + x1 + x2 + x3 + strata(strata), d, weights = weights,"
        " cluster = cluster, control = tight)\nlist(coef = unname(coef(f)), var = f$var)",
    )
    assert found.coef == pytest.approx(told["coef"], rel=1e-6)
    assert found.robust_cov == pytest.approx(np.array(told["var"]), rel=1e-5, abs=1e-9)


def test_many_failures_are_left_as_they_are_and_none_at_all_gets_half_a_failure():
    # Two of a rate: ten fail of one and none of the other, which are at risk as often.
    n = 1000
    x = np.arange(2 * n)[:, None] % 2
    event = np.zeros(2 * n, dtype=bool)
    event[:40:2] = True
    days = np.where(event, np.arange(2 * n) // 2 + 1, 500)
    prior = LogF(np.array([[1.0]]), 1.0)
    found = fit_cox(x, days, event, names=["x"], prior=prior)
    # 20 + 1 / 2 failures against 1 / 2, but for those who left the risk sets.
    assert np.exp(found.coef[0]) == pytest.approx(0.5 / 20.5, rel=0.05)
    assert found.loglik == pytest.approx(
        fit_cox(x, days, event, names=["x"], start=found.coef, prior=prior).loglik, abs=1e-9
    )
    assert found.loglik < 0


def test_its_slope_and_its_curve_are_those_of_its_logarithm():
    prior, beta, step = LogF(np.array([[1.0, -1.0, 0.0], [0.0, 1.0, -2.0]]), 3.0), np.array([0.4, -1.0, 0.7]), 1e-5
    assert prior.logarithm(np.zeros(3)) == 0
    assert prior.score(beta).shape == (3,)
    for j in range(3):
        move = np.eye(3)[j] * step
        slope = (prior.logarithm(beta + move) - prior.logarithm(beta - move)) / (2 * step)
        assert prior.score(beta)[j] == pytest.approx(slope, rel=1e-6)
        curve = (prior.score(beta + move) - prior.score(beta - move)) / (2 * step)
        assert -prior.information(beta)[j] == pytest.approx(curve, rel=1e-6, abs=1e-9)
    scale = np.array([2.0, 0.5, 4.0])
    assert prior.per(scale).logarithm(beta * scale) == pytest.approx(prior.logarithm(beta))


def test_a_standardised_share_hangs_on_the_belief_as_its_pulls_say(steady):
    fit, start = steady
    opened = np.flatnonzero(fit.design.rows.x[:, 0] == 1)

    def answer(worth):
        found = fit_phases(fit, "opened", start=start, cuts=(122, 365), alike=worth)
        states = {"opened": found.set_to(True, {}), "closed": found.set_to(False, {})}
        target = fitted_target(found.fit, found.piece[opened])
        return standardise_windows(
            found.fit, target, start=100, days=[300, 1000], states=states, turns=[122, 365], min_at_risk=1
        )

    found, step = answer(1.0), 1e-4
    up, down = answer(1 + step), answer(1 - step)
    # Two adjoining pairs of phases, two halves each, in no cluster.
    assert found.pull.shape == (2, 150 + 4)
    halves = found.pull[:, 150:].sum(axis=1)
    assert np.abs(halves[0]) > 1e-5
    assert (up.failure[:, -1] - down.failure[:, -1]) / (2 * step) == pytest.approx(halves, rel=1e-4, abs=1e-9)
    assert (up.mean_days - down.mean_days) / (2 * step) == pytest.approx(
        found.mean_pull[:, 150:].sum(axis=1), rel=1e-4, abs=1e-6
    )
