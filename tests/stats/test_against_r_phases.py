"""A difference through phases, its error and its limits, against R: refitted with the weight of each patient moved."""

import numpy as np
import polars as pl
import pytest
from r_session import needs_r, run_r

from pipeline.questions.question import Contrast
from pipeline.questions.steady_ratio import Changing, adjusted_of, overall_ratio, windows_of
from pipeline.stats.cox import fit_cox
from pipeline.stats.few_failures import Allowance
from pipeline.stats.phases import fit_phases

START, LENGTH, TURNS = 100, 900, (122, 365)
OPENED = Contrast("opened", "closed", "the opening", ("an opened crown", "a closed crown"))

# `d` has the rows cut at the turns (phase 0 for closed ones, else 1 to 3). That phases which
# adjoin are alike, worth one failure, is put in as two strata: in each another of the two fails, with half a weight.
SCRIPT = """
turns <- c(122, 365); start <- 100; end <- 1000
put_in <- do.call(rbind, lapply(1:2, function(k) do.call(rbind, lapply(k + 0:1, function(fails) {
  data.frame(t0 = -1, t1 = ifelse(k + 0:1 == fails, 5, 9), event = (k + 0:1 == fails) + 0, phase = k + 0:1, other = 0,
             patient = paste("put in", k, fails), target = 0, stratum = paste(k, fails), weight = 0.5)
}))))
d$stratum <- "all"; d$weight <- 1
rows <- rbind(d[names(put_in)], put_in)
for (k in 1:3) rows[[paste0("p", k)]] <- (rows$phase == k) + 0
who <- unique(rows$patient)
shares <- function(moved, by) {
  rows$w <- rows$weight * ifelse(rows$patient == moved, 1 + by, 1)
  f <- coxph(Surv(t0, t1, event) ~ p1 + p2 + p3 + other + strata(stratum), rows,
             weights = w, control = tight)
  base <- basehaz(f, centered = FALSE)
  base <- base[base$strata == "all" | base$strata == "stratum=all", ]
  H <- function(t) c(0, base$hazard)[findInterval(t, base$time) + 1]
  b <- unname(coef(f))
  of <- rows[rows$target == 1, ]
  own <- exp(b[4] * of$other)
  between <- diff(H(c(start, start + turns, end)))
  share <- function(ratios) weighted.mean(1 - exp(-own * sum(ratios * between)), of$w)
  c(share(exp(b[1:3])), share(c(1, 1, 1)))
}
e <- 1e-4
pull <- sapply(who, function(p) (shares(p, e) - shares(p, -e)) / (2 * e))
at <- shares("", 0)
gap <- pull[1, ] - pull[2, ]
carry <- sum(gap^2)^2 / sum(gap^4)
larger <- 1.1; t <- qt(0.975, min(20, carry - 1))
ends <- sapply(1:2, function(g) {
  h <- -log(1 - at[g])
  1 - exp(-h * exp(c(-1, 1) * t * larger * sqrt(sum(pull[g, ]^2)) / (h * (1 - at[g]))))
})
rho <- sum(pull[1, ] * pull[2, ]) / sqrt(sum(pull[1, ]^2) * sum(pull[2, ]^2))
third <- function(a, b) sqrt(a^2 + b^2 - 2 * rho * a * b)
h <- -log(1 - at)
log_ratio <- log(h[1] / h[2])
through <- pull[1, ] / (h[1] * (1 - at[1])) - pull[2, ] / (h[2] * (1 - at[2]))
list(per_100 = 100 * (at[1] - at[2]), error = 110 * sqrt(sum(gap^2)), carry = carry,
     low = 100 * (at[1] - at[2] - third(at[1] - ends[1, 1], ends[2, 2] - at[2])),
     high = 100 * (at[1] - at[2] + third(ends[2, 1] - at[1], at[2] - ends[1, 2])),
     ratio = exp(log_ratio + c(0, -1, 1) * t * larger * sqrt(sum(through^2))))
"""


@pytest.mark.parametrize("empty", [False, True])
@needs_r
def test_a_difference_through_phases_equals_r(tmp_path, empty):
    rng, n = np.random.default_rng(5), 240
    opened = rng.random(n) < 0.4
    entry = np.where(opened, rng.integers(0, 400, n), -1)
    leave, event = entry + 1 + rng.integers(1, 1500, n), rng.random(n) < 0.3
    if empty:
        event &= ~opened | (leave - entry > TURNS[1])
    x = np.column_stack([opened, rng.random(n).round(3)])
    fit = fit_cox(x, leave, event, names=["opened", "other"], entry_days=entry, cluster=np.arange(n) // 3)
    began = np.where(opened, entry, 0)
    phases = fit_phases(fit, "opened", start=began, cuts=TURNS, alike=1.0)
    assert (min(phases.failures) == 0) is empty
    target = np.arange(0, n, 2)
    windows = windows_of(
        fit,
        Changing(phases, TURNS),
        target,
        states={"opened": {"opened": 1.0}, "closed": {"opened": 0.0}},
        group="opened",
        start=START,
        length=LENGTH,
        min_at_risk=1,
    )
    allowance = Allowance(1.1, 20.0)
    found = adjusted_of(OPENED, windows, allowance, days=(START, START + LENGTH), confidence=0.95)
    rows = phases.fit.design.rows
    in_target = np.zeros(len(rows.exit), dtype=int)
    in_target[phases.piece[target]] = 1
    cut = pl.DataFrame(
        {
            "t0": rows.entry,
            "t1": rows.exit,
            "event": rows.event.astype(int),
            "phase": (rows.x[:, :3] @ np.array([1, 2, 3])).astype(int),
            "other": rows.x[:, 3],
            "patient": rows.cluster,
            "target": in_target,
        }
    )
    told = run_r(tmp_path, cut, SCRIPT)
    assert found.per_100 == pytest.approx(told["per_100"], rel=1e-7)
    assert found.std_error == pytest.approx(told["error"], rel=1e-5)
    assert windows.carriers("opened", "closed") == pytest.approx(told["carry"], rel=1e-5)
    assert [found.low, found.high] == pytest.approx([told["low"], told["high"]], rel=1e-5)
    assert overall_ratio(windows, OPENED, allowance, 0.95) == pytest.approx(told["ratio"], rel=1e-5)
