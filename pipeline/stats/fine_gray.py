"""Fine-Gray regression: hazard ratios of the share that has failed so far, competing events counted as never failing.

Rows with a competing event stay at risk after it with a weight that falls with the censoring (and late entry) still to
come [1, 2]. That is done by splitting such a row at the days on which the weight changes, as R's survival::finegray
does, and fitting the weighted rows by `cox`. Errors are robust to the pieces of a row, and the rows of a cluster, being
alike; that the weights are estimated too is not in them (nor in R's coxph on the same rows).

References
----------
[1] Fine JP, Gray RJ. A proportional hazards model for the subdistribution of a competing risk. J Am Stat Assoc
    1999;94:496-509.
[2] Geskus RB. Cause-specific cumulative incidence estimation and the Fine and Gray model under both left truncation and
    right censoring. Biometrics 2011;67:39-49.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.cox import CoxFit, fit_cox
from pipeline.stats.cox_input import CoxInputError, check_rows
from pipeline.stats.cox_kernel import Bools, Floats, Ints, Ties

CENSORED, FAILED, COMPETING = 0, 1, 2


@dataclass(frozen=True, eq=False)
class WeightedRows:
    """Pieces of follow-up: `row` is the row that each comes from; at risk in (start, stop] with `weight`."""

    row: Ints
    start: Floats
    stop: Floats
    event: Bools
    weight: Floats


def fit_fine_gray(
    x: ArrayLike,
    exit_days: ArrayLike,
    status: ArrayLike,
    *,
    names: Sequence[str],
    entry_days: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    censoring_strata: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    ties: Ties = "efron",
) -> CoxFit:
    """Fit the subdistribution hazard of status 1 to one row per tooth, at risk in (entry_days, exit_days].

    `status` is 0 censored, 1 failed, 2 competing event. `strata` have a baseline each; `censoring_strata` a censoring
    each, and are the strata unless given. `n_rows` of the result counts pieces, `n_events` failures.

    Raises CoxInputError as `cox.fit_cox` and `weighted_rows`.
    """
    columns = np.asarray(x, dtype=np.float64)
    state = _states(status)
    rows = check_rows(
        columns,
        exit_days,
        state == FAILED,
        names=names,
        entry_days=entry_days,
        strata=strata,
        weights=weights,
        cluster=cluster,
    )
    groups = strata if censoring_strata is None else censoring_strata
    pieces = weighted_rows(exit_days, state, entry_days=entry_days, censoring_strata=groups)
    unit = np.arange(len(state)) if rows.cluster is None else rows.cluster
    return fit_cox(
        columns[pieces.row],
        pieces.stop,
        pieces.event,
        names=names,
        entry_days=pieces.start,
        strata=rows.strata[pieces.row],
        weights=pieces.weight * rows.weight[pieces.row],
        cluster=unit[pieces.row],
        ties=ties,
    )


def weighted_rows(
    exit_days: ArrayLike,
    status: ArrayLike,
    *,
    entry_days: ArrayLike | None = None,
    censoring_strata: ArrayLike | None = None,
) -> WeightedRows:
    """Split rows with a competing event into weighted pieces that reach the end of follow-up.

    Sorted by row, then time. Pieces without a failure day in them, or whose weight has fallen to nought, are left out.
    On one day failures and competing events come before censorings, and exits before entries.

    With several censoring strata a piece is kept for the failures of any of them (survival::finegray keeps those of its
    own stratum only, which is right if the regression is stratified alike and wrong if it has one baseline).

    Raises
    ------
    CoxInputError
        As `cox_input.check_rows`; a status that is not 0, 1 or 2; late entry so sparse that no weight exists.
    """
    state = _states(status)
    rows = check_rows(
        np.zeros((len(state), 1)),
        exit_days,
        state == FAILED,
        names=["row"],
        entry_days=entry_days,
        strata=censoring_strata,
        constant_allowed=True,
    )
    start = rows.entry
    if entry_days is None:
        # Before every exit, also where follow-up ends on day 0.
        start = np.full(len(state), 0.0 if rows.exit.min() > 0 else 2 * rows.exit.min() - 1)
    failures = np.unique(rows.exit[rows.event])
    parts = []
    for code in range(len(rows.strata_values)):
        mine = np.flatnonzero(rows.strata == code)
        ends, weight = _weights(start[mine], rows.exit[mine], state[mine], float(rows.exit.max()))
        parts.append(_pieces(mine, rows.exit, state, ends=ends, weight=weight, failures=failures))
    first_stop = rows.exit.copy()
    for part in parts:
        first_stop[part.competing] = part.first_stop
    row = np.concatenate((np.arange(len(state)), *(part.row for part in parts)))
    all_starts = np.concatenate((start, *(part.start for part in parts)))
    order = np.lexsort((all_starts, row))
    return WeightedRows(
        row=row[order],
        start=all_starts[order],
        stop=np.concatenate((first_stop, *(part.stop for part in parts)))[order],
        event=np.concatenate((state == FAILED, np.zeros(len(row) - len(state), dtype=np.bool_)))[order],
        weight=np.concatenate((np.ones(len(state)), *(part.weight for part in parts)))[order],
    )


@dataclass(frozen=True, eq=False)
class _Pieces:
    """What one censoring stratum adds: later pieces, and how far the first pieces of its competing rows reach."""

    competing: Ints
    first_stop: Floats
    row: Ints
    start: Floats
    stop: Floats
    weight: Floats


def _states(status: ArrayLike) -> Ints:
    state = np.asarray(status)
    bad = ~np.isin(state, (CENSORED, FAILED, COMPETING))
    if bad.any():
        raise CoxInputError(f"{int(bad.sum()):,} of {len(state):,} rows have a status that is not 0, 1 or 2.")
    return state.astype(np.intp)


def _pieces(mine: Ints, exit_: Floats, state: Ints, *, ends: Floats, weight: Floats, failures: Floats) -> _Pieces:
    """Stretch j runs from end j - 1 (excluded) to end j and has weight j, relative to that of the row's own end."""
    with_failure = np.unique(np.searchsorted(ends, failures, side="left"))
    competing = mine[state[mine] == COMPETING]
    own = np.searchsorted(ends, exit_[competing], side="left")
    if np.any(weight[own] <= 0):
        raise CoxInputError("Too few rows enter early: the weights of competing events do not exist.")
    first = np.searchsorted(with_failure, own, side="right")
    n_later = len(with_failure) - first
    which = np.repeat(np.arange(len(competing)), n_later)
    step = np.arange(len(which)) - np.repeat(np.cumsum(n_later) - n_later, n_later)
    stretch = with_failure[first[which] + step]
    relative = weight[stretch] / weight[own[which]]
    keep = relative > 0
    return _Pieces(
        competing=competing,
        first_stop=ends[own],
        row=competing[which][keep],
        start=ends[stretch - 1][keep],
        stop=ends[stretch][keep],
        weight=relative[keep],
    )


