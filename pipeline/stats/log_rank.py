"""Log-rank tests of several groups, with late entry, strata, and a form for teeth that share a patient."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.group_counts import Cells, Grouped, carry_forward, cells_of, read_groups, running_product
from pipeline.stats.laws import chi2_upper
from pipeline.stats.spells import Floats, Values

Weighting = Literal["log-rank", "gehan", "tarone-ware", "fleming-harrington"]
Ties = Literal["efron", "breslow"]


@dataclass(frozen=True)
class LogRank:
    """Result of a test. `observed` and `expected` are per group, summed over strata and weighted as the test is.

    `variance` is that of observed - expected. `df` is its rank: groups that were never at risk beside another add
    nothing. With a rank of 0 there is nothing to test and `p` is NaN.
    """

    groups: tuple[Any, ...]
    observed: Floats
    expected: Floats
    variance: Floats
    chi_square: float
    df: int
    p: float
    method: str
    n_units: int


def log_rank(
    exit_days: Values,
    event: Values,
    group: Values,
    *,
    entry_days: Values | None = None,
    strata: Values | None = None,
    weighting: Weighting = "log-rank",
    p: float = 0.0,
    q: float = 0.0,
) -> LogRank:
    """Log-rank test and its weighted kin, with the hypergeometric variance.

    Weights per failure day: 1 (log-rank), the number at risk (Gehan [1]), its root (Tarone-Ware [2]), or
    S^p (1 - S)^q with S the pooled Kaplan-Meier curve just before the day, stratum by stratum (Fleming-Harrington [3]).
    Rows count as independent: for teeth that share a patient use `clustered_log_rank`.

    Raises ValueError for fewer than two groups and as `read_spells` does.

    References
    ----------
    [1] Gehan EA. A generalized Wilcoxon test for comparing arbitrarily singly-censored samples. Biometrika
        1965;52:203-223.
    [2] Tarone RE, Ware J. On distribution-free tests for equality of survival distributions. Biometrika
        1977;64:156-160.
    [3] Fleming TR, Harrington DP. Counting Processes and Survival Analysis. Wiley, 1991 (chapter 7).
    """
    rows = read_groups(exit_days, event, group, entry_days=entry_days, strata=strata)
    cells = cells_of(rows, n_causes=_one_cause(rows))
    return log_rank_of_cells(cells, labels=rows.labels, weighting=weighting, p=p, q=q, n_units=rows.spells.n_units)


def log_rank_of_cells(
    cells: Cells,
    *,
    labels: tuple[Any, ...],
    weighting: Weighting = "log-rank",
    p: float = 0.0,
    q: float = 0.0,
    n_units: int = 0,
) -> LogRank:
    """The test of `log_rank` from who is at risk and fails on each day; no row of a `Cells` is needed."""
    weight = _day_weights(cells, weighting, p, q)
    at_risk, failed = cells.at_risk, cells.events[0]
    n, d = at_risk.sum(axis=1), failed.sum(axis=1)
    share = at_risk / n[:, None]
    spread = weight**2 * d * (n - d) / np.maximum(n - 1, 1)
    variance = (share.T @ (-spread[:, None] * share)).astype(np.float64)
    variance[np.diag_indices_from(variance)] += spread @ share
    return _result(
        labels,
        n_units,
        observed=weight @ failed,
        expected=(weight * d) @ share,
        variance=variance,
        method=weighting,
    )


def clustered_log_rank(
    exit_days: Values,
    event: Values,
    group: Values,
    *,
    cluster: Values,
    entry_days: Values | None = None,
    strata: Values | None = None,
    weights: Values | None = None,
    weighting: Weighting = "log-rank",
    p: float = 0.0,
    q: float = 0.0,
    ties: Ties = "efron",
) -> LogRank:
    """Log-rank test whose variance is taken over clusters: the robust score test of a Cox model of the groups [1].

    Each cluster adds up the score residuals of its rows at no difference between the groups, and the variance is the
    sum of their squares. With `ties="efron"` and no day weights this is R's `coxph(... + cluster())$rscore`; with
    `breslow` observed - expected is exactly that of `log_rank`. Row weights (for adjusted groups) enter the sums and
    their squares, so that only their ratios matter. Day weights are taken as given.

    References
    ----------
    [1] Lin DY, Wei LJ. The robust inference for the Cox proportional hazards model. J Am Stat Assoc
        1989;84:1074-1078.
    """
    rows = read_groups(exit_days, event, group, entry_days=entry_days, strata=strata, weights=weights, cluster=cluster)
    cells = cells_of(rows, n_causes=_one_cause(rows))
    if rows.spells.unit is None or rows.spells.n_units < 2:
        raise ValueError("a variance over clusters needs at least two of them")
    return clustered_of_cells(
        cells,
        score_squares(rows, cells, weighting=weighting, p=p, q=q, ties=ties),
        labels=rows.labels,
        n_units=rows.spells.n_units,
        weighting=weighting,
        p=p,
        q=q,
        ties=ties,
    )


def score_squares(
    rows: Grouped, cells: Cells, *, weighting: Weighting = "log-rank", p: float = 0.0, q: float = 0.0, ties: Ties
) -> Floats:
    """Sum over the clusters of `rows` of the products of their scores; those of some patients and of others add up.

    `cells` may count more rows than these; its `first` and `last` place these.
    """
    unit = rows.spells.unit
    if unit is None:
        raise ValueError("the rows carry no units")
    scores = _scores(rows, cells, _day_weights(cells, weighting, p, q), ties)
    per_unit = np.column_stack(
        [np.bincount(unit, weights=column, minlength=rows.spells.n_units) for column in scores.T]
    )
    return (per_unit.T @ per_unit).astype(np.float64)


def clustered_of_cells(
    cells: Cells,
    squares: Floats,
    *,
    labels: tuple[Any, ...],
    n_units: int,
    weighting: Weighting = "log-rank",
    p: float = 0.0,
    q: float = 0.0,
    ties: Ties,
) -> LogRank:
    """The test of `clustered_log_rank` from who is at risk and fails on each day, and the clusters' `score_squares`."""
    day_weight, failed = _day_weights(cells, weighting, p, q), cells.events[0]
    steps = _Steps.of(cells, ties)
    average = steps.table(steps.mean) / steps.number[:, None]
    return _result(
        labels,
        n_units,
        observed=day_weight @ failed,
        expected=np.asarray((day_weight * failed.sum(axis=1)) @ average, dtype=np.float64),
        variance=squares,
        method=f"{weighting}, clustered, {ties}",
    )


