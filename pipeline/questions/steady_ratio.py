"""Is a hazard ratio steady? If not, what is it at first and later, and what difference does the model with both make?

A Cox ratio is one number for all of follow-up. A crown that fails soon after its opening or never again has no such
number: the fitted one is an average over whoever happened to be followed, and a difference worked out from it is wrong
by the horizon. So two tests stand beside each adjusted ratio, on two clocks:

- **the clock of the model**: the score test of the group's ratio against time, with its variance between patients
  (`stats/proportional_hazards.py`);
- **the clock of the group**: its follow-up is cut `FIRST_YEAR_DAYS` after its own start (the opening), and a Wald test
  with errors clustered on the patient asks whether the ratio before and after is the same.

They are two looks at one assumption, so Holm's rule is applied to the two: by the smaller p, doubled, the ratio is said
to change below `CHANGES_BELOW`, and to be steady from `STEADY_FROM` on; between them it cannot be told.

The difference takes a ratio as steady only where that is said: it was tested, and nothing speaks against it. Else it
comes from a model with phases: `PHASES` cut the first year again after four months, since failures that come at once
are over by then, and the one ratio of a first year, averaged over crowns of which many have failed or left by its end,
would be too high for a crown that goes through all of it. Two errors do not weigh alike here. A range from one ratio
that was chosen because a test was silent is too narrow wherever the test could not have spoken (a choice made on the
same data has no range of its own, however large the practice [Leeb 2005]), while phases that were not needed only widen
it, by a few hundredths. So `STEADY_FROM` is far from 0.05, and a practice with no failure in the first year, which has
nothing to test, is not taken as steady.

A phase without a failure would have a ratio of none at all, without error. So it is believed, for what `ALIKE` failures
are worth, that phases which adjoin are alike (`stats/log_f.py`); half of each such failure stands on either side, and
the error of the difference has them as clusters of their own.
"""

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.questions.analysis import Analysis
from pipeline.questions.question import Contrast, Question
from pipeline.results import DAYS_PER_YEAR, Difference, Estimate
from pipeline.results.steady import MeanYears, PhaseRatio, Steady, SteadyTest
from pipeline.stats.cox import CoxFit, CoxInputError
from pipeline.stats.cox_kernel import Ints
from pipeline.stats.few_failures import Allowance, allow, careful_ratio, failed_in, failed_patients
from pipeline.stats.multiplicity import holm
from pipeline.stats.phases import PhaseFit, fit_phases
from pipeline.stats.proportional_hazards import proportional_hazards_test
from pipeline.stats.standard_target import Target, fitted_target
from pipeline.stats.standardise_windows import Windows, standardise_windows
from pipeline.stats.standardised import AdjustedDifference, make_difference

FIRST_YEAR_DAYS = 365
PHASES = (122, FIRST_YEAR_DAYS)
CHANGES_BELOW, STEADY_FROM = 0.05, 0.50
ALIKE = 1.0
# No ratio is given of a phase with fewer failures.
MIN_FAILURES_A_PHASE = 5
# The mean years in place are the area under curves read at so many days, evenly spread.
GRID = 24
FIRST, LATER = "first_year", "later"


@dataclass(frozen=True, eq=False)
class Changing:
    """The model with phases of the group, and the days on which they meet."""

    phases: PhaseFit
    turns: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Judged:
    """What is told of the ratio, and the model that has its phases unless it was found steady."""

    steady: Steady
    changing: Changing | None


def judge_ratio(fit: CoxFit, contrast: Contrast, *, start: Ints, confidence: float) -> Judged:
    """Test the adjusted ratio of a contrast on both clocks.

    `start` has the day of the fit's clock on which the group began, for every fitted row; it is read for rows of the
    group alone. All terms are tested on the clock of the model for the record, and do not enter the decision.
    """
    if not fit.converged or contrast.group not in fit.names:
        return Judged(_untested(contrast, ()), None)
    tests = _on_model_clock(fit)
    told = _tested(fit, contrast, tests, start=start, confidence=confidence) or _untested(contrast, tests)
    return Judged(told, None if told.steady else changing_model(fit, contrast.group, start=start))


