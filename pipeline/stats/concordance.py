"""How often the row with the higher risk score fails first: Harrell's C with delayed entry, weights and strata.

Each event is compared with every row of its stratum at risk then that is still free of the event afterwards (a row
censored on the day itself included). A pair counts by the product of its two weights, an equal score as half. The
standard error is the infinitesimal jackknife, summed within clusters.

References
----------
[1] Harrell FE, Lee KL, Mark DB. Multivariable prognostic models. Stat Med 1996;15:361-387.
[2] Therneau TM, Watson DA. The concordance statistic and the Cox model. Mayo Clinic, Biostatistics report 85, 2015.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.cox import CoxFit, sum_by_code
from pipeline.stats.cox_input import CoxRows, check_rows
from pipeline.stats.cox_kernel import Floats, Ints
from pipeline.stats.prefix_ranks import sums_below


@dataclass(frozen=True)
class Concordance:
    """Share of comparable pairs in order, its standard error, and the weighted pairs behind it.

    All NaN and 0 if no pair can be compared.
    """

    estimate: float
    se: float
    concordant: float
    discordant: float
    tied_score: float


@dataclass(frozen=True, eq=False)
class _Order:
    """Rows sorted by stratum, then by a time; where each stratum ends in that order."""

    rows: Ints
    stratum: Ints
    time: Floats
    end: Ints

    def place(self, stratum: Ints, time: Floats, *, side: Literal["left", "right"]) -> Ints:
        """Position of the first row of a stratum at ("left") or after ("right") a time."""
        times = np.unique(self.time)
        width = len(times) + 1
        keys = self.stratum * width + np.searchsorted(times, self.time, side="right")
        wanted = stratum * width + np.searchsorted(times, time, side=side)
        return np.searchsorted(keys, wanted, side="right")


def concordance_of_fit(fit: CoxFit) -> Concordance:
    """Concordance of the rows that a Cox model was fitted to, scored by that model."""
    linear = np.zeros(fit.n_rows)
    # Column by column, so that rows with equal covariates get scores equal to the last bit.
    for value, column in zip(fit.coef * fit.design.scale, fit.design.z, strict=True):
        linear += value * column
    return _concordance(fit.design.rows, linear)


def concordance(
    score: ArrayLike,
    exit_days: ArrayLike,
    event: ArrayLike,
    *,
    entry_days: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
) -> Concordance:
    """Concordance of a risk score (higher means sooner) with follow-up in (entry_days, exit_days].

    Raises CoxInputError as `cox_input.check_rows`.
    """
    column = np.asarray(score, dtype=np.float64).reshape(-1, 1)
    rows = check_rows(
        column,
        exit_days,
        event,
        names=["score"],
        entry_days=entry_days,
        strata=strata,
        weights=weights,
        cluster=cluster,
        constant_allowed=True,
    )
    return _concordance(rows, rows.x[:, 0])


def _concordance(rows: CoxRows, score: Floats) -> Concordance:
    rank = np.unique(score, return_inverse=True)[1].astype(np.intp)
    lower, higher, tied = _as_event(rows, rank)
    lower_event, higher_event, tied_event = _as_survivor(rows, rank)
    w, e = rows.weight, rows.event
    # An event above the survivors' scores is in order; a survivor is in order with events above its own score.
    concordant, discordant, tied_score = (float(w[e] @ part) for part in (lower, higher, tied))
    pairs = concordant + discordant + tied_score
    if pairs == 0:
        return Concordance(np.nan, np.nan, 0.0, 0.0, 0.0)
    difference, total = higher_event - lower_event, lower_event + higher_event + tied_event
    difference[e] += lower - higher
    total[e] += lower + higher + tied
    somers = (concordant - discordant) / pairs
    influence = w * (difference - somers * total) / pairs
    if rows.cluster is not None:
        influence = sum_by_code(influence[:, None], rows.cluster)[:, 0]
    error = float(np.sqrt(influence @ influence)) / 2
    return Concordance((somers + 1) / 2, error, concordant, discordant, tied_score)


def _as_event(rows: CoxRows, rank: Ints) -> tuple[Floats, Floats, Floats]:
    """Per event, the weight of the rows that outlive it, with a lower, higher and equal score."""
    stratum, day, own = rows.strata[rows.event], rows.exit[rows.event], rank[rows.event]
    # A row censored on the day of an event leaves after it: half a rank later.
    leaves: Floats = np.unique(rows.exit, return_inverse=True)[1].astype(np.float64) + np.where(rows.event, 0.0, 0.5)
    by_exit = _order(rows.strata, leaves)
    begin = by_exit.place(stratum, leaves[rows.event], side="right")
    below, not_above, all_ = _three(by_exit, rank, rows.weight, (begin, by_exit.end[stratum]), own)
    late = np.flatnonzero(rows.entry >= day.min())
    if len(late):
        by_entry = _order(rows.strata[late], rows.entry[late], n_strata=len(rows.strata_values))
        begin = by_entry.place(stratum, day, side="left")
        parts = _three(by_entry, rank[late], rows.weight[late], (begin, by_entry.end[stratum]), own)
        below, not_above, all_ = (one - other for one, other in zip((below, not_above, all_), parts, strict=True))
    return below, all_ - not_above, not_above - below


def _as_survivor(rows: CoxRows, rank: Ints) -> tuple[Floats, Floats, Floats]:
    """Per row, the weight of the events that it outlives while at risk, with a lower, higher and equal score."""
    e = rows.event
    events = _order(rows.strata[e], rows.exit[e], n_strata=len(rows.strata_values))
    begin = events.place(rows.strata, rows.entry, side="right")
    # Events of the day itself are outlived by the rows censored that day, not by those that fail.
    end = np.where(
        e,
        events.place(rows.strata, rows.exit, side="left"),
        events.place(rows.strata, rows.exit, side="right"),
    )
    below, not_above, all_ = _three(events, rank[e], rows.weight[e], (begin, np.maximum(begin, end)), rank)
    return below, all_ - not_above, not_above - below


def _order(strata: Ints, time: Floats, n_strata: int | None = None) -> _Order:
    rows = np.lexsort((time, strata))
    stratum = strata[rows]
    codes = np.arange(int(strata.max()) + 1 if n_strata is None else n_strata)
    return _Order(
        rows=rows,
        stratum=stratum,
        time=time[rows],
        end=np.searchsorted(stratum, codes, side="right"),
    )


def _three(
    order: _Order, rank: Ints, weight: Floats, run: tuple[Ints, Ints], own: Ints
) -> tuple[Floats, Floats, Floats]:
    """Weight in each run of positions with a rank below one's own, not above it, and in all."""
    begin, end = run
    ranks, weights = rank[order.rows], weight[order.rows]
    both = sums_below(ranks, weights, np.tile(begin, 2), np.tile(end, 2), np.concatenate((own, own + 1)))
    total = np.concatenate(([0.0], np.cumsum(weights)))
    return both[: len(own)], both[len(own) :], total[end] - total[begin]
