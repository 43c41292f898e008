"""The one way to answer a question: groups, ratios, differences, the comparison by label, and a verdict on them."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.group_ratios import (
    Ratios,
    adjusted_ratio,
    enough_for_ratio,
    failed_patients_by_state,
    failures_by_state,
    fit_states,
    group_ratios,
)
from pipeline.questions.groups import curve_start, days_of, make_group
from pipeline.questions.question import Question
from pipeline.questions.steady_ratio import Standing
from pipeline.questions.verdict import DIFFERS, Basis, Scales, withheld, write_verdict
from pipeline.results import Comparison, Difference, Estimate, FlowStep, Group, Naive, Verdict
from pipeline.results.steady import WithinPatient
from pipeline.stats.cox import CoxEstimate, CoxInputError
from pipeline.stats.differences import Differences, survival_difference
from pipeline.stats.differences import Group as Rows
from pipeline.stats.few_failures import careful_ratio

# The fit of a question with its adjusted ratio, and from which day to which its difference runs, to what it stands on.
Stand = Callable[[Ratios, Estimate | None, tuple[int, int] | None], Standing]


@dataclass(frozen=True)
class Asked:
    """The rows that a question is answered of.

    `spells` are cut by state: `state, entry_days, exit_days, event, patient_id, provider_id`, covariates and the unit.
    `labelled` has a row a tooth with its label as `state`, and `event, failure` and the days beside it; None where the
    spells are that already. `modelled` are the spells of the models, on another clock; None for the same.
    """

    spells: pl.DataFrame
    flow: tuple[FlowStep, ...]
    years_of_records: float
    labelled: pl.DataFrame | None = None
    modelled: pl.DataFrame | None = None
    notes: tuple[str, ...] = ()


def answer(
    question: Question,
    asked: Asked,
    analysis: Analysis,
    stand: Stand,
    *,
    ratios: Ratios | None = None,
    within: Callable[[Estimate | None], WithinPatient | None] = lambda _: None,
) -> Comparison:
    """Answer a question; `stand` says what its difference is of, `ratios` are those made already."""
    labelled = asked.spells if asked.labelled is None else asked.labelled
    groups = groups_of(question, asked.spells, labelled, analysis)
    if ratios is None:
        spells = asked.spells if asked.modelled is None else asked.modelled
        ratios = group_ratios(
            spells,
            question.contrasts or (question.pair,),
            question.adjust,
            analysis,
            unit=question.unit,
            model=question.model,
        )
    crude = crude_difference(question, asked.spells, ends_of(groups), analysis)
    days = None if crude is None else (crude.from_days, days_of(crude.years))
    ratio = adjusted_ratio(ratios.estimates, question.pair)
    return comparison_of(
        question,
        groups,
        ratios=replace(ratios, notes=(*asked.notes, *ratios.notes)),
        naive=naive_comparison(question, labelled, analysis),
        crude=crude,
        stands=stand(ratios, ratio, days),
        flow=asked.flow,
        years=asked.years_of_records,
        analysis=analysis,
        within=within(ratio),
    )


def comparison_of(
    question: Question,
    groups: dict[str, Group],
    *,
    ratios: Ratios,
    naive: Naive | None,
    crude: Difference | None,
    stands: Standing,
    flow: tuple[FlowStep, ...],
    years: float,
    analysis: Analysis,
    within: WithinPatient | None = None,
) -> Comparison:
    """The comparison that its figures make; `years` are those of the records.

    The verdict stands on the adjusted difference; a crude one is shown where there is no other and it counts, and
    claims nothing. A claim that `within` disagrees with is not made.
    """
    difference = stands.difference or (crude if question.crude_counts else None)
    group, reference = (groups.get(name) or empty_group(question, name) for name in question.pair)
    verdict = write_verdict(
        Basis(
            group=group,
            reference=reference,
            difference=difference,
            horizon_years=analysis.horizon_years,
            smallest_per_100=analysis.smallest_difference_per_100,
            min_failures=analysis.min_failures,
            confidence=analysis.confidence,
            years_of_records=years,
            scales=Scales(stands.ratio, adjusted=stands.difference is not None),
        )
    )
    return Comparison(
        id=question.id,
        title=question.title,
        question=question.question,
        outcome=question.outcome.id,
        clock=question.clock,
        groups=tuple(groups.values()),
        estimates=ratios.estimates,
        naive=naive,
        difference=difference,
        verdict=borne_out(replace(verdict, doubt=question.doubt or verdict.doubt), within),
        flow=flow,
        missing=ratios.missing,
        notes=ratios.notes,
        horizon_years=analysis.horizon_years,
        crude_difference=crude,
        steady=stands.steady,
        mean_years=stands.mean_years,
        within_patient=within,
    )


def borne_out(verdict: Verdict, within: WithinPatient | None) -> Verdict:
    """The verdict as it may be said beside the check within patients."""
    if verdict.code != DIFFERS or within is None or within.agrees is not False:
        return verdict
    return withheld(verdict, f"Alone this would pass for a difference, but nothing is claimed. {within.sentence}")


def empty_group(question: Question, name: str) -> Group:
    """A group that no tooth belongs to."""
    return Group(name, question.labels[name], 0, 0, 0, 0.0, 0.0, 0.0, 0.0)


def groups_of(question: Question, spells: pl.DataFrame, labelled: pl.DataFrame, analysis: Analysis) -> dict[str, Group]:
    """The groups that have rows, by name: drawn from `spells`, their teeth counted by label."""
    sides = {name: spells.filter(pl.col("state") == name) for name in question.labels}
    return {
        name: make_group(
            side,
            name=name,
            label=question.labels[name],
            counted=labelled.filter(pl.col("state") == name),
            rules=analysis.curve_rules(),
            late=name == question.late,
        )
        for name, side in sides.items()
        if side.height
    }


def ends_of(groups: Mapping[str, Group]) -> dict[str, int]:
    """The last day up to which the curve of each group is shown."""
    return {name: group.stops_at_days or 0 for name, group in groups.items()}


def crude_difference(
    question: Question, spells: pl.DataFrame, ends: Mapping[str, int], analysis: Analysis
) -> Difference | None:
    """Failures per 100 by the horizon of two curves, group minus reference; None where either ends before it.

    Where teeth enter the group late it counts from the day on which the group is large enough.
    """
    sides = {name: spells.filter(pl.col("state") == name) for name in question.pair}
    start = full_window(question, sides, ends, analysis)
    if start is None:
        return None
    return curves_apart(question.pair, sides, (start, analysis.horizon_years), analysis, method=question.crude)


def full_window(
    question: Question, sides: Mapping[str, pl.DataFrame], ends: Mapping[str, int], analysis: Analysis
) -> int | None:
    """The day from which two curves that reach the horizon are compared; None where one does not, or starts after."""
    horizon = days_of(analysis.horizon_years)
    if any(ends.get(name, 0) < horizon for name in sides):
        return None
    start = curve_start(sides[question.late], rules=analysis.curve_rules()) if question.late else 0
    return None if start is None or start >= horizon else start


def curves_apart(
    pair: tuple[str, str],
    sides: Mapping[str, pl.DataFrame],
    window: tuple[int, float],
    analysis: Analysis,
    *,
    method: str,
) -> Difference | None:
    """The difference of the curves of a pair of groups from a day to a number of years."""
    start, years = window
    group, reference = (
        Rows(f["exit_days"], f["event"], entry_days=f["entry_days"], cluster=f["patient_id"])
        for f in (sides[name] for name in pair)
    )
    d = survival_difference(group, reference, [days_of(years)], from_day=start, confidence=analysis.confidence)
    return write_crude(pair, d, start, years, method=method)


def write_crude(pair: tuple[str, str], d: Differences, start: int, years: float, *, method: str) -> Difference | None:
    """The crude difference by so many years in the words of the results; None without an error."""
    if np.isnan(d.std_error[0]):
        return None
    mid, low, high = (float(-100 * v[0]) for v in (d.estimate, d.high, d.low))
    return Difference(*pair, years, start, mid, low, high, method)


def naive_comparison(question: Question, labelled: pl.DataFrame, analysis: Analysis) -> Naive | None:
    """The comparison by label from the start, as one would make it by hand; None where it would not mislead."""
    spells = labelled.filter(pl.col("state").is_in(question.pair))
    if not question.naive or not enough_for_ratio(failures_by_state(spells), question.pair):
        return None
    group = question.pair[0]
    x = (spells["state"] == group).cast(pl.Float64).to_numpy()[:, None]
    try:
        fit = fit_states(spells, x, names=(group,), stratum=None)
    except CoxInputError:
        return None
    sides = {name: spells.filter(pl.col("state") == name) for name in question.labels if name in question.pair}
    groups = [
        make_group(side, name=name, label="", counted=side, rules=analysis.curve_rules())
        for name, side in sides.items()
    ]
    return naive_of(question, fit, groups, failed_patients_by_state(spells), analysis)


def naive_of(
    question: Question, fit: CoxEstimate, groups: Sequence[Group], failed: Mapping[str, float], analysis: Analysis
) -> Naive:
    """The naive comparison that a fit and the groups by label make."""
    ratio = careful_ratio(fit, *question.pair, failed, confidence=analysis.confidence).exp()
    horizon = days_of(analysis.horizon_years)
    found = [(g.name, m.survival) for g in groups for m in g.milestones if days_of(m.years) == horizon]
    return Naive(
        contrast=" vs ".join(question.pair),
        hazard_ratio=ratio.estimate,
        ci_low=ratio.low,
        ci_high=ratio.high,
        why_biased="immortal time",
        explanation=question.naive,
        survival=tuple((name, share) for name, share in found if share is not None),
    )