def _tested(
    fit: CoxFit, contrast: Contrast, tests: tuple[SteadyTest, ...], *, start: Ints, confidence: float
) -> Steady | None:
    """What the tests say; None where there is nothing to tell the first year and later apart."""
    try:
        halves = fit_phases(fit, contrast.group, start=start, cuts=(FIRST_YEAR_DAYS,))
    except CoxInputError:
        return None
    first, later = halves.names
    equal = halves.fit.contrast({first: 1.0, later: -1.0})
    if not halves.fit.converged or min(halves.failures) == 0 or not np.isfinite(equal.p):
        return None
    wald = SteadyTest(contrast.group, f"since {contrast.since}", (equal.estimate / equal.se) ** 2, 1, equal.p)
    own = next((t.p for t in tests if t.term == contrast.group), math.nan)
    p = float(np.min(holm([equal.p, *([own] if np.isfinite(own) else [])])))
    phases = _phase_ratios(halves, contrast, confidence)
    steady = told_of(p)
    return Steady(
        contrast=f"{contrast.group} vs {contrast.reference}",
        steady=steady,
        p=p,
        tests=(*tests, wald),
        phases=phases,
        overall=None,
        sentence=_sentence(contrast, steady, phases, halves.failures),
    )


def told_of(p: float) -> bool | None:
    """Whether a ratio is steady, by the p of both looks together: False where it changes, None where that is open."""
    return True if p >= STEADY_FROM else False if p < CHANGES_BELOW else None


def changing_model(fit: CoxFit, group: str, *, start: Ints) -> Changing | None:
    """The model with `PHASES`, or fewer where one has nobody at risk; None where no phases can be told apart."""
    for turns in (PHASES, (FIRST_YEAR_DAYS,)):
        try:
            found = fit_phases(fit, group, start=start, cuts=turns, alike=ALIKE)
        except CoxInputError:
            continue
        if found.fit.converged:
            return Changing(found, turns)
    return None


@dataclass(frozen=True)
class Standing:
    """What a verdict stands on: the adjusted difference, the ratio beside it with its limits, and what is told of both.

    `changes` says whether the difference comes from a model in which the ratio of the group changes, `checked` whether
    that was looked at.
    """

    difference: Difference | None = None
    ratio: tuple[float, float, float] | None = None
    steady: Steady | None = None
    mean_years: MeanYears | None = None
    changes: bool = False
    checked: bool = True


@dataclass(frozen=True, eq=False)
class Stretch:
    """Of whom a difference is and over which days: `rows` are places of the fit, `states` its columns by group.

    It runs from a day to another of the fit's clock, by so many `years`; with `starts` days count from a day of each
    row's own.
    """

    rows: NDArray[np.bool_] | Ints
    states: Mapping[str, Mapping[str, float]]
    days: tuple[int, int]
    years: float
    starts: Ints | None = None


def stand_on(
    question: Question,
    fit: CoxFit | None,
    ratio: Estimate | None,
    stretch: Stretch | None,
    *,
    began: Ints,
    analysis: Analysis,
) -> Standing:
    """The difference of a question by an adjusted fit, from the model with phases unless its ratio was found steady.

    `began` is the day of the fit's clock on which the group began, by row. Without a stretch there is no difference.
    """
    if fit is None:
        return difference_by(question, None, None, ratio, None, analysis=analysis)
    judged = judge_ratio(fit, question.contrast, start=began, confidence=analysis.confidence)
    found = difference_by(question, fit, judged.changing, ratio, stretch, analysis=analysis)
    return replace(found, steady=replace(judged.steady, overall=found.ratio if found.changes else None))


def difference_by(
    question: Question,
    fit: CoxFit | None,
    changing: Changing | None,
    ratio: Estimate | None,
    stretch: Stretch | None,
    *,
    analysis: Analysis,
    grid: int = GRID,
) -> Standing:
    """The adjusted difference and ratio by the fit, or by the model with phases; mean years read at so many days."""
    plain = None if ratio is None else ratio.limits
    if fit is None or not fit.converged or stretch is None:
        return Standing(ratio=plain)
    contrast, confidence, (start, end) = question.contrast, analysis.confidence, stretch.days
    windows = windows_of(
        fit,
        changing,
        stretch.rows,
        states=stretch.states,
        group=contrast.group,
        start=start if stretch.starts is None else stretch.starts,
        length=end - start,
        min_at_risk=analysis.min_at_risk,
        grid=grid,
    )
    allowance = allowance_of(fit, contrast, {name for values in stretch.states.values() for name in values})
    found = adjusted_of(contrast, windows, allowance, days=stretch.days, confidence=confidence)
    changes = changing is not None
    difference = write_adjusted(question, found, stretch.years, changes=changes)
    if difference is None:
        return Standing(ratio=plain)
    years = mean_years(
        windows,
        contrast,
        years=stretch.years,
        from_days=start,
        allowance=allowance,
        confidence=confidence,
        noun=question.rows_of,
        kept=question.outcome.good.removeprefix("still "),
    )
    return Standing(
        difference,
        overall_ratio(windows, contrast, allowance, confidence) if changes else plain,
        mean_years=years if grid > 1 else None,
        changes=changes,
    )


