"""A Cox model fitted again with other case weights, on risk sets that already lie in order: nothing is sorted again.

This is what a bootstrap needs a thousand times: a weight of 0 takes a row out, a weight of 2 counts it twice. A failure
that counts twice is one of double weight, not two tied ones: a tie that only resampling made is no tie in the data.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import GAIN_SPENT, STILL_MOVING, Design
from pipeline.stats.cox_kernel import Floats, Moments, RiskSets, Ties

# Twice the gain in log-likelihood that the last step promised. Newton's method squares what is left, so that after the
# step the estimate is within about 1e-7 standard errors.
GAIN_ENOUGH = 1e-7
# Information per event, or share of a normalised information matrix, that is rounding and no information.
NOTHING = 1e-12
MAX_STEPS = 40
MAX_HALVINGS = 12

Status = Literal["converged", "separated", "failed"]


@dataclass(frozen=True, eq=False)
class Refit:
    """Coefficients on the scale of `Design.z`, and the risk sets and sums that go with them.

    `separated`: some coefficient grows without bound but the likelihood has levelled off, so that shares predicted from
    the fit stand still although the coefficient does not. `failed`: no estimate; the rest is as far as it came.
    """

    status: Status
    beta: Floats
    sets: RiskSets
    at: Moments


def reweight(sets: RiskSets, weight: Floats, *, ties: Ties) -> RiskSets:
    """The same risk sets with other row weights, 0 allowed: equal to laying out the rows of positive weight afresh.

    Groups whose events all have weight 0 keep their place, with no step and a hazard of 0.
    """
    counts = weight[sets.event_row] > 0
    row, group = sets.event_row[counts], sets.event_group[counts]
    n = sets.n_groups
    group_events = np.bincount(group, minlength=n)
    group_weight = kernel.sum_by(group, weight[row], n)
    if ties == "efron":
        step_group = np.repeat(np.arange(n), group_events)
        before = np.repeat(np.cumsum(group_events) - group_events, group_events)
        step_share = (np.arange(len(step_group)) - before) / group_events[step_group]
        step_weight = group_weight[step_group] / group_events[step_group]
    else:
        step_group = np.flatnonzero(group_events)
        step_share, step_weight = np.zeros(len(step_group)), group_weight[step_group]
    return replace(
        sets,
        weight=weight,
        event_row=row,
        event_group=group,
        group_events=group_events,
        group_weight=group_weight,
        step_group=step_group,
        step_share=step_share,
        step_weight=step_weight,
    )


def refit(design: Design, weight: Floats, start: Floats) -> Refit:
    """Maximise the partial likelihood under other row weights by Newton's method from `start` (on the scale of z)."""
    sets, z = reweight(design.sets, weight, ties=design.ties), design.z
    beta, at = start, kernel.moments(sets, z, start)
    if not len(sets.event_row) or not np.isfinite(at.loglik):
        return Refit("failed", beta, sets, at)
    for _ in range(MAX_STEPS):
        gradient = kernel.score(sets, z, at)
        step = _step(kernel.information(sets, z, at), gradient, float(sets.group_weight.sum()))
        gain = float(step @ gradient)
        if gain < GAIN_SPENT and np.ptp(step @ z) > STILL_MOVING:
            return Refit("separated", beta, sets, at)
        moved = _climb(sets, z, beta, step, at)
        if moved is None:
            # Rounding alone stops a step that promised next to nothing.
            return Refit("converged" if gain < GAIN_ENOUGH else "failed", beta, sets, at)
        beta, at = moved
        if gain < GAIN_ENOUGH:
            return Refit("converged", beta, sets, at)
    return Refit("failed", beta, sets, at)


def _step(information: Floats, gradient: Floats, events: float) -> Floats:
    """Newton's step; 0 for coefficients of which these weights know nothing, as of a level that was not drawn."""
    step = np.zeros(len(gradient))
    known = np.flatnonzero(np.diag(information) > NOTHING * events)
    scale = np.sqrt(np.diag(information)[known])
    values, vectors = np.linalg.eigh(information[np.ix_(known, known)] / np.outer(scale, scale))
    inverse = np.where(values > NOTHING, 1 / np.maximum(values, NOTHING), 0.0)
    step[known] = (vectors * inverse) @ (vectors.T @ (gradient[known] / scale)) / scale
    return step


def _climb(sets: RiskSets, z: Floats, beta: Floats, step: Floats, at: Moments) -> tuple[Floats, Moments] | None:
    """Take the step, halved until the likelihood is not lower; None if no part of it will do."""
    round_off = 1e-12 * abs(at.loglik)
    for halving in range(MAX_HALVINGS):
        candidate = beta + step / 2**halving
        reached = kernel.moments(sets, z, candidate)
        if np.isfinite(reached.loglik) and reached.loglik >= at.loglik - round_off:
            return candidate, reached
    return None
