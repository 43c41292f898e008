import secrets

import numpy as np
import polars as pl
import pytest
from cox_reference import score_residuals
from r_session import needs_r, run_r

from pipeline.stats.censoring_weights import expected_events
from pipeline.stats.cox import CoxFit, fit_cox
from pipeline.stats.proportional_hazards import proportional_hazards_test

FIT = """
out <- list()
for (ties in c("efron", "breslow")) {
  f <- coxph(Surv(entry, exit, event) ~ a + b + c + strata(s) + cluster(k), d, weights=w, ties=ties, control=tight)
  out[[ties]] <- list(coef=unname(coef(f)), robust=unname(sqrt(diag(f$var))), model=unname(sqrt(diag(f$naive.var))),
                      loglik=f$loglik, score=f$score,
                      residual=unname(residuals(f, "score")), dfbeta=unname(residuals(f, "dfbeta", weighted=TRUE)))
}
out
"""


def fresh_rows(seed: int, n: int = 3000) -> pl.DataFrame:
    """Teeth with a shared frailty per patient, weekly ties, entries tied with events, strata and uneven weights."""
    rng = np.random.default_rng(seed)
    patient = rng.integers(0, n // 3, n)
    a, b, c = rng.integers(0, 2, n), rng.normal(50, 14, n).round(), rng.normal(size=n)
    rate = rng.gamma(4, 1 / 4, n // 3)[patient] * np.exp(0.5 * a + 0.01 * (b - 50) - 0.3 * c) / 2500
    entry = np.where(rng.random(n) < 0.3, rng.integers(0, 150, n), 0) * 7
    lasted = np.ceil(rng.exponential(1 / rate) / 7).astype(int) * 7
    seen = rng.integers(1, 500, n) * 7
    return pl.DataFrame(
        {
            "a": a,
            "b": b,
            "c": c,
            "entry": entry,
            "exit": entry + np.minimum(lasted, seen),
            "event": (lasted <= seen).astype(int),
            "s": rng.integers(0, 4, n),
            "w": rng.uniform(0.3, 4, n),
            "k": patient,
        }
    )


def fit(rows: pl.DataFrame, ties: str) -> CoxFit:
    return fit_cox(
        rows.select("a", "b", "c").to_numpy(),
        rows["exit"],
        rows["event"],
        names=["a", "b", "c"],
        entry_days=rows["entry"],
        strata=rows["s"],
        weights=rows["w"],
        cluster=rows["k"],
        ties=ties,
    )


@needs_r
def test_kernel_equals_r_on_fresh_data(tmp_path):
    seed = secrets.randbelow(10**9)
    rows = fresh_rows(seed)
    for ties, r in run_r(tmp_path, rows, FIT).items():
        got, where = fit(rows, ties), f"seed {seed}, {ties}"
        assert got.coef == pytest.approx(r["coef"], abs=1e-9), where
        assert got.se() == pytest.approx(r["robust"], rel=1e-7), where
        assert got.se(robust=False) == pytest.approx(r["model"], rel=1e-7), where
        assert [got.loglik_null, got.loglik] == pytest.approx(r["loglik"], abs=1e-7), where
        assert got.score_test.chi_square == pytest.approx(r["score"], rel=1e-9), where
        assert np.allclose(score_residuals(got), r["residual"], rtol=0, atol=1e-9), where
        assert np.allclose(got.influence(), r["dfbeta"], rtol=0, atol=1e-9), where


AFTER_FIT = """
f <- coxph(Surv(entry, exit, event) ~ a + b + c + strata(s) + cluster(k), d, weights=w, control=tight)
new <- data.frame(a=c(0, 1), b=c(40, 60), c=c(-1, 1), entry=c(-1, 300), exit=c(365, 1825), event=0, k=0)
plain <- coxph(Surv(entry, exit, event) ~ a + b + c, d, weights=w, control=tight)
out <- list(expected=unname(predict(plain, new, type="expected")))
c(out, list(km=unname(cox.zph(f, "km")$table[, 1])))
"""


@needs_r
def test_what_follows_a_fit_equals_r_on_fresh_data(tmp_path):
    seed = secrets.randbelow(10**9)
    rows = fresh_rows(seed)
    r, got, where = run_r(tmp_path, rows, AFTER_FIT), fit(rows, "efron"), f"seed {seed}"
    assert proportional_hazards_test(got)["chi_square"].to_list() == pytest.approx(r["km"], rel=1e-8), where
    plain = fit(rows.with_columns(s=0), "efron")
    expected = expected_events(plain, [[0, 40, -1], [1, 60, 1]], [-1, 300], [365, 1825])
    assert expected == pytest.approx(r["expected"], rel=1e-9), where
