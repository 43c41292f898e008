"""Aalen-Johansen shares of several states: how many of those that start in one state are in each by a day.

Whatever starts in a state may pass into others, and from those onwards; a row ends where the state is left or follow-up
ends. On each day a state passes on dN / Y of its share, N the passages of that day and Y those in the state just before
it: P(t) = P(0) * product over days of (1 + dH) [Aalen 1978]. Competing events are the case in which every passage is
the last one (`aalen_johansen.py`, which gives all days at once).

The error is the infinitesimal jackknife over independent units [Therneau 2000, section 7.2 and 8.2]: a row in state j
that is at risk on day v pulls the shares on day t by p_j(v-) / Y_j(v) * (own passage - dH_j) times the product of the
later days.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.counts import Counts, count
from pipeline.stats.influence import Exposure, unit_sums
from pipeline.stats.limits import share_limits
from pipeline.stats.spells import Floats, Ints, Spells, Values, read_spells, whole_numbers

STAYS = -1


@dataclass(frozen=True)
class StateShares:
    """Shares just after each of `days`: states down, days across; each day sums to 1.

    `followed` counts rows in the state followed beyond the day. Errors are NaN with a single unit, limits at 0 or 1.
    """

    days: Ints
    share: Floats
    std_error: Floats
    low: Floats
    high: Floats
    followed: Ints
    n_units: int


@dataclass(frozen=True)
class _Passages:
    """On the grid of exit days: at risk by state, hazards from state to state, and the shares before and after."""

    at_risk: Floats
    step: Floats  # day by state by state: 1 + dH
    before: Floats  # day by state
    after: Floats


def state_shares(
    exit_days: Values,
    passes_to: Values,
    days: ArrayLike,
    *,
    state: Values,
    n_states: int,
    starts_in: int = 0,
    entry_days: Values | None = None,
    cluster: Values | None = None,
    from_day: int = 0,
    confidence: float = 0.95,
) -> StateShares:
    """Share in each state on chosen whole days, of those that are in state `starts_in` on `from_day`.

    - `exit_days`, `entry_days`, `cluster`, `from_day`: As in `read_spells`: one row per stay in a state.
    - `state`, `passes_to`: The state of the row, and the state into which it passes on `exit_days`, numbered from 0;
      `STAYS` (-1) where follow-up ends in the state.
    - `days`: Past the last exit shares are those of the last day: ask only as far as enough are followed.

    Passing does not depend on how long a row has been in its state (a Markov process); shares of states are right even
    if it does, as long as leaving follow-up has nothing to do with it [Datta 2001]. A state that nobody is followed in
    on a day passes nothing on.

    Raises ValueError as `read_spells` does, for states outside 0 to `n_states` - 1 and for a passage into the row's
    own state.
    """
    own, onto = whole_numbers(state, "state"), whole_numbers(passes_to, "passes_to")
    _check(own, onto, n_states)
    spells = read_spells(
        exit_days, onto + 1, entry_days=entry_days, cluster=cluster, from_day=from_day, with_units=True, carry=own
    )
    if not len(spells.exit):
        raise ValueError("no row is followed past from_day")
    counts = count(spells, n_causes=n_states)
    moves = _passages(spells, counts, n_states, starts_in)
    day = np.atleast_1d(whole_numbers(np.atleast_1d(np.asarray(days)), "days"))
    index = np.searchsorted(counts.time, day, side="right") - 1
    start = np.eye(n_states)[starts_in]
    share = np.stack([start if i < 0 else moves.after[i] for i in index], axis=1)
    error = np.sqrt(np.stack([_variance(spells, counts, moves, int(i)) for i in index], axis=1))
    if spells.n_units < 2:
        error = np.full_like(error, np.nan)
    low, high = share_limits(share, error, confidence=confidence)
    followed = [
        [np.sum((spells.carried == j) & (spells.entry <= d) & (spells.exit > d)) for d in day] for j in range(n_states)
    ]
    return StateShares(day, share, error, low, high, np.array(followed, dtype=np.int64), spells.n_units)


def _check(own: Ints, onto: Ints, n_states: int) -> None:
    if len(own) != len(onto):
        raise ValueError("state and passes_to differ in length")
    if np.any((own < 0) | (own >= n_states) | (onto < STAYS) | (onto >= n_states)):
        raise ValueError(f"states must be numbered from 0 to {n_states - 1}")
    if np.any(own == onto):
        raise ValueError("a row passes into its own state")


def _passages(spells: Spells, counts: Counts, n_states: int, starts_in: int) -> _Passages:
    n_days = len(counts.time)
    at_risk = np.empty((n_states, n_days))
    step = np.broadcast_to(np.eye(n_states), (n_days, n_states, n_states)).copy()
    for j in range(n_states):
        mine = spells.carried == j
        left = np.bincount(counts.last[mine], minlength=n_days)
        at_risk[j] = np.cumsum(np.bincount(counts.first[mine], minlength=n_days)) - np.cumsum(left) + left
        for k in range(n_states):
            if k == j:
                continue
            moved = np.bincount(counts.last[mine & (spells.cause == k + 1)], minlength=n_days)
            hazard = np.divide(moved, at_risk[j], out=np.zeros(n_days), where=moved > 0)
            step[:, j, k] += hazard
            step[:, j, j] -= hazard
    before, after = np.empty((n_days, n_states)), np.empty((n_days, n_states))
    share = np.eye(n_states)[starts_in]
    for i in range(n_days):
        before[i] = share
        share = share @ step[i]
        after[i] = share
    return _Passages(at_risk, step, before, after)


def _variance(spells: Spells, counts: Counts, moves: _Passages, index: int) -> Floats:
    """Sum over units of the squared pull on the share in each state just after the grid day `index`."""
    n_states = len(moves.at_risk)
    if index < 0:
        return np.zeros(n_states)
    later = np.empty((index + 1, n_states, n_states))
    later[index] = np.eye(n_states)
    for i in range(index, 0, -1):
        later[i - 1] = moves.step[i] @ later[i]
    pull = np.zeros((spells.n_units, n_states))
    at = np.array([index])
    assert spells.unit is not None
    for j in range(n_states):
        mine = spells.carried == j
        if not mine.any():
            continue
        risk = moves.at_risk[j, : index + 1]
        per_row = np.divide(moves.before[: index + 1, j], risk, out=np.zeros(index + 1), where=risk > 0)
        rows = Exposure(
            counts.first[mine],
            counts.last[mine],
            spells.weights[mine],
            spells.unit[mine],
            spells.n_units,
            len(counts.time),
        )
        hazard = moves.step[: index + 1, j, :] - np.eye(n_states)[j]
        onto = spells.cause[mine] - 1
        last = np.minimum(rows.last, index)
        for s in range(n_states):
            step = per_row * np.sum(hazard * later[:, :, s], axis=1)
            gain = np.zeros(len(counts.time))
            gain[: index + 1] = np.cumsum(step)
            jump = per_row[last] * (later[last, onto, s] - later[last, j, s])
            pull[:, s] -= unit_sums(rows, gain, np.where(onto >= 0, jump, 0.0), at)[:, 0]
    return np.asarray(np.sum(pull**2, axis=0))
