"""The one mechanism that answers every technique question."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.practice.outcomes import outcome as named
from pipeline.questions.analysis import Analysis
from pipeline.questions.covariates import Numeric
from pipeline.questions.group_ratios import Ratios, failed_patients_by_state, group_ratios
from pipeline.questions.groups import days_of, failed_patients
from pipeline.questions.techniques.claims import Draft, Pair, paces_of, with_claims
from pipeline.questions.techniques.dose import DoseCurve, dose_curve
from pipeline.questions.techniques.grouping import MIN_FAILURES, MIN_PATIENTS, Grouped, counted_as, grouped, sizes
from pipeline.questions.techniques.healing import healing, healing_difference, recall_notes
from pipeline.questions.techniques.question import (
    FILMS,
    HEALED,
    TIME_ZERO,
    Question,
    codes_needed,
    fields_needed,
    name_of,
)
from pipeline.questions.techniques.rows import only_columns, source_of
from pipeline.results import DAYS_PER_YEAR, NotRun
from pipeline.results.planning import Plan
from pipeline.results.safety import UNMEASURED
from pipeline.results.technique import TechniqueAnswer, TechniqueGroup
from pipeline.stats.clustered import clustered_share
from pipeline.stats.cox import CoxFit
from pipeline.stats.few_failures import allow
from pipeline.stats.rates import failure_rate
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise
from pipeline.stats.standardised import AdjustedDifference, Standardised
from pipeline.transforms.coded_details import CODED

MODEL = "cox_by_technique"
Asked = tuple[Question, str, pl.DataFrame | None]  # a question, one of its outcomes, the rows to ask it of


@dataclass(frozen=True)
class Answered:
    """Answers in order of question and outcome, and the questions that could not be asked."""

    answers: tuple[TechniqueAnswer, ...]
    not_run: tuple[NotRun, ...]
    plans: tuple[Plan, ...] = ()


def answer_all(
    questions: Sequence[Question],
    rows: Mapping[tuple[str, str], pl.DataFrame],
    analysis: Analysis,
    *,
    more: Iterable[Asked] = (),
) -> Answered:
    """Ask every question of its rows, then count all contrasts as one family.

    `rows` by unit and outcome; `more` are questions that bring rows of their own. A question whose factor is empty
    there, or whose groups are too small, goes to `not_run` with what it lacks.
    """
    drafts: list[Draft] = []
    not_run: list[NotRun] = []
    plain = [(q, outcome, rows.get((q.unit, outcome))) for q in questions for outcome in q.outcomes]
    for question, outcome, frame in (*plain, *more):
        found = _answer(question, outcome, frame, analysis)
        if isinstance(found, NotRun):
            not_run.append(found)
        else:
            drafts.append(found)
    answers, plans = with_claims(drafts, analysis)
    return Answered(answers, tuple(not_run), plans)


def _answer(question: Question, outcome: str, rows: pl.DataFrame | None, analysis: Analysis) -> Draft | NotRun:
    name, title = name_of(question, outcome), f"{question.title}: {named(outcome).event}"
    if rows is None or rows.is_empty():
        return NotRun(name, title, (codes_needed(question),))
    judged = outcome == HEALED
    if question.among:
        rows = rows.filter(pl.col(question.among.column))
    rows = _with_absent(
        only_columns(rows, (question.factor, source_of(question.factor), *(c.name for c in question.adjust))), question
    )
    seen = rows.filter("recalled") if judged else rows
    films = FILMS if seen.is_empty() else ()
    told = rows if seen.is_empty() else seen
    fields = fields_needed(question) if told[question.factor].null_count() == told.height else ()
    if films or fields:
        return NotRun(name, title, (*films, *fields))
    groups = grouped(seen, question, judged=judged)
    if groups is None:
        what = "teeth healed and as many not" if judged else "failures"
        need = f"two groups of {MIN_PATIENTS} patients with {MIN_FAILURES} {what}"
        return NotRun(name, title, (f"{fields_needed(question)[0]}: {need}",), sizes(seen, question))
    groups = replace(groups, notes=(*groups.notes, *_coded_notes(groups.rows, question)))
    draft = _draft(question, outcome, groups, analysis, name=name, title=title)
    if judged:
        return _with_healing(_with_recalls(draft, rows, question, groups), question, groups, analysis)
    return _with_ratios(draft, question, rows, groups, analysis)


def _with_absent(rows: pl.DataFrame, question: Question) -> pl.DataFrame:
    """Rows with every covariate of the question; one that they do not have was not recorded."""
    absent = [c for c in question.adjust if c.name not in rows.columns]
    return rows.with_columns(
        pl.lit(None, pl.Float64 if isinstance(c, Numeric) else pl.String).alias(c.name) for c in absent
    )


def _coded_notes(rows: pl.DataFrame, question: Question) -> tuple[str, ...]:
    """How many values of the question are read from procedure codes."""
    source = source_of(question.factor)
    coded = 0 if source not in rows.columns else rows.filter(pl.col(source) == CODED).height
    if not coded:
        return ()
    how = "have" if coded != 1 else "has"
    return (f"{coded:,} of {rows.height:,} values {how} no recorded detail and are read from procedure codes.",)


def _with_ratios(draft: Draft, question: Question, rows: pl.DataFrame, groups: Grouped, analysis: Analysis) -> Draft:
    ratios, within = _ratios(groups.rows, list(draft.pairs), question, analysis)
    adjusted = {e.contrast: e for e in ratios.estimates if e.adjusted_for or e.stratified_by}
    standard = _standardised(ratios.adjusted, groups, analysis)
    curve = _dose(question, rows, groups, analysis)
    first = next(iter(adjusted.values()), None)
    answer = replace(
        draft.answer,
        groups=tuple(_with_rate(g, standard, analysis) for g in draft.answer.groups),
        dose=curve.points,
        reference_dose=curve.reference,
        dose_p=curve.p,
        bend_p=curve.bend_p,
        adjusted_for=first.adjusted_for if first else (),
        stratified_by=first.stratified_by if first else (),
        missing=ratios.missing,
        notes=(*draft.answer.notes, *ratios.notes, *(text for text in (curve.why, curve.note) if text)),
    )
    return replace(
        draft,
        answer=answer,
        ratios={pair: adjusted[" vs ".join(pair)] for pair in draft.pairs if " vs ".join(pair) in adjusted},
        differences=_differences(ratios.adjusted, standard, draft.pairs, groups.rows, analysis),
        fitted=ratios.adjusted is not None,
        between_clinicians=not within,
    )


def _with_recalls(draft: Draft, due: pl.DataFrame, question: Question, groups: Grouped) -> Draft:
    """How many were due for a recall in each group, and what must be said where not all came."""
    counted = counted_as(groups, due, question)
    shown = tuple(replace(g, due=counted.get(g.name, g.teeth)) for g in draft.answer.groups)
    return replace(draft, answer=replace(draft.answer, groups=shown, notes=(*draft.answer.notes, *recall_notes(shown))))


def _with_healing(draft: Draft, question: Question, groups: Grouped, analysis: Analysis) -> Draft:
    found = healing(groups, question.adjust, analysis)
    shares, answer = found.shares, draft.answer
    shown = answer.groups
    differences: dict[Pair, AdjustedDifference] = {}
    if shares is not None:
        differences = {pair: healing_difference(shares, pair, analysis) for pair in draft.pairs}
        limits = {g.name: shares.limits(g.name, confidence=analysis.confidence) for g in shown}
        share = dict(zip(shares.groups, shares.share.tolist(), strict=True))
        shown = tuple(
            replace(
                g,
                adjusted_success=1 - share[g.name],
                adjusted_success_ci_low=1 - limits[g.name][1],
                adjusted_success_ci_high=1 - limits[g.name][0],
            )
            for g in shown
        )
    answer = replace(
        answer,
        groups=shown,
        adjusted_for=found.used if shares is not None else (),
        stratified_by=("clinician",) if found.by_clinician else (),
        missing=found.missing,
        notes=(*answer.notes, *found.notes),
    )
    possible = {pair: d for pair, d in differences.items() if np.isfinite(d.p)}
    return replace(
        draft, answer=answer, differences=possible, fitted=shares is not None, between_clinicians=not found.within
    )


def _ratios(rows: pl.DataFrame, pairs: list[Pair], question: Question, analysis: Analysis) -> tuple[Ratios, bool]:
    """Ratios within clinicians; across them, and False, where the groups do not vary within any clinician's teeth."""
    ratios = group_ratios(rows, pairs, question.adjust, analysis, unit="row_id", model=MODEL)
    if ratios.adjusted is not None or rows["provider_id"].n_unique() < 2:
        return ratios, True
    across = rows.with_columns(provider_id=pl.lit(None, pl.String))
    found = group_ratios(across, pairs, question.adjust, analysis, unit="row_id", model=MODEL)
    return (found, False) if found.adjusted is not None else (ratios, True)


