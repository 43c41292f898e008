"""Answer questions by the rules of every other comparison; each is noted first, and widens the limits of all."""

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.own_question import LOG, NOT_DATED, Ask, said
from pipeline.practice.tables import CROWN_DETAILS, CROWNS, ENDO_COURSES, ENDO_DETAILS, PATIENTS, TOOTH_FOLLOWUP
from pipeline.questions.analysis import Analysis
from pipeline.questions.answer import curves_apart
from pipeline.questions.asking.rows import Tables, asked_rows
from pipeline.questions.covariates import Covariate, Levels, Numeric
from pipeline.questions.crown_rows import own_courses, own_crowns
from pipeline.questions.group_ratios import Ratios, failed_patients_by_state, group_ratios
from pipeline.questions.groups import days_of, make_group
from pipeline.questions.verdict import TOO_EARLY, Basis, write_verdict
from pipeline.results import DAYS_PER_YEAR, Comparison, Difference, FlowStep, Group, Verdict
from pipeline.results.asked import Asked, AskedContrast
from pipeline.results.safety import SAFETY_FIELDS, UNMEASURED
from pipeline.stats.few_failures import allow
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise
from pipeline.storing.store import Store
from pipeline.transforms.coded_details import CODED, Coded

POOLED = "other, pooled"
MOST_GROUPS = 8
_UNITS = {"age": ("age when the clock started", 10.0), "year": ("year when the clock started", 5.0)}


def groups_asked(tables: Tables, ask: Ask, analysis: Analysis) -> tuple[pl.DataFrame, list[FlowStep], str]:
    """The rows in groups large enough, the flow to there, and why there is no comparison (empty if there is one).

    A group of fewer patients than a curve needs (`min_at_risk`) is never shown: small words are pooled, unless the
    pool is small too; small bands, and a small pool, are left out and counted.
    """
    rows, flow = asked_rows(tables, ask)
    if rows.schema[ask.column].is_numeric() and not ask.bands and rows["state"].n_unique() > MOST_GROUPS:
        return rows, flow, "This column holds numbers: give bands, e.g. [1, 3]."
    patients = rows.group_by("state").agg(n=pl.col("patient_id").n_unique())
    small = patients.filter(pl.col("n") < analysis.min_at_risk)["state"].to_list()
    if len(small) > 1 and not ask.bands:
        rows = rows.with_columns(state=pl.when(pl.col("state").is_in(small)).then(pl.lit(POOLED)).otherwise("state"))
        pooled = rows.filter(pl.col("state") == POOLED)
        small = [POOLED] if pooled["patient_id"].n_unique() < analysis.min_at_risk else []
    kept = rows.filter(~pl.col("state").is_in(small))
    if kept.height < rows.height:
        why = f"in groups of fewer than {count(analysis.min_at_risk, 'patient')}"
        flow.append(FlowStep("Group large enough", kept.height, rows.height - kept.height, why, ask.population.noun))
    names = set(kept["state"])
    if len(names) < 2:
        return kept, flow, f"Fewer than two groups have {count(analysis.min_at_risk, 'patient')} or more."
    if len(names) > MOST_GROUPS:
        return (
            kept,
            flow,
            f"There are {count(len(names), 'group')}; at most {MOST_GROUPS} can be compared. Narrow the question.",
        )
    if ask.reference is not None and ask.reference.lower() not in names:
        return kept, flow, "The reference group is not among the groups that are large enough."
    return kept, flow, ""


def answer(
    rows: pl.DataFrame, flow: list[FlowStep], ask: Ask, analysis: Analysis, *, family: int, refused: str = ""
) -> Asked:
    """Compare the groups of `groups_asked`, each with the reference.

    `family` counts the contrasts of all questions so far, these included. Limits have a confidence of
    1 - (1 - confidence) / family (Bonferroni), so that the verdicts, which stand on limits, pay for every question.
    """
    title = ask.title or f"{_sentence(ask.outcome.asked_as)} of {said(ask.population.name)} by {said(ask.column)}"
    confidence = 1 - (1 - analysis.confidence) / max(family, 1)
    own = replace(analysis, confidence=confidence, horizon_years=ask.horizon or analysis.horizon_years)
    if refused:
        return Asked(ask.key(), title, ask.in_words(), None, (), family, confidence, (), refused)
    names = group_order(rows, ask)
    reference, others = names[0], names[1:]
    groups = {n: _group(rows, n, replace(own, confidence=analysis.confidence)) for n in names}
    alone = one_group_each(rows)
    spells = rows.with_columns(provider_id=pl.lit(None, pl.String)) if alone else rows
    pairs = [(n, reference) for n in others]
    ratios = group_ratios(spells, pairs, covariates(ask, rows), own, unit=ask.population.unit, model="cox")
    contrasts = tuple(
        _contrast(
            rows, groups, (n, reference), ratios, own, family=family, years=_years(rows, ask), safety=is_safety(ask)
        )
        for n in others
    )
    if alone:
        contrasts = tuple(replace(c, verdict=_of_clinicians(c.verdict)) for c in contrasts)
    first = max(contrasts, key=lambda c: (c.difference is not None, groups[c.group].failures, c.group))
    comparison = Comparison(
        id=f"asked_{ask.key()}",
        title=title,
        question=f"Does {ask.outcome.asked_as} differ by {said(ask.column)}?",
        outcome=ask.outcome.id,
        clock=ask.clock,
        groups=tuple(groups.values()),
        estimates=ratios.estimates,
        naive=None,
        difference=first.difference,
        verdict=first.verdict,
        flow=tuple(flow),
        missing=ratios.missing,
        notes=ratios.notes,
        horizon_years=own.horizon_years,
    )
    notes = (*_notes(ask, own, family), *_coded_note(rows, ask))
    asked = Asked(ask.key(), title, ask.in_words(), comparison, contrasts, family, confidence, notes)
    return replace(asked, safety=is_safety(ask))