def write_adjusted(
    question: Question, d: AdjustedDifference, years: float, *, changes: bool = False
) -> Difference | None:
    """The adjusted difference by so many years in the words of the results; None without an error."""
    if not np.isfinite(d.std_error):
        return None
    method = question.changing if changes else question.adjusted
    return Difference(*question.pair, years, d.from_day, d.per_100, d.low, d.high, method)


def windows_of(
    fit: CoxFit,
    changing: Changing | None,
    rows: NDArray[np.bool_] | Ints,
    *,
    states: Mapping[str, Mapping[str, float]],
    group: str,
    start: int | Ints,
    length: int,
    min_at_risk: int,
    grid: int = GRID,
) -> Windows:
    """Standardised curves of the crowns at the places `rows` of the fit, for `length` days from their `start` on.

    `states` gives for each state the columns of `fit` that describe it. With a changing model the column `group` is
    set phase by phase since the start: the crowns go through the first phase, then the next, as if opened that day.
    """
    days = np.unique(np.linspace(0, length, grid + 1).round().astype(np.int64))[1:]
    place = np.flatnonzero(rows) if np.asarray(rows).dtype == np.bool_ else np.asarray(rows)
    if changing is None:
        steady = {name: [dict(values)] for name, values in states.items()}
        target: Target = fitted_target(fit, place)
        return standardise_windows(fit, target, start=start, days=days, states=steady, min_at_risk=min_at_risk)
    phases = changing.phases
    set_to = {
        name: phases.set_to(bool(values[group]), {k: v for k, v in values.items() if k != group})
        for name, values in states.items()
    }
    return standardise_windows(
        phases.fit,
        fitted_target(phases.fit, phases.piece[place]),
        start=start,
        days=days,
        states=set_to,
        turns=changing.turns,
        min_at_risk=min_at_risk,
    )


def allowance_of(fit: CoxFit, contrast: Contrast, columns: Collection[str]) -> Allowance:
    """What few failures ask for, by the fit with one ratio; `columns` are those that tell its groups apart."""
    rows = fit.design.rows
    apart = [fit.names.index(name) for name in columns if name in fit.names]
    outside = rows.event & (rows.x[:, apart] == 0).all(axis=1)
    failed = {}
    for name in (contrast.group, contrast.reference):
        if name in fit.names:
            failed[name] = failed_in(fit, name)
        else:
            unit = np.arange(len(outside)) if rows.cluster is None else rows.cluster
            failed[name] = failed_patients(int(outside.sum()), int((np.bincount(unit[outside]) ** 2).sum()))
    return allow(fit, contrast.group, contrast.reference, failed)


def adjusted_of(
    contrast: Contrast, windows: Windows, allowance: Allowance, *, days: tuple[int, int], confidence: float
) -> AdjustedDifference:
    """The difference of the standardised shares by their last day, as `standardise` gives one; `days` from and to."""
    allowance = _through_phases(allowance, windows, contrast)
    sides = [windows.states.index(name) for name in (contrast.group, contrast.reference)]
    pulls = windows.pull[sides]
    return make_difference(
        (contrast.group, contrast.reference),
        windows.failure[sides, -1],
        pulls @ pulls.T,
        days=days,
        allowance=allowance,
        confidence=confidence,
    )


def overall_ratio(
    windows: Windows, contrast: Contrast, allowance: Allowance, confidence: float
) -> tuple[float, float, float] | None:
    """The ratio on the whole with its limits: of the cumulative hazards of the standardised curves."""
    log, error = windows.log_hazard_ratio(contrast.group, contrast.reference)
    if not np.isfinite(error):
        return None
    allowance = _through_phases(allowance, windows, contrast)
    step = allowance.quantile(confidence) * allowance.larger * error
    return float(np.exp(log)), float(np.exp(log - step)), float(np.exp(log + step))


