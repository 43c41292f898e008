import secrets

import numpy as np
import polars as pl
import pytest
from r_session import needs_r, run_r

from pipeline.stats.concordance import concordance_of_fit
from pipeline.stats.cox import CoxFit, fit_cox
from pipeline.stats.cox_baseline import predict_survival
from pipeline.stats.fine_gray import fit_fine_gray, weighted_rows
from pipeline.stats.proportional_hazards import proportional_hazards_test

FIT = """
out <- list()
for (ties in c("efron", "breslow")) {
  f <- coxph(Surv(entry, exit, event) ~ a + b + c + strata(s) + cluster(k), d, weights=w, ties=ties, control=tight)
  out[[ties]] <- list(coef=unname(coef(f)), robust=unname(sqrt(diag(f$var))), model=unname(sqrt(diag(f$naive.var))),
                      loglik=f$loglik, score=f$score, rscore=as.vector(f$rscore), wald=as.vector(f$wald.test),
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
        assert got.robust_score_test().chi_square == pytest.approx(r["rscore"], rel=1e-9), where
        assert got.wald_test.chi_square == pytest.approx(r["wald"], rel=1e-7), where
        assert np.allclose(got.score_residuals(), r["residual"], rtol=0, atol=1e-9), where
        assert np.allclose(got.influence(), r["dfbeta"], rtol=0, atol=1e-9), where


AFTER_FIT = """
f <- coxph(Surv(entry, exit, event) ~ a + b + c + strata(s) + cluster(k), d, weights=w, control=tight)
new <- data.frame(a=c(0, 1), b=c(40, 60), c=c(-1, 1), s=c(0, 3))
out <- list(concordance=unname(f$concordance[c("concordance", "std")]))
for (type in c("log", "log-log")) for (ctype in 1:2) {
  curve <- survfit(f, newdata=new, conf.type=type, stype=2, ctype=ctype)
  for (i in 1:2) {
    s <- summary(curve[i], times=365 * (1:5), extend=TRUE)
    out[[paste(type, ctype, i)]] <- list(surv=s$surv, std.err=s$std.err, lower=s$lower, upper=s$upper)
  }
}
for (scale in c("identity", "log", "km", "rank")) out[[scale]] <- unname(cox.zph(f, scale)$table[, 1])
out
"""


@needs_r
def test_what_follows_a_fit_equals_r_on_fresh_data(tmp_path):
    seed = secrets.randbelow(10**9)
    rows = fresh_rows(seed)
    r, got, where = run_r(tmp_path, rows, AFTER_FIT), fit(rows, "efron"), f"seed {seed}"
    agreement = concordance_of_fit(got)
    assert [agreement.estimate, agreement.se] == pytest.approx(r["concordance"], rel=1e-9), where
    for scale in ("identity", "log", "km", "rank"):
        table = proportional_hazards_test(got, scale=scale)
        assert table["chi_square"].to_list() == pytest.approx(r[scale], rel=1e-8), f"{where}, {scale}"
    names = {"survival": "surv", "std_error": "std.err", "lower": "lower", "upper": "upper"}
    for limits in ("log", "log-log"):
        for ctype, estimator in ((1, "breslow"), (2, "efron")):
            curves = predict_survival(
                got,
                [[0, 40, -1], [1, 60, 1]],
                days=365 * np.arange(1, 6),
                strata=[0, 3],
                estimator=estimator,
                limits=limits,
            )
            for profile, theirs in ((0, f"{limits} {ctype} 1"), (1, f"{limits} {ctype} 2")):
                mine = curves.filter(profile=profile)
                for ours, name in names.items():
                    assert mine[ours].to_list() == pytest.approx(r[theirs][name], abs=1e-9), f"{where}, {theirs}"


FINE_GRAY = """
d$status <- factor(d$status, 0:2)
both <- list()
for (late in c(FALSE, TRUE)) {
  surv <- if (late) quote(Surv(entry, exit, status)) else quote(Surv(exit, status))
  e <- eval(substitute(finegray(SURV ~ a + c + k + row, d, etype="1", id=row), list(SURV=surv)))
  e <- e[order(e$row, e$fgstart), ]
  f <- coxph(Surv(fgstart, fgstop, fgstatus) ~ a + c + cluster(k), e, weights=fgwt, control=tight)
  both[[if (late) "late" else "plain"]] <- list(row=e$row, start=e$fgstart, stop=e$fgstop, event=e$fgstatus,
    weight=e$fgwt, coef=unname(coef(f)), se=unname(sqrt(diag(f$var))))
}
d$stratum <- d$s
e <- finegray(Surv(exit, status) ~ a + c + k + stratum + strata(s), d, etype="1")
f <- coxph(Surv(fgstart, fgstop, fgstatus) ~ a + c + strata(stratum) + cluster(k), e, weights=fgwt, control=tight)
c(both, list(strata=list(coef=unname(coef(f)), se=unname(sqrt(diag(f$var))))))
"""


@needs_r
def test_fine_gray_equals_r_on_fresh_data(tmp_path):
    seed = secrets.randbelow(10**9)
    rng = np.random.default_rng(seed)
    rows = fresh_rows(seed, n=600).with_row_index("row")
    rows = rows.with_columns(status=rows["event"].to_numpy() * rng.integers(1, 3, 600))
    r, where = run_r(tmp_path, rows, FINE_GRAY), f"seed {seed}"
    x, names = rows.select("a", "c").to_numpy(), ["a", "c"]
    for kind, options in (("plain", {}), ("late", {"entry_days": rows["entry"]})):
        pieces = weighted_rows(rows["exit"], rows["status"], **options)
        for column in ("row", "start", "stop", "event"):
            assert np.array_equal(getattr(pieces, column), r[kind][column]), f"{where}, {kind}, {column}"
        assert np.allclose(pieces.weight, r[kind]["weight"], rtol=1e-10, atol=0), f"{where}, {kind}"
        got = fit_fine_gray(x, rows["exit"], rows["status"], names=names, cluster=rows["k"], **options)
        assert got.coef == pytest.approx(r[kind]["coef"], abs=1e-9), f"{where}, {kind}"
        assert got.se() == pytest.approx(r[kind]["se"], rel=1e-7), f"{where}, {kind}"
    got = fit_fine_gray(x, rows["exit"], rows["status"], names=names, cluster=rows["k"], strata=rows["s"])
    assert got.coef == pytest.approx(r["strata"]["coef"], abs=1e-9), where
    assert got.se() == pytest.approx(r["strata"]["se"], rel=1e-7), where
