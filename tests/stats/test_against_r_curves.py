"""Curves and rates against R, run live on fresh random rows with late entry, ties, weights, clusters."""

import secrets

import numpy as np
import polars as pl
import pytest
from curve_reference import CURVES, ERRORS, assert_same
from r_session import needs_r, run_r

from pipeline.stats.aalen_johansen import aalen_johansen
from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.rates import failure_rate

SCRIPT = """
e <- as.integer(d$cause > 0); d$e <- e; d$state <- factor(d$cause, 0:2); d$row <- seq_len(nrow(d))
curve <- function(f) list(time=f$time, surv=f$surv, se=if (f$logse) f$std.err*f$surv else f$std.err,
                          low=f$lower, high=f$upper, median=unname(unlist(quantile(f, .5))))
s <- Surv(d$entry, d$exit, e)
plain <- survfit(s ~ 1, conf.type="log-log")
clustered <- survfit(s ~ 1, weights=d$w, id=d$row, cluster=d$cluster, conf.type="log-log")
states <- survfit(Surv(entry, exit, state) ~ 1, d, id=row, influence=TRUE, conf.type="log-log")
from <- dim(states$influence.pstate)[2] - length(states$time)
pulls <- states$influence.pstate[, from + seq_along(states$time), 2:3]
grouped <- sapply(1:2, function(j) sqrt(colSums(rowsum(pulls[,,j], d$cluster)^2)))
pos <- d[d$exit > d$entry,]; pos$years <- pos$exit - pos$entry
constant <- survreg(Surv(years, e) ~ 1, pos, dist="exponential", cluster=cluster, robust=TRUE)
list(plain=curve(plain), clustered=curve(clustered), time=states$time, pstate=states$pstate[, 2:3],
     naive=states$std.err[, 2:3], low=states$lower[, 2:3], high=states$upper[, 2:3], grouped=grouped,
     log_rate=-unname(coef(constant)), log_rate_se=sqrt(unname(constant$var[1])))
"""


def random_rows(seed: int) -> pl.DataFrame:
    """Some 500 rows on a grid of 30 days; many enter late, patients have about two rows each."""
    rng = np.random.default_rng(seed)
    n = 700
    entry = np.where(rng.random(n) < 0.4, rng.integers(0, 30, n) * 30, 0)
    exit_days = (np.ceil(rng.exponential(900, n) / 30) * 30).astype(int)
    rows = pl.DataFrame(
        {
            "entry": entry,
            "exit": np.minimum(exit_days, 1500),
            "cause": np.where(exit_days > 1500, 0, rng.choice([0, 1, 2], n, p=[0.4, 0.4, 0.2])),
            "cluster": rng.integers(0, 250, n),
            "w": rng.uniform(0.3, 2, n).round(3),
        }
    )
    return rows.filter(pl.col("exit") > pl.col("entry"))


@needs_r
@pytest.mark.parametrize("run", [1, 2])
def test_equals_r_on_fresh_rows(tmp_path, run):
    seed = secrets.randbelow(10**9)
    print(f"run {run}: random_rows({seed})")  # pytest shows it when the test fails
    d = random_rows(seed)
    r = run_r(tmp_path, d, SCRIPT)
    failed = d["cause"] > 0
    rows = {"exit_days": d["exit"], "event": failed, "entry_days": d["entry"]}

    weighted = {**rows, "weights": d["w"], "cluster": d["cluster"]}
    for curve, theirs in ((kaplan_meier(**rows), r["plain"]), (kaplan_meier(**weighted), r["clustered"])):
        assert_same(curve.time, theirs["time"], 0)
        assert_same(curve.survival, theirs["surv"], CURVES)
        for ours, key in ((curve.std_error, "se"), (curve.low, "low"), (curve.high, "high")):
            assert_same(ours, theirs[key], ERRORS)
        median = curve.median()
        assert_same([median.days, median.low, median.high], theirs["median"], 0)

    states = aalen_johansen(d["exit"], d["cause"], entry_days=d["entry"])
    assert_same(states.time, r["time"], 0)
    assert_same(states.incidence.T, r["pstate"], CURVES)
    for ours, key in ((states.std_error, "naive"), (states.low, "low"), (states.high, "high")):
        assert_same(ours.T, r[key], ERRORS)
    grouped = aalen_johansen(d["exit"], d["cause"], entry_days=d["entry"], cluster=d["cluster"])
    assert_same(grouped.std_error.T, r["grouped"], ERRORS)

    rate = failure_rate(**rows, cluster=d["cluster"])
    # R fits the constant rate by iteration, per day.
    assert np.log(rate.per_100 / 100 / 365.25) == pytest.approx(r["log_rate"], abs=1e-8)
    half_width = np.log(rate.clustered_high / rate.per_100) / 1.959963984540054
    assert half_width == pytest.approx(r["log_rate_se"], rel=1e-6)
