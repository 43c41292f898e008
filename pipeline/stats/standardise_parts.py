"""The standardised difference of `standardise` for rows that lie in parts, none of which sees the others.

The estimate is a sum over rows of predicted shares, its error a sum over patients of their squared pull. Both need the
baseline hazard of each stratum, which follows from the fit's sums, and where a stratum is thin from those of all strata
together. So a few more rounds over the parts, after those of the fit, give what one machine gives: see `standardise`
for the method, the errors and the references.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial, reduce
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox_kernel import Bools, Floats, Ints, Moments
from pipeline.stats.cox_partitions import (
    CoxPart,
    CoxPartsFit,
    Layout,
    Load,
    Over,
    Part,
    Placed,
    add_arrays,
    add_sums,
    add_up,
    influence_in,
    lay_out,
    pieces,
    place_pieces,
    place_rows,
    reduced,
)
from pipeline.stats.few_failures import NONE, Allowance
from pipeline.stats.risk_sets import count_changes, merge, of_group, risk_table_from
from pipeline.stats.spells import BEFORE_DAY_0
from pipeline.stats.standardised import AdjustedDifference, make_difference
from pipeline.stats.stratum_hazard import after_day, pull_of

States = Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, eq=False)
class _Lent:
    """What thin strata borrow: the sums of all strata together, and by stratum what scales it.

    `ratio` is observed over expected failures, 1 where `scaled` is False; `expected` and `observed` are by stratum.
    `z_expected` (by covariate), `at_risk` and `tied` (by group of all strata) are sums that the expected hang on.
    """

    layout: Layout
    at: Moments
    thin: Bools
    scaled: Bools
    observed: Floats
    expected: Floats
    ratio: Floats
    borrowed: Floats
    z_expected: Floats
    at_risk: Floats
    tied: Floats


@dataclass(frozen=True, eq=False)
class _Setting:
    """What every part needs: the fit's sums, the hazard of each stratum by the day, the states and their columns."""

    layout: Layout
    beta: Floats
    at: Moments
    cov: Floats
    hazard: Floats
    columns: Ints
    states: Floats


@dataclass(frozen=True, eq=False)
class _Shares:
    """Sums over the crowns of the target, by state: share failed, its slope by stratum and along the coefficients."""

    crowns: int
    failed: Floats
    per_hazard: Floats
    per_beta: Floats


@dataclass(frozen=True, eq=False)
class _Pull:
    """The pulls on the share failed in one state.

    They go by group of the fit and of all strata, by stratum, and along the coefficients. `observed` and `expected` (by
    stratum) multiply a row's failure and its expected failures. `share` is that of one crown, `failure` the estimate.
    """

    groups: Floats
    lent: Floats
    lent_left_out: Floats
    observed: Floats
    expected: Floats
    beta: Floats
    share: float
    failure: float


