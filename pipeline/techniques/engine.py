"""The one mechanism that answers every technique question."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.questions.crown_longevity import Analysis
from pipeline.questions.group_ratios import Ratios, group_ratios
from pipeline.questions.groups import days_of
from pipeline.results import DAYS_PER_YEAR, Estimate, NotRun
from pipeline.results_technique import DosePoint, TechniqueAnswer, TechniqueGroup
from pipeline.stats.clustered_share import clustered_share
from pipeline.stats.cox import CoxFit
from pipeline.stats.rates import failure_rate
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise
from pipeline.stats.standardised import AdjustedDifference
from pipeline.techniques.claims import Draft, with_claims
from pipeline.techniques.dose import dose_curve
from pipeline.techniques.grouping import MIN_FAILURES, MIN_PATIENTS, Grouped, grouped
from pipeline.techniques.question import HEALED, Question

MODEL = "cox_by_technique"
SUFFIX = {
    "crown_failure": "crown failure",
    "tooth_loss": "tooth loss",
    "endo_failure": "retreatment, surgery or extraction",
    "radiographic_success": "healing at recall",
}


@dataclass(frozen=True)
class Answered:
    """Answers in order of question and outcome, and the questions that could not be asked."""

    answers: tuple[TechniqueAnswer, ...]
    not_run: tuple[NotRun, ...]


def answer_all(
    questions: Sequence[Question], rows: Mapping[tuple[str, str], pl.DataFrame], analysis: Analysis
) -> Answered:
    """Ask every question of its rows, then count all contrasts together as one family.

    `rows` has a frame for each pair of unit and outcome, as made by `rows.py`. A question whose factor is empty there,
    or whose groups are too small, goes to `not_run` with what it lacks.
    """
    drafts: list[Draft] = []
    not_run: list[NotRun] = []
    for question in questions:
        for outcome in question.outcomes:
            frame = rows.get((question.unit, outcome))
            found = _answer(question, outcome, frame, analysis)
            if isinstance(found, NotRun):
                not_run.append(found)
            else:
                drafts.append(found)
    return Answered(with_claims(drafts, analysis), tuple(not_run))


def _answer(question: Question, outcome: str, rows: pl.DataFrame | None, analysis: Analysis) -> Draft | NotRun:
    name, title = f"technique_{question.id}_{outcome}", f"{question.title}: {SUFFIX[outcome]}"
    if rows is None or rows.is_empty():
        return NotRun(name, title, ("findings.pai",) if outcome == HEALED else question.needs)
    if rows[question.factor].null_count() == rows.height:
        return NotRun(name, title, tuple(need.replace("|", " or ") for need in question.needs))
    groups = grouped(rows, question)
    if groups is None:
        need = f"two groups of {MIN_PATIENTS} patients with {MIN_FAILURES} failures"
        return NotRun(name, title, (f"{question.needs[0].replace('|', ' or ')}: {need}",))
    draft = _draft(question, outcome, groups, analysis, name=name, title=title)
    if outcome == HEALED:
        return draft
    pairs = [(group, groups.reference) for group in groups.labels if group != groups.reference]
    ratios, within = _ratios(groups.rows, pairs, question, analysis)
    adjusted = {e.contrast: e for e in ratios.estimates if e.adjusted_for or e.stratified_by}
    differences = _differences(ratios.adjusted, groups, analysis)
    curve = _dose(question, rows, groups, analysis)
    return replace(
        draft,
        answer=_described(draft.answer, ratios, adjusted, curve),
        ratios={g: adjusted[f"{g} vs {ref}"] for g, ref in pairs if f"{g} vs {ref}" in adjusted},
        differences=differences,
        fitted=ratios.adjusted is not None,
        between_clinicians=not within,
    )


def _ratios(
    rows: pl.DataFrame, pairs: list[tuple[str, str]], question: Question, analysis: Analysis
) -> tuple[Ratios, bool]:
    """Ratios within clinicians; across them, and False, where the groups do not vary within any clinician's teeth."""
    ratios = group_ratios(rows, pairs, question.adjust, analysis, unit="row_id", model=MODEL)
    if ratios.adjusted is not None or rows["provider_id"].n_unique() < 2:
        return ratios, True
    across = rows.with_columns(provider_id=pl.lit(None, pl.String))
    found = group_ratios(across, pairs, question.adjust, analysis, unit="row_id", model=MODEL)
    return (found, False) if found.adjusted is not None else (ratios, True)


