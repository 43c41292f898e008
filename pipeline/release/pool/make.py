"""One practice's contribution: its results and follow-up, put through the rules of disclosure."""

import dataclasses
import itertools
import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import polars as pl

from pipeline.questions.comparisons import QUESTIONS, LinkedTables
from pipeline.release.disclosure import STEP, Gate, log_step, nearest_log, nearest_step, rounded_error, step_per_100
from pipeline.release.gates import gate_of, told_half_years
from pipeline.release.pool.agreed import (
    DEFINITIONS,
    NOTE,
    SCHEMA,
    TOOTH_GROUPS,
    Pooled,
    agreed_rules,
    questions,
    sayable_covariates,
)
from pipeline.release.pool.contribution import MARKS, MOST_DRAWS, Contrast, Contribution, Gap, Line, Ratio, Side
from pipeline.release.pool.marks import marks_of
from pipeline.results import GRID_MONTHS, Comparison, Difference, Group, HalfYear, Results
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast, TechniqueGroup
from pipeline.stats.limits import z_value

FARTHEST_LOG = 9.0
MARKS_STAND = 1.5  # times as many patients as they were drawn for
ADJUSTED = "adjusted"  # how the method of an adjusted difference begins


class _Settings(NamedTuple):
    """What decides how a value is told: the confidence of ranges, and the smallest difference per 100 that matters."""

    confidence: float
    smallest: float


class _Counted(NamedTuple):
    """Teeth of so many patients, failures of so many; None where nobody counted the last."""

    teeth: int
    patients: int
    failures: int
    failed_patients: int | None


def contribution(
    results: Results,
    spells: Mapping[str, pl.DataFrame],
    *,
    code: str,
    secret: bytes = b"",
    earlier: Sequence[Contribution] = (),
) -> Contribution:
    """What the practice gives: its results rounded, with the marks of the records behind them.

    `spells` are the follow-up behind each question with curves, by its id: `state, entry_days, exit_days, event,
    patient_id, unit` (the tooth counted), `tooth_group`, and what `marks.py` reads. `code` is drawn by chance, and on
    `secret` hangs the noise of the marks. `earlier` is what the practice gave before, in order: its marks stand, and
    once it has half as many patients again those who came since are marked too, since noise that is drawn anew is
    averaged by whoever keeps the files.
    """
    told = {**results.rules, **results.analysis}
    settings = _Settings(float(told["confidence"]), float(told["smallest_difference_per_100"]))
    compared = {c.id: c for c in results.comparisons}
    techniques = {a.id: a for a in results.techniques}
    gate = gate_of(results)
    given: list[Contrast] = []
    for asked in questions().values():
        found = None
        if asked.compared in techniques:
            found = _of_technique(gate, asked, techniques[asked.compared], settings)
        elif asked.compared in compared and (asked.id in spells or not asked.curves):
            found = _of_comparison(gate, asked, compared[asked.compared], spells.get(asked.id), settings, before=given)
        if found is not None:
            given.append(found)
    return Contribution(
        schema=SCHEMA,
        definitions=DEFINITIONS,
        software=f"toothyears {results.versions['toothyears']}",
        note=NOTE,
        code=code,
        data_until=results.data_cutoff[: len("2025-12")],
        rules=agreed_rules(results.rules, results.analysis),
        contrasts=tuple(given),
        marks=_marks(spells, given, secret=secret, earlier=earlier),
    )


def _marks(
    spells: Mapping[str, pl.DataFrame], now: Sequence[Contrast], *, secret: bytes, earlier: Sequence[Contribution]
) -> tuple[int, ...]:
    """The marks of the latest file, and once there are half as many patients again those of who came since beside them.

    Nobody is marked twice, even where records of former years are added later.
    """
    marks = earlier[-1].marks if earlier else ()
    if len(marks) <= MARKS:  # of an earlier version
        return marks_of(spells, secret=secret)
    drawn = next(e for e in earlier if e.marks == marks)
    few = _most_patients(now) < MARKS_STAND * _most_patients(drawn.contrasts)
    if few or len(marks) == MOST_DRAWS * 2 * MARKS:
        return marks
    return (*marks, *marks_of(spells, secret=secret, since=drawn.data_until))


def _most_patients(contrasts: Sequence[Contrast]) -> int:
    return max((s.patients or 0 for c in contrasts for s in (c.group, c.reference)), default=0)