def mean_years(
    windows: Windows,
    contrast: Contrast,
    *,
    years: float,
    from_days: int,
    allowance: Allowance,
    confidence: float,
    noun: str,
    kept: str,
) -> MeanYears | None:
    """The difference of mean years, up to the horizon, that teeth stay as they are; None without an error.

    `kept` says how that is: `in place`, `without further treatment`.
    """
    days, error = windows.mean_difference(contrast.group, contrast.reference)
    if not np.isfinite(error):
        return None
    allowance = _through_phases(allowance, windows, contrast)
    step = allowance.quantile(confidence) * allowance.larger * error
    value, low, high = (float(v / DAYS_PER_YEAR) for v in (days, days - step, days + step))
    one, other = contrast.words
    tooth = {"teeth": "tooth"}.get(noun, noun.removesuffix("s"))
    much, span = _months(value), f"{windows.days[-1] / DAYS_PER_YEAR:.1f}"
    told = (
        f"Over the {span} years that are compared, a {tooth} with {one} stays {kept} "
        f"{'as long on average as' if much == '0' else f'{much} on average than'} one with {other}; "
        f"the range is {_months(low)} to {_months(high)}."
    )
    return MeanYears(contrast.group, contrast.reference, years, from_days, value, low, high, told)


def _through_phases(allowance: Allowance, windows: Windows, contrast: Contrast) -> Allowance:
    """Where the ratio has phases, no more degrees of freedom than patients carry the error."""
    return allowance.carried_by(windows.carriers(contrast.group, contrast.reference)) if windows.turns else allowance


def _months(years: float) -> str:
    months = round(12 * years, 1)
    noun = "month" if abs(months) == 1 else "months"
    return "0" if months == 0 else f"{abs(months):g} {noun} {'shorter' if months < 0 else 'longer'}"


def _on_model_clock(fit: CoxFit) -> tuple[SteadyTest, ...]:
    clustered = fit.design.rows.cluster is not None
    try:
        table = proportional_hazards_test(fit, clustered=clustered)
    except np.linalg.LinAlgError:
        return ()
    return tuple(
        SteadyTest(term, "clock of the model", float(chi), int(df), float(p)) for term, chi, df, p in table.iter_rows()
    )


def _phase_ratios(halves: PhaseFit, contrast: Contrast, confidence: float) -> tuple[PhaseRatio, ...]:
    if min(halves.failures) < MIN_FAILURES_A_PHASE:
        return ()
    out = []
    for phase, name, failures in zip((FIRST, LATER), halves.names, halves.failures, strict=True):
        other = {contrast.reference: math.inf}  # the reference is no small sample beside a phase
        if contrast.reference in halves.fit.names:
            other = {contrast.reference: failed_in(halves.fit, contrast.reference)}
        failed = {name: failed_in(halves.fit, name), **other}
        log = careful_ratio(halves.fit, name, contrast.reference, failed, confidence=confidence)
        ratio, low, high = (float(np.exp(v)) for v in (log.estimate, log.low, log.high))
        out.append(PhaseRatio(phase, failures, ratio, low, high))
    return tuple(out)


def _sentence(
    contrast: Contrast, steady: bool | None, phases: tuple[PhaseRatio, ...], failures: tuple[int, ...]
) -> str:
    if steady:
        return (
            "The ratio is steady as far as these records tell: failures came about as much faster or slower in the "
            f"first year after {contrast.since} as later."
        )
    if not phases and steady is None:
        return _too_few(contrast)
    if not phases:
        return (
            f"The ratio changes over time: {failures[0]} failures in the first year after {contrast.since}, "
            f"{failures[1]} later, which are too few for a ratio of each."
        )
    first, later = (f"{p.hazard_ratio:.1f} times as fast ({p.ci_low:.1f} to {p.ci_high:.1f})" for p in phases)
    came = f"in the first year after {contrast.since} failures came {first}, later {later}."
    if steady is None:
        return f"Whether the ratio changes over time cannot be told: {came}"
    return f"The ratio changes over time: {came} No one ratio holds throughout."


def _untested(contrast: Contrast, tests: tuple[SteadyTest, ...]) -> Steady:
    return Steady(
        contrast=f"{contrast.group} vs {contrast.reference}",
        steady=None,
        p=None,
        tests=tests,
        phases=(),
        overall=None,
        sentence=_too_few(contrast),
    )


def _too_few(contrast: Contrast) -> str:
    return (
        f"Too few failures to tell whether the ratio is the same in the first year after {contrast.since} as later: it "
        "is an average over the time followed."
    )