def _weights(start: Floats, stop: Floats, state: Ints, last: float) -> tuple[Floats, Floats]:
    """Where the chance of being under observation changes, and that chance on the stretch up to each such day.

    It is the Kaplan-Meier estimate of not being censored, times, with late entry, that of having entered, which runs
    backwards in time.
    """
    starts, stops = np.sort(start), np.sort(stop)
    left_by_event, left_censored = np.sort(stop[state != CENSORED]), np.sort(stop[state == CENSORED])
    censored, n_censored = np.unique(left_censored, return_counts=True)
    # Those who fail on the day of a censoring have left by then.
    gone = np.searchsorted(left_by_event, censored, side="right") + np.searchsorted(
        left_censored, censored, side="left"
    )
    uncensored = np.cumprod(1 - n_censored / (np.searchsorted(starts, censored, side="left") - gone))
    if not starts[-1] > stops[0]:
        return np.append(censored, last), np.concatenate(([1.0], uncensored))
    entered, n_entered = np.unique(starts, return_counts=True)
    here = np.searchsorted(starts, entered, side="right") - np.searchsorted(stops, entered, side="right")
    later = np.append(np.cumprod((1 - n_entered / here)[:0:-1])[::-1], 1.0)
    days = np.unique(np.concatenate((entered, censored)))
    still = np.concatenate(([1.0], uncensored))[np.searchsorted(censored, days, side="right")]
    chance = still * later[np.searchsorted(entered, days, side="right") - 1]
    return np.append(days, last), np.concatenate(([1.0], chance))