def is_safety(ask: Ask) -> bool:
    """True where the groups are ways of a measure of safety."""
    return ask.column in SAFETY_FIELDS


def one_group_each(rows: pl.DataFrame) -> bool:
    """True where several clinicians are known and none has teeth in two groups: groups and clinicians are the same."""
    known = rows.filter(pl.col("provider_id").is_not_null())
    by = known.group_by("provider_id").agg(n=pl.col("state").n_unique())
    return by.height > 1 and by.filter(pl.col("n") > 1).is_empty()


def _of_clinicians(verdict: Verdict) -> Verdict:
    doubt = "Every clinician kept to one of these groups, so a difference may be one between clinicians."
    return replace(verdict, sentence=f"{verdict.sentence} {doubt}", doubt=f"{doubt} {verdict.doubt}")


def group_order(rows: pl.DataFrame, ask: Ask) -> list[str]:
    """The reference first (the one named, else the largest), the others by name."""
    counted = rows.group_by("state").agg(n=pl.len()).sort(["n", "state"], descending=[True, False])
    first = ask.reference.lower() if ask.reference else str(counted["state"][0])
    return [first, *sorted(name for name in counted["state"].to_list() if name != first)]


def covariates(ask: Ask, rows: pl.DataFrame) -> list[Covariate]:
    """What the model adjusts for; a stored number enters as a straight line per unit, all else in levels."""
    out: list[Covariate] = []
    for name in ask.adjusted():
        if name in _UNITS:
            out.append(Numeric(name, *_UNITS[name]))
        elif rows.schema[name].is_numeric() and name != "tooth_fdi":
            out.append(Numeric(name, said(name), 1.0))
        else:
            out.append(Levels(name, said(name)))
    return out


def _group(rows: pl.DataFrame, name: str, analysis: Analysis) -> Group:
    part = rows.filter(pl.col("state") == name)
    return make_group(
        part, name=name, label=_sentence(name.replace("_", " ")), counted=part, rules=analysis.curve_rules()
    )


def _contrast(
    rows: pl.DataFrame,
    groups: dict[str, Group],
    pair: tuple[str, str],
    ratios: Ratios,
    analysis: Analysis,
    *,
    family: int,
    years: float,
    safety: bool,
) -> AskedContrast:
    name, reference = pair
    difference = _difference(rows, groups, pair, ratios, analysis)
    verdict = write_verdict(
        Basis(
            group=groups[name],
            reference=groups[reference],
            difference=difference,
            horizon_years=analysis.horizon_years,
            smallest_per_100=analysis.smallest_difference_per_100,
            min_failures=analysis.min_failures,
            confidence=analysis.confidence,
            years_of_records=years,
            safety=safety,
        )
    )
    if verdict.code == TOO_EARLY:
        difference = None
    found = [e.p for e in ratios.estimates if e.contrast == f"{name} vs {reference}" and math.isfinite(e.p)]
    p = found[-1] if found else None
    return AskedContrast(name, reference, difference, verdict, p, None if p is None else min(1.0, p * family))


