"""Adjusted failures by a day: what share of one and the same set of crowns would fail in each state, by a Cox fit.

Each crown of the target keeps its covariates and its stratum; only the state is set, to each state in turn, from
`from_day` on. The mean of the predicted shares is the standardised curve (g-computation) [Makuch 1982; Hernán 2020,
chapters 13 and 17], and the difference of two such curves compares like with like on the scale people use: failures per
100 by a day. For state a

    failure_a(t) = mean over crowns i of 1 - exp(-(H(t) - H(from_day)) * exp(b_a + x_i b)),  H of the stratum of i,

so all crowns are taken to be in place on `from_day`. Read it as: crowns in place that day, all in state a until t.

The error counts all that comes from the sample: coefficients, baseline hazards, and which crowns make up the target. It
is the infinitesimal jackknife [Therneau 2000, chapters 7 and 10] grouped by the clusters of the fit: the sum of squares
of each patient's pull on the estimate. Weights are taken as known.
"""

from collections.abc import Mapping

import numpy as np

from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_input import distinct_codes
from pipeline.stats.cox_kernel import Ints
from pipeline.stats.standard_target import Target
from pipeline.stats.standardise_windows import standardise_windows
from pipeline.stats.standardised import Standardised
from pipeline.stats.stratum_hazard import count_below


def standardise(
    fit: CoxFit,
    target: Target,
    *,
    states: Mapping[str, Mapping[str, float]],
    day: int,
    from_day: int = 0,
    min_at_risk: int = 10,
) -> Standardised:
    """Standardised share failed in each state by a day, with errors.

    - `fit`: Cox fit whose state is one or more columns; its strata, weights, entries and ties carry over.
    - `target`: The crowns to average over; see `standard_target.py`.
    - `states`: For each state the value of every column that describes it. All states name the same columns.
    - `day`, `from_day`: Whole days. As in `kaplan_meier`, what happened up to `from_day` is dropped, except that 0
      keeps day 0.
    - `min_at_risk`: A stratum with fewer rows at risk on some failure day of the window borrows the baseline of all
      strata on such days, scaled by the stratum's observed over expected failures. Past the last day on which so many
      rows of all strata are at risk every share is NaN.

    Raises ValueError if the fit did not converge, and for states, columns or days that do not fit.
    """
    if min_at_risk < 1:
        raise ValueError("min_at_risk must be at least 1.")
    if not 0 <= from_day < day:
        raise ValueError("day must lie after from_day, and from_day on or after 0.")
    _check_columns(fit, states)
    phases = {name: [values] for name, values in states.items()}
    found = standardise_windows(
        fit, target, start=from_day, days=[day - from_day], states=phases, min_at_risk=min_at_risk
    )
    known = day <= _observed_to(fit, min_at_risk)
    return Standardised(
        states=tuple(states),
        day=day,
        from_day=from_day,
        failure=np.where(known, found.failure[:, -1], np.nan),
        at_risk=_at_risk(fit, states, day),
        influence=np.where(known, found.pull, np.nan),
    )


def _check_columns(fit: CoxFit, states: Mapping[str, Mapping[str, float]]) -> None:
    columns = {frozenset(values) for values in states.values()}
    if len(columns) != 1 or frozenset() in columns:
        raise ValueError("states: every state must give a value to the same columns.")
    unknown = [name for name in next(iter(states.values())) if name not in fit.names]
    if unknown:
        raise ValueError(f"states: not in the fit: {', '.join(unknown)}.")


def _observed_to(fit: CoxFit, min_at_risk: int) -> int:
    """The last day on which enough rows of all strata are at risk; -1 if there is none."""
    rows = fit.design.rows
    days = distinct_codes(rows.exit, "exit_days")[0]
    enough = days[count_below(rows.entry, days) - count_below(rows.exit, days) >= min_at_risk]
    return int(enough[-1]) if len(enough) else -1


def _at_risk(fit: CoxFit, states: Mapping[str, Mapping[str, float]], day: int) -> Ints:
    """The fitted rows in each state with entry < day <= exit."""
    rows = fit.design.rows
    there = (rows.entry < day) & (rows.exit >= day)
    in_state = [
        np.all([rows.x[:, fit.names.index(name)] == value for name, value in values.items()], axis=0)
        for values in states.values()
    ]
    return np.array([np.count_nonzero(there & mine) for mine in in_state])