def _one_cause(rows: Grouped) -> int:
    if rows.spells.cause.max() > 1:
        raise ValueError("event must be 0 or 1: several causes need gray_test")
    return 1


def _day_weights(cells: Cells, weighting: Weighting, p: float, q: float) -> Floats:
    n = cells.at_risk.sum(axis=1)
    if weighting == "log-rank":
        return np.ones(len(n))
    if weighting == "gehan":
        return np.asarray(n, dtype=np.float64)
    if weighting == "tarone-ware":
        return np.asarray(np.sqrt(n), dtype=np.float64)
    if weighting == "fleming-harrington":
        left = np.where(cells.n_events == cells.n_at_risk, 0.0, 1 - cells.events[0].sum(axis=1) / n)
        before = carry_forward(running_product(left, cells.starts), cells.starts, 1.0)
        return np.asarray(before**p * (1 - before) ** q, dtype=np.float64)
    raise ValueError(f"unknown weighting {weighting!r}")


@dataclass(frozen=True)
class _Steps:
    """The steps of the days with failures: their day, the share of its failures left out, who is left and their mix.

    A day with d failures has d steps under Efron, of which step m leaves out m/d of the failures, and one under
    Breslow, which leaves out none.
    """

    number: NDArray[np.int64]
    day: NDArray[np.int64]
    out: Floats
    total: Floats
    mean: Floats

    @classmethod
    def of(cls, cells: Cells, ties: Ties) -> _Steps:
        number = cells.n_events if ties == "efron" else np.ones_like(cells.n_events)
        day = np.repeat(np.arange(len(number)), number)
        out = (np.arange(len(day)) - (np.cumsum(number) - number)[day]) / number[day]
        left = cells.at_risk[day] - out[:, None] * cells.events[0][day]
        total = left.sum(axis=1)
        return cls(number, day, out, total, left / total[:, None])

    def sums(self, values: Floats) -> Floats:
        """Sum of the steps of each day."""
        return np.bincount(self.day, weights=values, minlength=len(self.number)).astype(np.float64)

    def table(self, values: Floats) -> Floats:
        """The same for each group, across."""
        return np.column_stack([self.sums(column) for column in values.T])


def _scores(rows: Grouped, cells: Cells, day_weight: Floats, ties: Ties) -> Floats:
    """Weighted score residuals, rows down and groups across."""
    steps = _Steps.of(cells, ties)
    increment = (day_weight * cells.events[0].sum(axis=1) / steps.number)[steps.day] / steps.total
    hazard, hazard_mean = steps.sums(increment), steps.table(increment[:, None] * steps.mean)
    back, back_mean = steps.sums(increment * steps.out), steps.table((increment * steps.out)[:, None] * steps.mean)
    average = steps.table(steps.mean) / steps.number[:, None]
    collected = np.concatenate(([0.0], np.cumsum(hazard)))
    collected_mean = np.vstack((np.zeros(steps.mean.shape[1]), np.cumsum(hazard_mean, axis=0)))
    spells, own = rows.spells, np.eye(len(rows.labels))[rows.group]
    first, last = cells.first, cells.last
    residual = collected_mean[last] - collected_mean[first] - (collected[last] - collected[first])[:, None] * own
    failing = np.flatnonzero(spells.cause > 0)
    day = last[failing] - 1
    residual[failing] += day_weight[day, None] * (own[failing] - average[day])
    residual[failing] += back[day, None] * own[failing] - back_mean[day]
    return np.asarray(residual * spells.weights[:, None], dtype=np.float64)


def _result(
    labels: tuple[Any, ...], n_units: int, *, observed: Floats, expected: Floats, variance: Floats, method: str
) -> LogRank:
    difference = observed - expected
    values, vectors = np.linalg.eigh(variance)
    kept = values > max(values.max(initial=0.0) * 1e-10, 0.0)
    df = int(kept.sum())
    along = vectors[:, kept].T @ difference
    chi_square = float(np.sum(along**2 / values[kept]))
    return LogRank(
        groups=labels,
        observed=observed,
        expected=expected,
        variance=variance,
        chi_square=chi_square if df else float("nan"),
        df=df,
        p=float(chi2_upper(chi_square, df)) if df else float("nan"),
        method=method,
        n_units=n_units,
    )