def _difference(
    rows: pl.DataFrame, groups: dict[str, Group], pair: tuple[str, str], ratios: Ratios, analysis: Analysis
) -> Difference | None:
    """Adjusted where the model has an answer, else of two curves; None where either stops before the horizon."""
    name, reference = pair
    horizon = days_of(analysis.horizon_years)
    if any((groups[g].stops_at_days or 0) < horizon for g in (name, reference)):
        return None
    fit = ratios.adjusted
    if fit is not None and name in fit.names and reference not in fit.names:
        others = {g: 0.0 for g in fit.names if g in groups}
        standard = standardise(
            fit,
            fitted_target(fit, fit.design.rows.entry < 0),
            states={name: others | {name: 1.0}, reference: others},
            day=horizon,
            min_at_risk=analysis.min_at_risk,
        )
        allowance = allow(fit, name, reference, failed_patients_by_state(rows))
        d = standard.difference(name, reference, allowance=allowance, confidence=analysis.confidence)
        if np.isfinite(d.std_error):
            method = "adjusted: all teeth standardised to each group by the adjusted Cox model, grouped by patient"
            return Difference(name, reference, analysis.horizon_years, 0, d.per_100, d.low, d.high, method)
    sides = {g: rows.filter(pl.col("state") == g) for g in pair}
    method = "difference of two Kaplan-Meier curves; not adjusted"
    return curves_apart(pair, sides, (0, analysis.horizon_years), analysis, method=method)


def _years(rows: pl.DataFrame, ask: Ask) -> float:
    span = (pl.col("exit_date").max() - pl.col(ask.population.start).min()).dt.total_days()
    return float(rows.select(span).item()) / DAYS_PER_YEAR


def _notes(ask: Ask, analysis: Analysis, family: int) -> tuple[str, ...]:
    notes = [
        f"{family} contrast{'s' if family != 1 else ''} ha{'ve' if family != 1 else 's'} been asked of this database "
        f"so far, with this question. So each range is one of {100 * analysis.confidence:.4g} %: every further "
        "question widens all of them."
    ]
    if is_safety(ask):
        notes.append(UNMEASURED)
    named = [name for name in (ask.column, *ask.adjusted()) if name in NOT_DATED]
    if named:
        notes.append(
            f"{_sentence(', '.join(named))}: as recorded when the files were written, which may be after the "
            "clock started."
        )
    return tuple(notes)


def _coded_note(rows: pl.DataFrame, ask: Ask) -> tuple[str, ...]:
    source = f"{ask.column}_from"
    coded = 0 if source not in rows.columns else int((rows[source] == CODED).sum())
    if not coded:
        return ()
    return (f"{_sentence(said(ask.column))}: read from procedure codes for {coded:,} of {rows.height:,} teeth.",)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def ask_all(
    store: Store,
    asks: Sequence[Ask],
    analysis: Analysis,
    *,
    say: Callable[[str], None],
    course_gap_days: int = 180,
    crown_repost_days: int = 60,
    coded: Coded | None = None,
) -> tuple[Asked, ...]:
    """Answer the questions, all with the family of contrasts that stands after the last of them.

    The log, `{fingerprint: contrasts}` as JSON under `asked`, keeps every question ever asked of this store, each once.
    One refused for want of teeth has shown nothing, and does not count.
    """
    store.require("link")
    read = store.stand_ins.reader(store.read)
    tables = Tables(
        crowns=own_crowns(read(CROWNS)),
        endo_courses=own_courses(read(ENDO_COURSES)),
        tooth_followup=read(TOOTH_FOLLOWUP),
        patients=read(PATIENTS),
        endo_details=read(ENDO_DETAILS),
        crown_details=read(CROWN_DETAILS),
        course_gap_days=course_gap_days,
        crown_repost_days=crown_repost_days,
        coded=coded or Coded(),
    )
    log: dict[str, int] = json.loads(store.text(LOG) or "{}")
    prepared = [(ask, *groups_asked(tables, ask, analysis)) for ask in asks]
    for ask, rows, _, refused in prepared:
        if not refused:
            log[ask.key()] = max(log.get(ask.key(), 0), rows["state"].n_unique() - 1)
    with store.transaction():
        store.save_text(LOG, json.dumps(log, sort_keys=True))
    family = sum(log.values())
    say(
        f"answering {len(asks)} question{'s' if len(asks) != 1 else ''}; {family} contrast{'s' if family != 1 else ''} "
        "asked so far"
    )
    return tuple(answer(rows, flow, ask, analysis, family=family, refused=no) for ask, rows, flow, no in prepared)


def as_text(asked: Asked) -> str:
    """The answer for a terminal: counts and sentences, nothing about one patient."""
    lines = [asked.title, *(f"  {key}: {value}" for key, value in asked.asked.items()), ""]
    if asked.comparison is None:
        return "\n".join([*lines, f"Not answered. {asked.refused}"])
    for group in asked.comparison.groups:
        lines.append(
            f"{group.label}: {count(group.crowns, 'tooth')} of {group.patients:,} patients, "
            f"{count(group.failures, 'failure')}, {group.rate_per_100_tooth_years:.1f} per 100 tooth-years"
        )
    lines.append("")
    labels = {g.name: g.label for g in asked.comparison.groups}
    for x in asked.contrasts:
        lines.append(f"{labels[x.group]} against {labels[x.reference].lower()}: {x.verdict.sentence}")
    return "\n".join([*lines, "", *asked.notes, *asked.comparison.notes])