def difference_in_parts(
    fit: CoxPartsFit,
    parts: Sequence[Part],
    load: Load[Part],
    *,
    states: States,
    day: int,
    from_day: int = 0,
    min_at_risk: int = 10,
    allowance: Allowance = NONE,
    confidence: float = 0.95,
    over: Over[Part, Any] = map,
) -> AdjustedDifference | None:
    """Failures per 100 by `day`, second state minus first, standardised over all rows that are in either of them.

    That is `standardise(fit, fitted_target(...), unobserved="borrow")` and its `difference`, for rows without weights.

    - `fit`, `parts`, `load`, `over`: A fit by `fit_cox_parts` with what it was given.
    - `states`: Two states by name, each with the value of every column that describes it.
    - `day`, `from_day`, `min_at_risk`, `allowance`, `confidence`: As in `standardise` and its `difference`.

    Returns None where fewer than `min_at_risk` are followed to `day`. Raises ValueError if the fit did not converge.
    """
    if not fit.converged:
        raise ValueError("The fit did not converge: it predicts nothing.")
    reference, group = states
    table = merge(over(partial(_count, load=load, layout=fit.layout), parts))
    if _observed_to(table, min_at_risk) < day:
        return None
    counted, thin = _plan(fit, table, day=day, from_day=from_day, min_at_risk=min_at_risk)
    own = kernel.sum_by(fit.layout.groups.group_stratum, np.where(counted, fit.at.h, 0.0), len(thin))
    lent = _lend(fit, parts, load, thin, day=day, over=over) if thin.any() else None
    columns = np.array([fit.names.index(name) for name in states[group]])
    setting = _Setting(
        layout=fit.layout,
        beta=fit.beta,
        at=fit.at,
        cov=fit.model_cov,
        hazard=own if lent is None else own + lent.ratio * lent.borrowed,
        columns=columns,
        states=np.array([[states[name][fit.names[c]] for c in columns] for name in (reference, group)]),
    )
    shares = _sum(_add_shares, over(partial(_shares, load=load, setting=setting), parts))
    pulls = [_pull(fit, counted, shares, lent, state=state, day=day) for state in (0, 1)]
    cov = sum(over(partial(_products, load=load, setting=setting, lent=lent, pulls=pulls), parts))
    return make_difference(
        (group, reference),
        np.array([pulls[1].failure, pulls[0].failure]),
        cov[::-1, ::-1],
        days=(from_day, day),
        allowance=allowance,
        confidence=confidence,
    )


def _count(part: Part, *, load: Load[Part], layout: Layout) -> pl.DataFrame:
    """Who enters and leaves, by stratum: its place among the strata of the fit."""
    placed = [(p.rows, p.stratum) for p in place_pieces(load(part), layout)]
    return merge(
        count_changes(rows.exit, rows.event, entry_days=np.maximum(rows.entry, BEFORE_DAY_0), group=stratum)
        for rows, stratum in placed
    )


def _observed_to(table: pl.DataFrame, min_at_risk: int) -> int:
    """The last day on which enough rows of all strata are at risk; -1 if there is none."""
    days = of_group(table, None)["day"].unique().sort().to_numpy()
    enough = days[risk_table_from(table, days).followed >= min_at_risk]
    return int(enough[-1]) if len(enough) else -1


def _plan(fit: CoxPartsFit, table: pl.DataFrame, *, day: int, from_day: int, min_at_risk: int) -> tuple[Bools, Bools]:
    """Which groups of the fit count towards the hazard by the day, and on which event days which stratum is thin."""
    groups, times, n_strata = fit.layout.groups, fit.layout.times, len(fit.layout.strata)
    thin = np.zeros((n_strata, len(times)), dtype=np.bool_)
    if n_strata > 1:
        inside = after_day(times, from_day) & (times <= day)
        for code in range(n_strata):
            thin[code] = inside & (risk_table_from(table, times, group=str(code)).followed < min_at_risk)
    counted = after_day(groups.group_time, from_day) & (groups.group_time <= day)
    return counted & ~thin[groups.group_stratum, np.searchsorted(times, groups.group_time)], thin


def _lend(
    fit: CoxPartsFit, parts: Sequence[Part], load: Load[Part], thin: Bools, *, day: int, over: Over[Part, Any]
) -> _Lent:
    whole, n_strata = fit.whole, len(thin)
    one = replace(whole, strata=np.zeros(1, dtype=np.intp), event_stratum=np.zeros_like(whole.event_day, dtype=np.intp))
    layout = lay_out(one, fit.names, fit.ties)
    pool = partial(_pooled, load=load)
    sums = _sum(add_sums, over(partial(add_up, load=pool, layout=layout, beta=fit.beta), parts))
    at = kernel.moments_of(layout.groups, sums, np.empty(0))
    expecting = partial(_expected, load=load, fit_layout=fit.layout, layout=layout, beta=fit.beta, at=at)
    expected, z_expected, at_risk, tied = _sum(add_arrays, over(expecting, parts))
    observed = kernel.sum_by(fit.layout.groups.group_stratum, fit.layout.groups.group_weight, n_strata)
    scaled = observed > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = observed / expected
    return _Lent(
        layout=layout,
        at=at,
        thin=thin,
        scaled=scaled & thin.any(axis=1),
        observed=observed,
        expected=expected,
        ratio=np.where(scaled, ratio, 1.0),
        borrowed=(thin * at.h * (layout.groups.group_time <= day)).sum(axis=1),
        z_expected=z_expected,
        at_risk=at_risk,
        tied=tied,
    )