def _draft(question: Question, outcome: str, groups: Grouped, analysis: Analysis, *, name: str, title: str) -> Draft:
    shown = tuple(
        _group(groups.rows.filter(pl.col("state") == state), state, label, outcome, analysis)
        for state, label in groups.labels.items()
    )
    timed = {g.name for g in shown if outcome == HEALED or g.rate_per_100_tooth_years is not None}
    pairs = [(g.name, groups.reference) for g in shown if g.name != groups.reference]
    pairs += [pair for pair in question.also if groups.reference not in pair]
    answer = TechniqueAnswer(
        id=name,
        question=question.id,
        title=title,
        unit=question.unit,
        outcome=outcome,
        horizon_years=analysis.horizon_years,
        reference=groups.reference,
        groups=shown,
        contrasts=(),
        dose=(),
        dose_unit=question.dose_unit,
        reference_dose=None,
        adjusted_for=(),
        stratified_by=(),
        missing=(),
        caveats=(*((UNMEASURED,) if question.safety else ()), *question.caveats, question.why_adjust),
        notes=groups.notes,
        family=0,
        population=question.population,
        time_zero=TIME_ZERO[question.unit],
        competing=named(outcome).competing,
    )
    return Draft(
        answer=answer,
        pairs=tuple(pair for pair in pairs if timed.issuperset(pair)),
        ratios={},
        differences={},
        smallest_per_100=analysis.smallest_difference_per_100,
        years_of_records=_years(groups.rows),
        paces=paces_of(groups.rows, groups.labels, outcome),
        safety=question.safety,
    )