def _of_comparison(
    gate: Gate,
    asked: Pooled,
    compared: Comparison,
    spells: pl.DataFrame | None,
    settings: _Settings,
    *,
    before: Sequence[Contrast],
) -> Contrast | None:
    """A comparison; one without curves only where both groups are big enough to be told. `before` are those told."""
    names = (asked.group, asked.reference)
    counted = {g.name: g for g in compared.groups}
    if spells is None and not set(names) <= set(counted):
        return None
    group, reference = sides = [
        _counts(gate, n, _counted(counted[n]), n, asked.outcome)
        if spells is None
        else _side(gate, n, spells.filter(pl.col("state") == n), asked, counted.get(n), before=before)
        for n in names
    ]
    if spells is None and not _told(*sides):
        return None
    ratios = [
        e
        for e in compared.estimates
        if (e.contrast, e.model) == (f"{asked.group} vs {asked.reference}", asked.model) and gate.enough(e.events)
    ]
    ratios.sort(key=lambda e: len(e.adjusted_for))
    told = [_ratio(asked, e.limits, (*e.adjusted_for, *e.stratified_by), sides, settings) for e in ratios]
    d = compared.difference
    return Contrast(
        asked.id,
        asked.outcome,
        asked.clock,
        group,
        reference,
        crude=told[0] if told else None,
        adjusted=told[-1] if len(told) > 1 else None,
        gap=_gap(d, sides, settings) if d and (d.group, d.reference) == names else None,
    )


def _of_technique(gate: Gate, asked: Pooled, answer: TechniqueAnswer, settings: _Settings) -> Contrast | None:
    """A pair of groups of a technique question, where both are big enough to be told and the model gave a value."""
    counted = {g.name: g for g in answer.groups}
    names = (asked.group, asked.reference)
    found = next((c for c in answer.contrasts if {c.group, c.reference} == set(names)), None)
    if found is None or not set(names) <= set(counted):
        return None
    group, reference = sides = [
        _counts(gate, n, _counted(counted[n]), f"{answer.question} {n}", asked.outcome) for n in names
    ]
    if not _told(*sides):
        return None
    ratio, d = _oriented(found, asked)
    adjusted = _ratio(asked, ratio, (*answer.adjusted_for, *answer.stratified_by), sides, settings)
    gap = _gap(d, sides, settings) if d else None
    if adjusted is None and gap is None:
        return None
    return Contrast(asked.id, asked.outcome, asked.clock, group, reference, crude=None, adjusted=adjusted, gap=gap)


def _counted(g: Group | TechniqueGroup) -> _Counted:
    teeth = g.crowns if isinstance(g, Group) else g.teeth
    return _Counted(teeth, g.patients, g.failures, g.failed_patients)


_Limits = tuple[float | None, float | None, float | None]


def _oriented(found: TechniqueContrast, asked: Pooled) -> tuple[_Limits, Difference | None]:
    """Ratio and difference with the question's group over its reference, whichever way round they were compared."""
    ratio = (found.hazard_ratio, found.ratio_ci_low, found.ratio_ci_high)
    values = (found.difference_per_100, found.difference_ci_low, found.difference_ci_high)
    if found.group != asked.group:
        low, high = ratio[2], ratio[1]
        ratio = (_inverse(ratio[0]), _inverse(low), _inverse(high))
        values = (_minus(values[0]), _minus(values[2]), _minus(values[1]))
    mid, low, high = values
    if mid is None or low is None or high is None:
        return ratio, None
    return ratio, Difference(asked.group, asked.reference, 0.0, 0, mid, low, high, ADJUSTED)


def _inverse(value: float | None) -> float | None:
    return 1 / value if value else None


def _minus(value: float | None) -> float | None:
    return None if value is None else -value


def _told(*sides: Side) -> bool:
    return all(s.teeth is not None and s.failures is not None for s in sides)


def _ratio(
    asked: Pooled, limits: _Limits, adjusted_for: tuple[str, ...], sides: Sequence[Side], settings: _Settings
) -> Ratio | None:
    """The ratio on its step; None where a count is hidden or a limit is not known, and for ratios beyond all sense."""
    known = [v for v in limits if v is not None and 0 < v < math.inf]
    failures = [s.failures for s in sides if s.failures is not None and s.teeth is not None]
    if len(known) < 3 or len(failures) < 2:
        return None
    mid, low, high = map(math.log, known)
    if abs(mid) > FARTHEST_LOG or high <= low:
        return None
    fewest = min(failures)
    step = log_step(fewest)
    error = rounded_error((high - low) / (2 * z_value(settings.confidence)), step=step, failures_told=fewest)
    return Ratio(asked.model, sayable_covariates(adjusted_for), nearest_log(mid, step), step, error)


