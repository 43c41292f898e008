import secrets

import adjusted_practice as sim
import numpy as np
import polars as pl
import pytest
from r_session import needs_r, run_r

from pipeline.stats.logistic import fit_logistic
from pipeline.stats.splines import harrell_knots, natural_spline
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise

GLM = """
f <- glm(y ~ a + b + c, binomial, d, weights=w, control=glm.control(epsilon=1e-15, maxit=100))
list(coef=unname(coef(f)), se=unname(sqrt(diag(vcov(f)))), deviance=f$deviance, null=f$null.deviance,
     fitted=unname(fitted(f)))
"""

SPLINE = """
k <- unname(quantile(d$a, c(.05, .35, .65, .95)))
list(knots=k, basis=unname(unclass(splines::ns(d$a, knots=k[2:3], Boundary.knots=k[c(1, 4)]))[, 1:3]))
"""

STANDARD = """
f <- coxph(Surv(entry, exit, event) ~ opened + risk + age + strata(clinician), d, weights=w, ties="%s", control=tight)
who <- head(d[!duplicated(d$crown), ], 50)
mean_failure <- function(state) {
  who$opened <- state
  s <- sapply(seq_len(nrow(who)), function(i) {
    g <- survfit(f, newdata=who[i, ], se.fit=FALSE)
    v <- summary(g, times=c(%d, 800, 1826), extend=TRUE)$surv
    v[2:3] / v[1]
  })
  1 - rowMeans(s)
}
list(closed=mean_failure(0), opened=mean_failure(1))
"""


@needs_r
def test_logistic_regression_equals_r_on_fresh_data(tmp_path):
    seed = secrets.randbelow(10**9)
    rng = np.random.default_rng(seed)
    x = np.column_stack([rng.integers(0, 2, 1500), rng.normal(50, 14, 1500), rng.normal(size=1500)])
    y = rng.random(1500) < 1 / (1 + np.exp(-(x @ [0.8, 0.03, -0.5] - 2)))
    rows = pl.DataFrame(dict(zip("abc", x.T, strict=True))).with_columns(y=y.astype(int), w=rng.integers(1, 4, 1500))
    r = run_r(tmp_path, rows, GLM)
    fit = fit_logistic(x, y, names=["a", "b", "c"], weights=rows["w"].to_numpy())
    assert fit.coef == pytest.approx(r["coef"], rel=1e-8, abs=1e-10), seed
    assert fit.se == pytest.approx(r["se"], rel=1e-8), seed
    assert (fit.deviance, fit.null_deviance) == pytest.approx((r["deviance"], r["null"]), rel=1e-10), seed
    assert fit.probability == pytest.approx(r["fitted"], abs=1e-10), seed


@needs_r
def test_spline_basis_equals_r_on_fresh_data(tmp_path):
    seed = secrets.randbelow(10**9)
    values = np.random.default_rng(seed).gamma(2, 3, 400)
    r = run_r(tmp_path, pl.DataFrame({"a": values}), SPLINE)
    knots = harrell_knots(values)
    assert knots == pytest.approx(r["knots"], rel=1e-12), seed
    assert natural_spline(values, knots=knots) == pytest.approx(np.array(r["basis"]), abs=1e-10), seed


@needs_r
@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("from_day", [0, 350])
def test_standardised_shares_equal_the_mean_of_predictions_in_r(tmp_path, ties, from_day):
    seed = secrets.randbelow(10**9)
    rows = sim.practice(250, seed, clinicians=2).with_columns(exit=(pl.col("exit") + 29) // 30 * 30)
    rows = rows.filter(pl.col("entry") < pl.col("exit"))
    rows = rows.with_columns(
        w=np.random.default_rng(seed).uniform(0.5, 2, len(rows)), event=pl.col("event").cast(pl.Int64)
    )
    r = run_r(tmp_path, rows, STANDARD % (ties, from_day))
    model = sim.fit(rows, strata=rows["clinician"], weights=rows["w"], ties=ties)
    first = np.flatnonzero(rows["crown"].is_first_distinct())[:50]
    for place, day in enumerate((800, 1826)):
        found = standardise(
            model, fitted_target(model, first), states=sim.STATES, day=day, from_day=from_day, min_at_risk=1
        )
        wanted = [r[state][place] for state in found.states]
        assert found.failure == pytest.approx(wanted, abs=1e-8), f"seed {seed}, day {day}"