def _pooled(part: Part, *, load: Load[Part]) -> list[CoxPart]:
    """The rows of a part as of one stratum."""
    return [replace(piece, strata=None) for piece in pieces(load(part))]


def _in_both(
    loaded: CoxPart | Iterable[CoxPart], fit_layout: Layout, layout: Layout
) -> Iterator[tuple[Placed, Placed]]:
    """The rows of a part on the groups of the fit, and on those of all strata together."""
    for piece in pieces(loaded):
        own, pooled = place_rows(piece, fit_layout), place_rows(replace(piece, strata=None), layout)
        if own is not None and pooled is not None:
            yield own, pooled


def _expected(
    part: Part, *, load: Load[Part], fit_layout: Layout, layout: Layout, beta: Floats, at: Moments
) -> tuple[Floats, ...] | None:
    """By stratum: failures expected by the hazard of all, and the sums that these hang on (see `_Lent`)."""
    n_strata = len(fit_layout.strata)

    def expected_of(both: tuple[Placed, Placed]) -> tuple[Floats, ...]:
        own, pooled = both
        here = pooled.moments(beta, at)
        expected = kernel.expected_events(pooled.sets, here)
        risks = [np.where(own.stratum == code, here.risk, 0.0) for code in range(n_strata)]
        return (
            kernel.sum_by(own.stratum, expected, n_strata),
            np.stack([kernel.sum_by(own.stratum, column * expected, n_strata) for column in pooled.z]),
            np.stack([kernel.sum_at_risk(pooled.sets, risk) for risk in risks], axis=1),
            np.stack([kernel.sum_events(pooled.sets, risk) for risk in risks], axis=1),
        )

    return reduced(add_arrays, map(expected_of, _in_both(load(part), fit_layout, layout)))


def _target(placed: Placed, setting: _Setting) -> tuple[NDArray[np.intp], Floats]:
    """The places of the rows in either state, and their covariates set to each state (state, covariate, row)."""
    x = placed.rows.x[:, setting.columns]
    place = np.flatnonzero(np.any([(x == state).all(axis=1) for state in setting.states], axis=0))
    z = np.repeat(placed.z[:, place][None], len(setting.states), axis=0)
    layout = setting.layout
    for own, state in zip(z, setting.states, strict=True):
        own[setting.columns] = ((state - layout.center[setting.columns]) / layout.scale[setting.columns])[:, None]
    return place, z


def _shares(part: Part, *, load: Load[Part], setting: _Setting) -> _Shares | None:
    return reduced(_add_shares, (_shares_of(p, setting) for p in place_pieces(load(part), setting.layout)))


def _shares_of(placed: Placed, setting: _Setting) -> _Shares:
    place, states = _target(placed, setting)
    stratum = placed.stratum[place]
    hazard = setting.hazard[stratum]
    failed, per_hazard, per_beta = [], [], []
    for z in states:
        risk = np.exp(setting.beta @ z)
        slope = np.exp(-hazard * risk) * risk
        failed.append(-np.expm1(-hazard * risk).sum())
        per_hazard.append(kernel.sum_by(stratum, slope, len(setting.hazard)))
        per_beta.append(z @ (slope * hazard))
    return _Shares(len(place), np.array(failed), np.stack(per_hazard), np.stack(per_beta))