def _gap(d: Difference, sides: Sequence[Side], settings: _Settings) -> Gap | None:
    """The difference on its step; None where a count is hidden or a group too small for any step that would tell.

    A step wider than the smallest difference that matters tells nothing of whether there is one: the ratio leads there.
    """
    teeth = [s.teeth for s in sides if s.teeth is not None]
    failures = [s.failures for s in sides if s.failures is not None]
    if len(teeth) + len(failures) < 4 or not all(map(math.isfinite, (d.per_100, d.ci_low, d.ci_high))):
        return None
    step = step_per_100(min(teeth))
    if step is None or step > settings.smallest or d.ci_high <= d.ci_low:
        return None
    spread = (d.ci_high - d.ci_low) / (2 * z_value(settings.confidence))
    error = rounded_error(spread, step=step, failures_told=min(failures))
    return Gap(nearest_step(d.per_100, step), step, error, d.method.startswith(ADJUSTED), d.from_days <= 0)


def _counts(gate: Gate, name: str, of: _Counted, group: str, outcome: str) -> Side:
    """The counts of one side; `group` names the teeth to the gate, as pages do."""
    told = gate.teeth(of.teeth, of.patients, group=group)
    if told is None:
        return Side(name, None, None, None, (), ())
    failures = gate.failures(of.failures, of.failed_patients, group=f"{group} {outcome}")
    return Side(name, told, gate.plain(of.patients, group=group), failures, (), ())


def _side(
    gate: Gate, name: str, spells: pl.DataFrame, asked: Pooled, drawn: Group | None, *, before: Sequence[Contrast]
) -> Side:
    failed = spells.filter("event")["patient_id"]
    teeth, patients = spells["unit"].n_unique(), spells["patient_id"].n_unique()
    side = _counts(gate, name, _Counted(teeth, patients, len(failed), failed.n_unique()), name, asked.outcome)
    if side.teeth is None:
        return side
    # Teeth that are told as those of an earlier question are so group by group: no sum of theirs tells how many differ.
    told = (s for c in before for s in (c.group, c.reference) if s.tooth_groups)
    mix = next((s.tooth_groups for s in told if (s.name, s.teeth) == (name, side.teeth)), None)
    if mix is None:
        of = spells.unique("unit")["tooth_group"]
        mix = tuple(gate.table([f"{name} {g}" for g in TOOTH_GROUPS], [int((of == g).sum()) for g in TOOTH_GROUPS]))
    # Where one patient has very many teeth, numbers followed are too coarse for whoever pools to check them.
    half_years = () if drawn is None or side.failures is None or gate.very_many else drawn.half_years
    table = risk_set_table(gate, name, half_years, clock=asked.clock, teeth=side.teeth)
    most = side.failures or 0  # which may be those of an earlier question as well
    table = tuple(dataclasses.replace(t, failures=None if t.failures is None else min(t.failures, most)) for t in table)
    return dataclasses.replace(side, tooth_groups=mix, table=table)


def risk_set_table(
    gate: Gate, group: str, half_years: Sequence[HalfYear], *, clock: str = "", teeth: int | None = None
) -> tuple[Line, ...]:
    """The half-yearly table of one group, from where enough are followed to before fewer are, as its curve is told.

    Tooth-years are those of the told numbers followed: exact ones, even rounded, would give away when one patient left
    to whoever has two files one patient apart, since he adds to each line up to that day and to none after it.
    """
    told = told_half_years(gate, group, half_years, clock=clock, teeth=teeth)
    halves = [(a + b) / 2 * GRID_MONTHS / 12 for (_, a, _), (_, b, _) in itertools.pairwise(told)]
    years = itertools.accumulate(halves, initial=0.0)
    return tuple(Line(h.months, n, STEP * round(y / STEP), f) for (h, n, f), y in zip(told, years, strict=False))


_COLUMNS = ("state", "entry_days", "exit_days", "event", "patient_id", "unit", "tooth_group", "tooth_fdi")


def pooled_spells(records: LinkedTables) -> dict[str, pl.DataFrame]:
    """Rows by question: `state, entry_days, exit_days, event, patient_id, unit, tooth_group, tooth_fdi`, and the day
    from which the tooth counts, `seat_date` or `completed`.
    """
    return {
        asking.question.id: _named(asking.rows(records), asking.question.unit)
        for asking in QUESTIONS
        if asking.question.pooled_curves and records.has(asking.question)
    }


def _named(spells: pl.DataFrame, unit: str) -> pl.DataFrame:
    return spells.with_columns(unit=unit).select(*_COLUMNS, "seat_date" if unit == "crown_id" else "completed")
