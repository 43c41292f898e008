"""Weights that make those still followed stand for those who left: inverse probability of still being followed.

Where leaving has to do with what is recorded, and that with failing, those who stay are no sample of all. Each stretch
of follow-up is weighted by the chance of still being followed at its start, given little (the numerator), over that
chance given all that is recorded up to then (the denominator): stabilised weights [Robins 2000b], which average about
1. A model with such weights speaks of all as if leaving had nothing to do with what only the denominator knows. Reasons
that nobody wrote down stay what they are.

Both tails are set back to a quantile: less noise for some bias [Cole 2008]. Give the patient as `cluster` to what uses
the weights; they are taken as known there.
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_kernel import Floats
from pipeline.stats.inverse_weights import Weights, check_quantiles
from pipeline.stats.spells import numbered

# A weight that differs by less from the quantile is that quantile, not one set back.
ROUNDING = 1e-9


def expected_events(fit: CoxFit, x: ArrayLike, entry_days: ArrayLike, exit_days: ArrayLike) -> Floats:
    """Events that a fit without strata expects of each row over (entry, exit], by its covariates `x`.

    It is what R's `predict(fit, newdata, type = "expected")` gives. Raises ValueError for a fit with strata or without
    convergence.
    """
    if not fit.converged or len(fit.design.rows.strata_values) > 1:
        raise ValueError("The fit did not converge, or has strata.")
    hazard = np.concatenate(([0.0], np.cumsum(fit.at_estimate.h)))
    days = fit.design.sets.group_time
    upto = [
        hazard[np.searchsorted(days, np.asarray(at, dtype=np.float64), side="right")] for at in (entry_days, exit_days)
    ]
    z = (np.asarray(x, dtype=np.float64) - fit.design.center) @ fit.coef
    return np.asarray(np.exp(z) * (upto[1] - upto[0]))


def followed_weights(
    subject: ArrayLike,
    entry_days: ArrayLike,
    expected: ArrayLike,
    expected_by_little: ArrayLike,
    *,
    group: ArrayLike | None = None,
    quantiles: tuple[float, float] = (0.01, 0.99),
) -> Weights:
    """Weights of stretches of follow-up, from the leavings expected over each of them.

    `subject` says which stretches follow one another, in the order of `entry_days`. The chance of still being followed
    at the start of a stretch is exp(-sum of the expected leavings over those before it). `expected` is by all that is
    recorded, `expected_by_little` by what the numerator knows. Quantiles 0 and 1 leave the weights as they are; they
    are R's type 7, over the stretches of each `group` (one group unless given): a small group that leaves often would
    else hold all the weights that are set back. Raises ValueError for quantiles that are not in order.
    """
    check_quantiles(quantiles)
    unit, _ = numbered(subject)
    order = np.lexsort((np.asarray(entry_days), unit))
    more = (np.asarray(expected, dtype=np.float64) - np.asarray(expected_by_little, dtype=np.float64))[order]
    before = np.cumsum(more) - more
    first = np.flatnonzero(np.concatenate(([True], np.diff(unit[order]) > 0)))
    size = np.diff(np.append(first, len(order)))
    raw = np.empty(len(order))
    raw[order] = np.exp(before - np.repeat(before[first], size))
    groups = np.zeros(len(raw), dtype=np.int64) if group is None else numbered(group)[0]
    values = raw.copy()
    for code in range(int(groups.max()) + 1):
        mine = groups == code
        values[mine] = np.clip(raw[mine], *np.quantile(raw[mine], quantiles))
    truncated = np.abs(values - raw) > ROUNDING * raw
    return Weights(values, float(values.min()), float(values.max()), int(np.count_nonzero(truncated)))