def _pull(fit: CoxPartsFit, counted: Bools, shares: _Shares, lent: _Lent | None, *, state: int, day: int) -> _Pull:
    """The pulls on the share failed in one state, as `stratum_hazard.HazardPulls` has them."""
    share = 1 / shares.crowns
    factor = share * shares.per_hazard[state]
    beta = share * shares.per_beta[state]
    groups = np.where(counted, factor[fit.layout.groups.group_stratum], 0.0)
    none = np.zeros(len(factor))
    lend = left_out = np.empty(0)
    observed = expected = none
    if lent is not None:
        through = factor * lent.ratio * lent.borrowed
        observed = np.divide(through, lent.observed, out=none.copy(), where=lent.scaled)
        expected = -np.divide(through, lent.expected, out=none.copy(), where=lent.scaled)
        lend = (factor * lent.ratio) @ lent.thin * (lent.layout.groups.group_time <= day) + lent.at_risk @ expected
        left_out = lent.tied @ expected
        beta = beta + lent.z_expected @ expected + _along(lent.at, lend, left_out)
    return _Pull(
        groups=groups,
        lent=lend,
        lent_left_out=left_out,
        observed=observed,
        expected=expected,
        beta=beta + _along(fit.at, groups, np.zeros(len(groups))),
        share=share,
        failure=float(share * shares.failed[state]),
    )


def _along(at: Moments, whole: Floats, left_out: Floats) -> Floats:
    """The pull along the coefficients of the sum over groups of whole * h - left_out * hf."""
    through_risk, through_tied = whole * at.q - left_out * at.qf, whole * at.qf - left_out * at.qff
    return np.asarray(at.tied @ through_tied - at.at_risk @ through_risk)


def _products(
    part: Part, *, load: Load[Part], setting: _Setting, lent: _Lent | None, pulls: Sequence[_Pull]
) -> Floats | float:
    """The sums over the clusters (or rows) of one part of the products of their pulls on the two shares."""
    if lent is None:
        return sum(_products_of(own, setting, None, pulls) for own in place_pieces(load(part), setting.layout))
    return sum(
        _products_of(own, setting, (lent, pooled), pulls)
        for own, pooled in _in_both(load(part), setting.layout, lent.layout)
    )


def _products_of(
    placed: Placed, setting: _Setting, lent: tuple[_Lent, Placed] | None, pulls: Sequence[_Pull]
) -> Floats:
    at = placed.moments(setting.beta, setting.at)
    at_lent = None if lent is None else lent[1].moments(setting.beta, lent[0].at)
    change = influence_in(placed, at, layout=setting.layout, cov=setting.cov) * setting.layout.scale
    place, states = _target(placed, setting)
    hazard = setting.hazard[placed.stratum[place]]
    by_unit = []
    for z, pull in zip(states, pulls, strict=True):
        rows = pull_of(placed.sets, at, pull.groups).rows
        if lent is not None and at_lent is not None:
            rows += _lent_pull(placed.stratum, lent[1], at_lent, pull)
        rows[place] += pull.share * (-np.expm1(-hazard * np.exp(setting.beta @ z)) - pull.failure)
        own = rows if placed.cluster is None else kernel.sum_by(placed.cluster, rows, int(placed.cluster.max()) + 1)
        by_unit.append(own + change @ pull.beta)
    both = np.stack(by_unit)
    return np.asarray(both @ both.T)


def _lent_pull(stratum: Ints, pooled: Placed, at: Moments, pull: _Pull) -> Floats:
    """Each row's pull through what thin strata borrow, and through what that is scaled by."""
    rows = pull_of(pooled.sets, at, pull.lent, pull.lent_left_out).rows
    rows += kernel.expected_events(pooled.sets, at) * pull.expected[stratum]
    event = pooled.sets.event_row
    rows[event] += pooled.sets.weight[event] * pull.observed[stratum[event]]
    return rows


def _add_shares(one: _Shares, other: _Shares) -> _Shares:
    return _Shares(
        one.crowns + other.crowns,
        one.failed + other.failed,
        one.per_hazard + other.per_hazard,
        one.per_beta + other.per_beta,
    )


def _sum(add: Callable[[Any, Any], Any], terms: Iterable[Any]) -> Any:
    """The sum of what parts with rows gave, in their order."""
    return reduce(add, (term for term in terms if term is not None))
