"""Adjusted failure curves: what share of one and the same set of crowns would fail in each state, by a Cox fit.

Each crown of the target keeps its covariates and its stratum; only the state is set, to each state in turn, from
`from_day` on. The mean of the predicted shares is the standardised curve (g-computation) [1, 2], and the difference of
two such curves compares like with like on the scale people use: failures per 100 by a day. For state a

    failure_a(t) = mean over crowns i of 1 - exp(-(H(t) - H(from_day)) * exp(b_a + x_i b)),  H of the stratum of i,

so all crowns are taken to be in place on `from_day`. Read it as: crowns in place that day, all in state a until t.

The error counts all that comes from the sample: coefficients, baseline hazards, and which crowns make up the target. It
is the infinitesimal jackknife [3] grouped by the clusters of the fit: the sum of squares of each patient's pull on the
estimate. Weights are taken as known.

References
----------
[1] Makuch RW. Adjusted survival curve estimation using covariates. J Chronic Dis 1982;35:437-443.
[2] Hernán MA, Robins JM. Causal Inference: What If. Chapman & Hall/CRC, 2020 (chapters 13 and 17; from memory).
[3] Therneau TM, Grambsch PM. Modeling Survival Data: Extending the Cox Model. Springer, 2000 (chapters 7 and 10).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_baseline import count_below
from pipeline.stats.cox_input import distinct_codes
from pipeline.stats.cox_kernel import Bools, Floats, Ints
from pipeline.stats.spells import whole_numbers
from pipeline.stats.standard_layout import Layout, influence
from pipeline.stats.standard_target import Target
from pipeline.stats.standardised import Standardised, ThinStratum, Unobserved
from pipeline.stats.stratum_hazard import HazardPlan, StratumHazards, plan_hazards, stratum_hazards

States = Mapping[str, Mapping[str, ArrayLike]]


def standardise(
    fit: CoxFit,
    target: Target,
    *,
    states: States,
    days: ArrayLike,
    from_day: int = 0,
    unobserved: Unobserved = "borrow",
    min_at_risk: int = 10,
) -> Standardised:
    """Standardised share failed in each state on the given days, with errors.

    Parameters
    ----------
    fit
        Cox fit whose state is one or more columns; its strata, weights, entries and ties carry over.
    target
        The crowns to average over; see `standard_target.py`.
    states
        For each state the value of every column that describes it: a number, or one per crown for a product with a
        covariate. All states name the same columns.
    days, from_day
        Whole days. As in `kaplan_meier`, what happened up to `from_day` is dropped, except that 0 keeps day 0.
    unobserved, min_at_risk
        What to do with a stratum that has fewer than `min_at_risk` rows at risk on some failure day of the window:
        `borrow` the baseline of all strata on such days, scaled by the stratum's observed over expected failures, or
        `leave_out` its crowns. `Standardised.thin` says which strata and how many crowns. Past the last day on which
        so many rows of all strata are at risk every share is NaN.

    Raises
    ------
    ValueError
        The fit did not converge; states, columns or days that do not fit; no crown of the target is left.
    """
    if not fit.converged:
        raise ValueError("The fit did not converge: it predicts nothing.")
    if min_at_risk < 1:
        raise ValueError("min_at_risk must be at least 1.")
    day = _whole_days(days, from_day)
    last_day = min(int(day[-1]), _observed_to(fit, min_at_risk))
    plan = plan_hazards(
        fit, day, from_day=from_day, last_day=last_day, min_at_risk=min_at_risk, borrow=unobserved == "borrow"
    )
    is_thin = np.isfinite(plan.first_thin_day)
    used = ~is_thin[target.stratum] if unobserved == "leave_out" else np.ones(len(target.x), dtype=np.bool_)
    if not used.any():
        raise ValueError("No stratum of the target is observed throughout: no crown is left.")
    set_to, alike = _states(fit, target, states)
    layout = _layout(fit, plan, target, set_to, used=used, known=day <= last_day)
    lending = None if plan.lending is None else plan.lending.sets
    hazards = stratum_hazards(plan, fit.design.sets, fit.at_estimate, lending)
    failure = layout.failure(fit.coef * fit.design.scale, hazards, layout.target.weight)
    return Standardised(
        states=tuple(states),
        days=day,
        from_day=from_day,
        failure=failure,
        at_risk=_at_risk(fit, alike, day),
        crowns=int(used.sum()),
        thin=_thin(fit, target, plan, hazards, unobserved),
        influence=influence(fit, layout, hazards, failure),
        layout=layout,
    )


def _whole_days(days: ArrayLike, from_day: int) -> Ints:
    day = np.unique(whole_numbers(np.atleast_1d(np.asarray(days)), "days"))
    if not len(day) or from_day < 0 or day[0] < from_day:
        raise ValueError("days must lie on or after from_day, and from_day on or after 0.")
    return day


def _observed_to(fit: CoxFit, min_at_risk: int) -> int:
    """The last day on which enough rows of all strata are at risk; -1 if there is none."""
    rows = fit.design.rows
    days = distinct_codes(rows.exit, "exit_days")[0]
    enough = days[count_below(rows.entry, days) - count_below(rows.exit, days) >= min_at_risk]
    return int(enough[-1]) if len(enough) else -1


def _states(fit: CoxFit, target: Target, states: States) -> tuple[list[dict[int, Floats]], Bools]:
    """The columns that each state sets, on the scale of the fit.

    Also which fitted rows are in each state, by the columns that are one number.
    """
    columns = [tuple(sorted(values)) for values in states.values()]
    if not columns or not columns[0] or len(set(columns)) > 1:
        raise ValueError("states: every state must give a value to the same columns.")
    unknown = [name for name in columns[0] if name not in fit.names]
    if unknown:
        raise ValueError(f"states: not in the fit: {', '.join(unknown)}.")
    design = fit.design
    alike = np.ones((len(states), len(design.rows.exit)), dtype=np.bool_)
    set_to: list[dict[int, Floats]] = [{} for _ in states]
    for i, values in enumerate(states.values()):
        for name, given in values.items():
            column, value = fit.names.index(name), np.asarray(given, dtype=np.float64)
            if not np.isfinite(value).all():
                raise ValueError("states: values must be finite.")
            if value.ndim:
                value = np.broadcast_to(value, (len(target.x),))
            else:
                alike[i] &= design.rows.x[:, column] == value
            set_to[i][column] = np.asarray((value - design.center[column]) / design.scale[column])
    return set_to, alike


def _layout(
    fit: CoxFit, plan: HazardPlan, target: Target, set_to: list[dict[int, Floats]], *, used: Bools, known: Bools
) -> Layout:
    """The target's crowns that are used; the rows of the fit itself are not copied."""
    design = fit.design
    z = design.z if target.x is design.rows.x else ((target.x - design.center) / design.scale).T
    if not used.all():
        target, z = target.take(used), z[:, used]
        set_to = [{c: value[used] if value.ndim else value for c, value in state.items()} for state in set_to]
    return Layout(plan, target, z, tuple(set_to), known)


def _at_risk(fit: CoxFit, alike: Bools, days: Ints) -> Ints:
    rows = fit.design.rows
    counts = [count_below(rows.entry[mine], days) - count_below(rows.exit[mine], days) for mine in alike]
    return np.stack(counts)


def _thin(
    fit: CoxFit, target: Target, plan: HazardPlan, hazards: StratumHazards, rule: Unobserved
) -> tuple[ThinStratum, ...]:
    crowns = np.bincount(target.stratum, minlength=plan.n_strata)
    return tuple(
        ThinStratum(
            stratum=fit.design.rows.strata_values.tolist()[code],
            crowns=int(crowns[code]),
            first_thin_day=int(plan.first_thin_day[code]),
            rule=rule,
            ratio=float(hazards.ratio[code]) if rule == "borrow" else None,
        )
        for code in np.flatnonzero(np.isfinite(plan.first_thin_day) & (crowns > 0))
    )
