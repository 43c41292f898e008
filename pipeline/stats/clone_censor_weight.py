"""Two strategies that may look alike for a while: clone, censor, weight [Hernán 2018; Maringe 2020].

To treat within a time of grace, or to wait and treat only for need, cannot be told apart on the first day. So each
subject is cloned into both strategies on that day, and a clone is censored on the day on which its subject departs from
its strategy. What was decided for a subject comes to light when it is treated (to treat) or when its time of grace ends
untreated (to wait). A need of treatment in between, a loss, or the end of follow-up leaves it undecided: both clones
stay, since what was done is what either strategy would do.

Each clone is weighted by the inverse probability of staying with its strategy. With `chance` the probability, by what
was known on the first day, that it was decided to treat, a clone of a subject that came to light weighs 1 / chance or
1 / (1 - chance), and one that departed weighs nothing: its weight is carried by clones alike that stayed. An undecided
subject weighs the part of these that the days say: of those alike who would not have come to light by then either, the
share that was to be treated, and the share that was to wait. So weights are never above the inverse of a chance at the
start, unlike products over days in which few are left to depart from. The chances are those of a model of mixtures,
fitted by expectation and maximisation [Dempster 1977]; days to the treatment and to the end of grace are taken to hang
on the decision alone. Without undecided subjects all of this is inverse-probability-of-treatment weighting.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.spells import Floats, Ints

Bools = NDArray[np.bool_]
TOLERANCE = 1e-12
MAX_ROUNDS = 500
NOTHING = 1e-9  # a share that rounding leaves where none is left


@dataclass(frozen=True, eq=False)
class Clones:
    """Two clones a subject, those to treat first, then those to wait, each in the order of the subjects.

    `subject` is the place of the subject, `treat` the strategy. `event` is false and `departed` true for a clone that
    was censored because its subject departed from its strategy.
    """

    subject: Ints
    treat: Bools
    exit_days: Floats
    event: Bools
    departed: Bools


def clone_and_censor(
    exit_days: ArrayLike,
    event: ArrayLike,
    treated_days: ArrayLike,
    grace_days: ArrayLike,
    *,
    for_need: ArrayLike | None = None,
) -> Clones:
    """Clone each subject into "treat within the time of grace" and "wait", and censor what departs from them.

    - `exit_days`, `event`: Follow-up since the decision.
    - `treated_days`: Day of the treatment; NaN where there was none. In time up to and on `grace_days`, of all or of
      each.
    - `for_need`: True where the treatment followed a need of it that waiting allows for.

    A clone to treat departs at the end of grace, followed to it untreated and without the event; one to wait on the day
    of a treatment in time not for need. A subject lost, or with the event, before it could depart keeps both.
    """
    days, happened = np.asarray(exit_days, dtype=np.float64), np.asarray(event).astype(np.bool_)
    treated, n = np.asarray(treated_days, dtype=np.float64), len(days)
    grace = np.broadcast_to(np.asarray(grace_days, dtype=np.float64), n)
    need = np.zeros(n, dtype=np.bool_) if for_need is None else np.asarray(for_need).astype(np.bool_)
    in_time = (treated <= grace) & (treated <= days)
    late, early = ~in_time & ((days > grace) | ((days == grace) & ~happened)), in_time & ~need
    return Clones(
        subject=np.tile(np.arange(n), 2),
        treat=np.repeat([True, False], n),
        exit_days=np.concatenate((np.where(late, grace, days), np.where(early, treated, days))),
        event=np.concatenate((happened & ~late, happened & ~early)),
        departed=np.concatenate((late, early)),
    )


@dataclass(frozen=True, eq=False)
class Grace:
    """How the time of grace of each subject ended.

    `days` until it came to light what was decided, or stayed undecided. `treat`, `wait`: treated, or grace ended
    untreated. `doubt`: the probability that it stayed undecided. `in_need`: a need of treatment came up in time; such
    subjects are undecided where they were treated for it, and "wait" where not.
    """

    days: Ints
    treat: Bools
    wait: Bools
    in_need: Bools
    doubt: Floats


@dataclass(frozen=True, eq=False)
class Staying:
    """`chance` of having been to be treated, by what was known at first; `waiting`, by what came to light as well.

    `waiting` is the probability that it was decided to wait: 0 or 1 where that came to light.
    """

    chance: Floats = field(repr=False)
    waiting: Floats = field(repr=False)


def fit_staying(grace: Grace, fit: Callable[[Floats], Floats | None]) -> Staying | None:
    """Fit the chances with undecided subjects in parts in both strategies; None where `fit` gives none or none settle.

    `fit` takes each subject's share in waiting and returns its chance to be treated. Without undecided subjects it is
    asked once. Deterministic; the order of subjects moves nothing beyond rounding.
    """
    sure = grace.doubt == 0
    waiting = np.where(grace.wait, 1.0, 0.0)
    waiting[~sure] = (waiting[sure].mean() if sure.any() else 0.5) * grace.doubt[~sure]
    for _ in range(MAX_ROUNDS):
        chance = fit(waiting)
        if chance is None:
            return None
        before, waiting = waiting, _waiting(grace, chance, waiting)
        if np.max(np.abs(waiting - before), initial=0.0) < TOLERANCE:
            return Staying(chance, waiting)
    return None


def alone(waiting: Floats) -> Floats:
    """Chances by nothing but the shares themselves: the model without covariates."""
    return np.full(len(waiting), 1 - waiting.mean() if len(waiting) else 0.5)


def _waiting(grace: Grace, chance: Floats, waiting: Floats) -> Floats:
    """The share in waiting of each subject, given the chances and the shares so far."""
    open_ = grace.doubt > 0
    untreated = float(np.count_nonzero(grace.in_need & grace.wait))
    treated = float(waiting[grace.in_need & open_].sum())
    # Those who were to wait are not always treated in time when the need arises; those to be treated are.
    in_time = treated / (treated + untreated) if treated + untreated > 0 else 1.0
    day = grace.days[open_]
    to_wait = (1 - chance[open_]) * _not_yet(grace.days, np.where(grace.wait, 1.0, 0.0), waiting, day)
    to_wait *= np.where(grace.in_need[open_], in_time, 1.0)
    came = np.where(grace.treat, 1 - grace.doubt, 0.0)
    to_treat = chance[open_] * _not_yet(grace.days, came, 1 - waiting, day)
    both = to_wait + to_treat
    out = waiting.copy()
    # Later than any that came to light, days tell nothing.
    out[open_] = grace.doubt[open_] * np.where(both > 0, to_wait / np.where(both > 0, both, 1.0), 1 - chance[open_])
    return out


def _not_yet(days: Ints, came: Floats, share: Floats, at: Ints) -> Floats:
    """Weighted share of a strategy whose decision has not come to light by the end of the days `at` (Kaplan-Meier)."""
    times, place = np.unique(days, return_inverse=True)
    leaving = np.bincount(place, weights=share, minlength=len(times))
    events = np.bincount(place, weights=np.minimum(share, came), minlength=len(times))
    at_risk = np.cumsum(leaving[::-1])[::-1]
    kept = np.cumprod(1 - np.divide(events, at_risk, out=np.zeros(len(events)), where=at_risk > 0))
    kept[kept < NOTHING] = 0.0
    return np.asarray(np.concatenate(([1.0], kept))[np.searchsorted(times, at, side="right")])