def _group(rows: pl.DataFrame, name: str, label: str, outcome: str, analysis: Analysis) -> TechniqueGroup:
    patients, failures = rows["patient_id"].n_unique(), int(rows["event"].sum())
    failed = failed_patients(rows, "event")
    told = TechniqueGroup(name, label, rows.height, patients, failures, 0.0, None, None, None, failed_patients=failed)
    if outcome == HEALED:
        share = clustered_share((~rows["event"]).to_numpy(), rows["patient_id"], confidence=analysis.confidence)
        return replace(told, success=share.share, success_ci_low=share.low, success_ci_high=share.high)
    rate = failure_rate(rows["exit_days"], rows["event"], entry_days=rows["entry_days"], confidence=analysis.confidence)
    if not rate.tooth_years:
        return told
    return replace(
        told,
        tooth_years=rate.tooth_years,
        rate_per_100_tooth_years=rate.per_100,
        rate_ci_low=rate.low,
        rate_ci_high=rate.high,
    )


def _standardised(fit: CoxFit | None, groups: Grouped, analysis: Analysis) -> Standardised | None:
    """Adjusted shares failed at the horizon: all the rows of the model, set to each group in turn."""
    if fit is None:
        return None
    columns = [name for name in groups.labels if name in fit.names]
    return standardise(
        fit,
        fitted_target(fit, np.ones(fit.n_rows, dtype=np.bool_)),
        states={g: {c: float(c == g) for c in columns} for g in groups.labels},
        day=days_of(analysis.horizon_years),
        min_at_risk=analysis.min_at_risk,
    )


def _followed(standard: Standardised, analysis: Analysis) -> set[str]:
    """Groups of which enough teeth are followed to the horizon."""
    counted = zip(standard.states, standard.at_risk.tolist(), strict=True)
    return {state for state, at_risk in counted if at_risk >= analysis.min_at_risk}


def _differences(
    fit: CoxFit | None, standard: Standardised | None, pairs: Sequence[Pair], rows: pl.DataFrame, analysis: Analysis
) -> dict[Pair, AdjustedDifference]:
    if fit is None or standard is None:
        return {}
    failed = failed_patients_by_state(rows)
    followed = _followed(standard, analysis)
    out = {}
    for pair in pairs:
        if followed.issuperset(pair):
            allowance = allow(fit, *pair, failed)
            found = standard.difference(*pair, allowance=allowance, confidence=analysis.confidence)
            if np.isfinite(found.std_error) and np.isfinite(found.p):
                out[pair] = found
    return out


def _with_rate(g: TechniqueGroup, standard: Standardised | None, analysis: Analysis) -> TechniqueGroup:
    if standard is None or g.name not in _followed(standard, analysis):
        return g
    failed = standard.share(g.name, confidence=analysis.confidence)
    if any(not 0 < share < 1 for share in failed):
        return g
    rate, low, high = (float(-100 * np.log1p(-share) / analysis.horizon_years) for share in failed)
    return replace(g, adjusted_rate_per_100_tooth_years=rate, adjusted_rate_ci_low=low, adjusted_rate_ci_high=high)


def _dose(question: Question, rows: pl.DataFrame, groups: Grouped, analysis: Analysis) -> DoseCurve:
    if not question.spline:
        return DoseCurve()
    middle = groups.rows.filter(pl.col("state") == groups.reference)[question.factor].cast(pl.Float64).median()
    reference = float(middle) if isinstance(middle, float) else 0.0
    return dose_curve(rows, question.factor, question.adjust, analysis, reference=reference)


def _years(rows: pl.DataFrame) -> float:
    start = pl.col("exit_date") - pl.duration(days=pl.col("exit_days"))
    span = rows.select((pl.col("exit_date").max() - start.min()).dt.total_days()).item()
    return float(span) / DAYS_PER_YEAR
