"""The main comparison from parts of the crowns, none of which sees the others: the figures of `compare_since_seat`.

Each part is looked at twice (`longevity_passes.py`), and what it gives is small. Then its rows are laid out for the Cox
models, which are fitted by sums over parts (`stats/cox_partitions.py`). One figure is not given: the penalised ratio
of a group without a failure, which so many crowns do not come to.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.analysis import Analysis
from pipeline.questions.answer import naive_of, write_crude
from pipeline.questions.covariates import DesignPlan, plan_design, plan_strata, stratum_codes
from pipeline.questions.crown_longevity import (
    LABELS,
    ROOT_CANAL,
    StateModel,
    can_standardise,
    estimates_of,
    flow_of,
    made_of,
    notes_on_states,
    state_columns,
    state_models,
    through_column,
    usable_spells,
    years_between,
)
from pipeline.questions.crown_rows import STATES
from pipeline.questions.group_ratios import Ratios, adjusted_ratio, enough_for_ratio
from pipeline.questions.groups import CurveRules, Tally, days_of, group_of
from pipeline.questions.longevity_passes import CRUDE, Counted, SecondPass, Seen, last_exit, plan_second_pass
from pipeline.questions.question import OF_CROWNS, SINCE_SEAT
from pipeline.questions.steady_ratio import Standing, write_adjusted
from pipeline.results import Comparison, Difference, Estimate, Group, Naive
from pipeline.stats.cox import CoxInputError
from pipeline.stats.cox_partitions import CoxPart, CoxPartsFit
from pipeline.stats.few_failures import Allowance, allow
from pipeline.stats.risk_set_errors import survival_difference_from
from pipeline.stats.risk_set_rates import rate_from
from pipeline.stats.risk_sets import curve_from, risk_table_from
from pipeline.stats.spells import from_day_0
from pipeline.stats.standardised import AdjustedDifference

_MODEL = ("exit_days", "event", "entry_days", "patient")


@dataclass(frozen=True, eq=False)
class ModelPlan:
    """How rows are laid out for the Cox models."""

    with_failures: frozenset[str]
    design: DesignPlan
    clinicians: tuple[str, ...]
    models: tuple[StateModel, ...]


def plan_models(counted: Counted, seen: Seen, analysis: Analysis) -> ModelPlan | None:
    """How rows are laid out; None where fewer than two states have failures, so that there is nothing to fit."""
    states = counted.with_failures
    if len(states) < 2:
        return None
    plan = plan_design(seen.covariates, OF_CROWNS)
    kept, n_strata = plan_strata(seen.clinicians, min_failures=analysis.min_stratum_failures)
    models = state_models(states, plan.used, plan.names, n_strata)
    return ModelPlan(frozenset(states), plan, tuple(kept), models)


def lay_out_rows(spells: pl.DataFrame, plan: ModelPlan) -> pl.DataFrame:
    """The rows of a part for the Cox models: follow-up, patient, stratum, and the columns of the adjusted model."""
    usable = usable_spells(spells, set(plan.with_failures))
    x = np.column_stack([state_columns(usable, set(plan.with_failures)), plan.design.columns(usable)])
    stratum = pl.Series("stratum", stratum_codes(usable["provider_id"], plan.clinicians), dtype=pl.Int64)
    columns = [pl.Series(f"x{i}", x[:, i], dtype=pl.Float64) for i in range(x.shape[1])]
    return usable.select(_MODEL).with_columns(stratum, *columns)


def model_rows(rows: pl.DataFrame, model: StateModel) -> CoxPart:
    """One part's rows, from `lay_out_rows`, for one of the models."""
    x = rows.select(f"x{i}" for i in range(len(model.names))).to_numpy()
    return _cox_part(rows, x, stratum=rows["stratum"].to_numpy() if model.stratified_by else None)


def naive_rows(labelled: pl.DataFrame) -> CoxPart:
    """One part's rows for the naive comparison, from the `labelled` of the first look."""
    return _cox_part(labelled, through_column(labelled), stratum=None)