def _draft(question: Question, outcome: str, groups: Grouped, analysis: Analysis, *, name: str, title: str) -> Draft:
    notes = groups.notes
    if outcome == HEALED:
        notes = (*notes, "Only teeth that came back for a film are counted; the shares are not adjusted.")
    answer = TechniqueAnswer(
        id=name,
        question=question.id,
        title=title,
        unit=question.unit,
        outcome=outcome,
        horizon_years=analysis.horizon_years,
        reference=groups.reference,
        groups=tuple(
            _group(groups.rows.filter(pl.col("state") == state), state, label, outcome, analysis)
            for state, label in groups.labels.items()
        ),
        contrasts=(),
        dose=(),
        dose_unit=question.dose_unit,
        reference_dose=None,
        adjusted_for=(),
        stratified_by=(),
        missing=(),
        caveats=(*question.caveats, question.why_adjust),
        notes=notes,
        family=0,
    )
    smallest = question.smallest_difference_per_100
    return Draft(
        answer=answer,
        ratios={},
        differences={},
        smallest_per_100=analysis.smallest_difference_per_100 if smallest is None else smallest,
        years_of_records=_years(groups.rows),
    )


def _described(
    answer: TechniqueAnswer,
    ratios: Ratios,
    adjusted: Mapping[str, Estimate],
    curve: tuple[tuple[DosePoint, ...], float | None, str],
) -> TechniqueAnswer:
    dose, reference_dose, why = curve
    first = next(iter(adjusted.values()), None)
    return replace(
        answer,
        dose=dose,
        reference_dose=reference_dose,
        adjusted_for=first.adjusted_for if first else (),
        stratified_by=first.stratified_by if first else (),
        missing=ratios.missing,
        notes=(*answer.notes, *ratios.notes, *((why,) if why else ())),
    )


def _group(rows: pl.DataFrame, name: str, label: str, outcome: str, analysis: Analysis) -> TechniqueGroup:
    patients, failures = rows["patient_id"].n_unique(), int(rows["event"].sum())
    if outcome == HEALED:
        share = clustered_share((~rows["event"]).to_numpy(), rows["patient_id"], confidence=analysis.confidence)
        limits = (share.share, share.low, share.high)
        return TechniqueGroup(name, label, rows.height, patients, failures, 0.0, None, None, None, *limits)
    rate = failure_rate(rows["exit_days"], rows["event"], entry_days=rows["entry_days"], confidence=analysis.confidence)
    figures = (rate.per_100, rate.low, rate.high) if rate.tooth_years else (None, None, None)
    return TechniqueGroup(name, label, rows.height, patients, failures, rate.tooth_years, *figures)


def _differences(fit: CoxFit | None, groups: Grouped, analysis: Analysis) -> dict[str, AdjustedDifference]:
    """Adjusted differences at the horizon: all the rows of the model, set to each group in turn."""
    if fit is None:
        return {}
    horizon = days_of(analysis.horizon_years)
    columns = [name for name in groups.labels if name in fit.names]
    standard = standardise(
        fit,
        fitted_target(fit, np.ones(fit.n_rows, dtype=np.bool_)),
        states={g: {c: float(c == g) for c in columns} for g in groups.labels},
        days=[horizon],
        min_at_risk=analysis.min_at_risk,
    )
    out = {}
    followed = dict(zip(standard.states, standard.at_risk[:, 0].tolist(), strict=True))
    for group in columns:
        found = standard.difference(group, groups.reference, day=horizon, confidence=analysis.confidence)
        enough = min(followed[group], followed[groups.reference]) >= analysis.min_at_risk
        if enough and np.isfinite(found.std_error) and np.isfinite(found.p):
            out[group] = found
    return out


def _dose(
    question: Question, rows: pl.DataFrame, groups: Grouped, analysis: Analysis
) -> tuple[tuple[DosePoint, ...], float | None, str]:
    if not question.spline:
        return (), None, ""
    middle = groups.rows.filter(pl.col("state") == groups.reference)[question.factor].cast(pl.Float64).median()
    reference = float(middle) if isinstance(middle, float) else 0.0
    points, why = dose_curve(rows, question.factor, question.adjust, analysis, reference=reference)
    return points, reference if points else None, why


def _years(rows: pl.DataFrame) -> float:
    start = pl.col("exit_date") - pl.duration(days=pl.col("exit_days"))
    span = rows.select((pl.col("exit_date").max() - start.min()).dt.total_days()).item()
    return float(span) / DAYS_PER_YEAR