def compare_parts(
    counted: Counted,
    seen: Seen,
    plan: ModelPlan | None,
    analysis: Analysis,
    *,
    fit: Callable[[StateModel], CoxPartsFit],
    fit_naive: Callable[[], CoxPartsFit],
    standardise: Callable[[CoxPartsFit, StateModel, tuple[int, int], Allowance], AdjustedDifference | None],
) -> Comparison:
    """The comparison, with the fits over parts given as functions.

    `standardise` gives the adjusted difference by the fit of a model from a day to another, or None where it has no
    answer.
    """
    again = plan_second_pass(counted, analysis)
    groups = {s: _group(counted, again, seen, s, analysis) for s in STATES if s in counted.present}
    crude = _crude(again, seen, analysis)
    notes = notes_on_states(counted.with_failures, counted.present)
    estimates: list[Estimate] = []
    adjusted = None
    if plan is not None:
        estimates, told, found = estimates_of(
            plan.models,
            fit,
            failures={s: n for s, n in counted.failures.items() if s in plan.with_failures},
            failed=counted.failed,
            crowns=seen.crowns,
            confidence=analysis.confidence,
        )
        notes += [f"Not adjusted for {name}." for name in plan.design.left_out] + told
        if found is not None and plan.design.used and crude is not None and can_standardise(found):
            allowance = allow(found, "through_crown", "before_seat", counted.failed)
            adjusted = standardise(found, plan.models[-1], (crude.from_days, days_of(crude.years)), allowance)
    n, ratio = counted.numbers, adjusted_ratio(estimates, SINCE_SEAT.pair)
    return made_of(
        groups,
        ratios=Ratios(tuple(estimates), tuple(notes), plan.design.missing if plan else ()),
        naive=_naive(counted, analysis, fit_naive),
        crude=crude,
        stands=Standing(
            None if adjusted is None or crude is None else write_adjusted(SINCE_SEAT, adjusted, crude.years),
            None if ratio is None else ratio.limits,
            checked=False,
        ),
        flow=flow_of((_whole(n["crowns"]), _whole(n["timed"]))),
        years=years_between(n["first"], n["last"]),
        analysis=analysis,
    )


def _group(counted: Counted, again: SecondPass, seen: Seen, state: str, analysis: Analysis) -> Group:
    rules, table = analysis.curve_rules(), counted.risk_sets
    start, curve = again.starts.get(state), None
    if start is not None:
        curve = curve_from(table, seen.squares[state], group=state, from_day=start, confidence=rules.confidence)
    mine = counted.labels.filter(pl.col("endo_timing") == state)
    return group_of(
        Tally(*(int(mine[c].sum()) for c in ("teeth", "patients", "failures", "failed_patients"))),
        name=state,
        label=LABELS[state],
        rate=rate_from([counted.rates], group=state, confidence=rules.confidence),
        start=start,
        curve=curve,
        table=lambda days: risk_table_from(table, days, group=state),
        first_failures=counted.first_failures.filter(pl.col("state") == state)["day"],
        rules=rules,
    )


def _crude(again: SecondPass, seen: Seen, analysis: Analysis) -> Difference | None:
    if again.window is None:
        return None
    from_day, years = again.window
    d = survival_difference_from(
        again.risk_sets,
        seen.squares[CRUDE],
        [days_of(years)],
        pair=("through_crown", "before_seat"),
        from_day=from_day,
        confidence=analysis.confidence,
    )
    return write_crude(SINCE_SEAT.pair, d, from_day, years, method=SINCE_SEAT.crude)


def _naive(counted: Counted, analysis: Analysis, fit: Callable[[], CoxPartsFit]) -> Naive | None:
    if not enough_for_ratio(counted.failures_by_label, ROOT_CANAL):
        return None
    try:
        fitted = fit()
    except CoxInputError:
        return None
    groups = [_label_group(counted, name, analysis.curve_rules()) for name in ROOT_CANAL]
    return naive_of(SINCE_SEAT, fitted, groups, counted.failed_by_label, analysis)


def _label_group(counted: Counted, name: str, rules: CurveRules) -> Group:
    """A group by label, for its share at the horizon: its curve carries no error between patients."""
    table, curve = counted.label_risk_sets, None
    if last_exit(table, name) > 0:
        curve = curve_from(table, group=name, confidence=rules.confidence)
    return group_of(
        Tally(0, 0, 0, 0),
        name=name,
        label="",
        rate=rate_from([counted.label_rates], group=name, confidence=rules.confidence),
        start=0,
        curve=curve,
        table=lambda days: risk_table_from(table, days, group=name),
        rules=rules,
    )


def _cox_part(rows: pl.DataFrame, x: NDArray[np.float64], *, stratum: NDArray[np.int64] | None) -> CoxPart:
    return CoxPart(
        x=x,
        exit_days=rows["exit_days"].to_numpy(),
        event=rows["event"].to_numpy(),
        entry_days=from_day_0(rows["entry_days"]),
        strata=stratum,
        cluster=rows["patient"].to_numpy(),
    )


def _whole(value: object) -> int:
    return value if isinstance(value, int) else 0
