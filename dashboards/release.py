"""The one gate for what leaves the practice: results in, a `Released` out, and nothing else is drawn on shared pages.

What passes: counts of 11 or more, rounded to 5; curves on a monthly grid that change only when at least 5 further
failures lie behind the change and stop below 11 followed; percentages in steps worth five teeth of their group, ratios
with two figures; months, not days; clinicians and sites by letter; of the emulated trial the everyday incidence on a
yearly grid and the difference of each outcome; of healing the whole practice and the lesion before treatment, of losses
their causes; of other ways to count their number and the lowest and highest difference; of technique questions counts
and adjusted differences in declared words. No text passes: what results name by a known identifier is said in the words
of `release_words`, all else stays inside.

The classes refuse values that break these rules, so that a released result made by hand is no way around the gate.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field

from dashboards import release_words, terms
from dashboards.formats import known, month
from dashboards.release_count import SMALLEST, ReleasedCount, protect, release_count, still_open
from dashboards.release_curve import ReleasedPoint, release_curve
from dashboards.release_healing import ReleasedHealing, ReleasedLosses, release_healing, release_losses
from dashboards.release_methods import ReleasedMethods, release_methods
from dashboards.release_percent import (
    borne_out,
    difference_on_step,
    nearest,
    percent_step,
    round_ratio,
    share_range,
)
from dashboards.release_table1 import ReleasedCharacteristic, release_table1
from dashboards.release_technique import ReleasedTechniques, release_techniques
from dashboards.release_trial import (
    ReleasedChoices,
    ReleasedIncidence,
    ReleasedOutcome,
    release_choices,
    release_everyday,
    release_outcomes,
)
from pipeline.disclosure import nth_letter
from pipeline.results import Comparison, Difference, Estimate, Group, RateRow, RateTable, Results

KINDS = ("overall", "year", "tooth_group", "site_id", "provider_id")
NOT_RECORDED = "not recorded"
CODED = ("provider_id", "site_id")
LETTERED = 26 + 26**2  # one or two letters
TOOTH_GROUPS = ("anterior", "premolar", "molar")


@dataclass(frozen=True)
class ReleasedGroup:
    """One group: its counts, and its curve on the grid. `name` is an identifier of ours, `label` its words."""

    name: str
    label: str
    crowns: ReleasedCount
    patients: ReleasedCount
    failures: ReleasedCount
    points: tuple[ReleasedPoint, ...]

    def at(self, months: int) -> ReleasedPoint | None:
        """The point of the grid at `months`, if the released curve reaches it."""
        return next((p for p in self.points if p.months == months), None)


@dataclass(frozen=True)
class ReleasedDifference:
    """Whole failures per 100, group minus reference, with the range.

    `from_start` is False where counting begins only once both groups are followed; `adjusted` is True where it is the
    adjusted difference.
    """

    group: str
    reference: str
    years: float
    per_100: int
    low: int
    high: int
    from_start: bool
    adjusted: bool = False


@dataclass(frozen=True)
class ReleasedEstimate:
    """A hazard ratio with two decimals; only from models with enough failures."""

    contrast: str
    model: str
    adjusted_for: tuple[str, ...]
    hazard_ratio: float
    low: float
    high: float


@dataclass(frozen=True)
class ReleasedNaive:
    """The misleading count: failed of 100 by label from the seat, and its hazard ratio."""

    contrast: str
    why_biased: str
    hazard_ratio: float | None
    failed: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class ReleasedComparison:
    """A comparison as it may leave. `verdict_code` may be stricter than inside, since less is shown."""

    id: str
    title: str
    question: str
    outcome: str
    clock: str
    horizon_years: float
    smallest_difference_per_100: float
    verdict_code: str
    groups: tuple[ReleasedGroup, ...]
    difference: ReleasedDifference | None
    estimates: tuple[ReleasedEstimate, ...]
    naive: ReleasedNaive | None
    choices: ReleasedChoices | None = None
    table1: tuple[ReleasedCharacteristic, ...] = ()

    def label(self, name: str) -> str:
        """The label of the group called `name`."""
        return next((g.label for g in self.groups if g.name == name), name)


@dataclass(frozen=True)
class ReleasedRate:
    """One row of rates; percentages are None where too few stand behind them."""

    name: str
    teeth: ReleasedCount
    failures: ReleasedCount
    years: float
    in_place: int | None
    low: int | None
    high: int | None

    def __post_init__(self) -> None:
        values = (self.in_place, self.low, self.high)
        if any(v is not None and v not in range(101) for v in values):
            raise ValueError("a released rate is in whole teeth of 100")
        if self.in_place is not None and (self.failures.value is None or self.teeth.value is None):
            raise ValueError("a rate is released only with the counts behind it")


@dataclass(frozen=True)
class ReleasedRates:
    """A table of rates. Clinicians and sites are letters; rows with fewer than 11 teeth are left out and counted."""

    outcome: str
    by: str
    rows: tuple[ReleasedRate, ...]
    left_out: bool

    def __post_init__(self) -> None:
        coded = self.by in CODED
        if self.by not in KINDS or (
            coded and any(not re.fullmatch(rf"[A-Z]{{1,2}}|{NOT_RECORDED}", r.name) for r in self.rows)
        ):
            raise ValueError("clinicians and sites are released by letter only")


@dataclass(frozen=True)
class Released:
    """All that shared pages and slides may show. `practice` is None unless the caller gave a name to show."""

    practice: str | None
    first_month: str
    last_month: str
    crowns: ReleasedCount
    endo_courses: ReleasedCount
    patients: ReleasedCount
    comparisons: tuple[ReleasedComparison, ...]
    rates: tuple[ReleasedRates, ...]
    not_run: tuple[tuple[str, tuple[str, ...]], ...]
    rules: tuple[tuple[str, str], ...]
    everyday: tuple[ReleasedIncidence, ...] = ()
    techniques: ReleasedTechniques = field(default_factory=ReleasedTechniques)
    methods: ReleasedMethods = field(default_factory=ReleasedMethods)
    healing: tuple[ReleasedHealing, ...] = ()
    losses: tuple[ReleasedLosses, ...] = ()
    decision: tuple[ReleasedOutcome, ...] = ()
    elsewhere: str = ""  # a word of `release_words.ELSEWHERE`, or nothing to be said

    def __post_init__(self) -> None:
        if self.elsewhere and self.elsewhere not in release_words.ELSEWHERE:
            raise ValueError("who does root canals is released in declared words only")


def release(results: Results, *, practice: str | None = None) -> Released:
    """Let through what may leave the practice.

    `practice` is the name to show; by default none. Where a group of a comparison is hidden, the practice's total of
    crowns is hidden too, since the total less the other groups would give it away.
    """
    comparisons = tuple(_comparison(c) for c in results.comparisons if _sayable(c))
    hidden = any(g.crowns.value is None for c in comparisons for g in c.groups)
    told = _failures_told(results)
    n = results.counts
    total = ReleasedCount(None) if hidden else release_count(n.crowns)
    letters = {by: _letters(results, by) for by in CODED}
    return Released(
        practice=practice,
        first_month=month(results.data_from),
        last_month=month(results.data_cutoff),
        crowns=total,
        endo_courses=release_count(n.endo_courses),
        patients=release_count(n.patients),
        comparisons=comparisons,
        rates=tuple(
            _rates(
                t,
                letters.get(t.by, {}),
                hide_teeth=hidden and t.outcome == "crown_survival",
                hide_failures=told and t.outcome == "crown_survival",
            )
            for t in results.rates
            if t.by in KINDS and t.outcome in terms.OUTCOMES
        ),
        not_run=tuple(
            (release_words.NOT_RUN[a.id], release_words.needs(a.needs))
            for a in results.not_run
            if a.id in release_words.NOT_RUN
        ),
        rules=release_words.numbers(results.rules, release_words.RULES),
        everyday=release_everyday(results.trials),
        techniques=release_techniques(results.techniques, smallest=_smallest(results)),
        methods=release_methods(results, flow=not hidden),
        healing=release_healing(results.recalls),
        losses=release_losses(results.losses),
        decision=release_outcomes(results.trials),
        elsewhere=next((u.setting for u in results.unseen if u.setting in release_words.ELSEWHERE), ""),
    )


def _smallest(results: Results) -> float:
    """The smallest difference per 100 that would matter, as set for this run."""
    told = results.analysis.get("smallest_difference_per_100", "")
    return float(told) if re.fullmatch(r"\d{1,2}(\.\d{1,4})?", told) else 0.0


def require(released: Released) -> Released:
    """Refuse anything but a released result: every shared renderer begins with this."""
    if not isinstance(released, Released):
        raise TypeError("shared pages and slides are made from a released result only")
    return released


def _sayable(c: Comparison) -> bool:
    """True for a comparison in known words; one of clinicians, of clinics or of anything else stays inside."""
    return release_words.known_question(c.id, (g.name for g in c.groups), c.outcome, c.clock)


def _failures_told(results: Results) -> bool:
    """True where the practice's total of failures would nearly give away the one hidden count of a group."""
    totals = [r.failures for t in results.rates if (t.by, t.outcome) == ("overall", "crown_survival") for r in t.rows]
    return any(
        not still_open(release_count(n), [release_count(g.failures) for g in c.groups])
        for c in results.comparisons
        if c.outcome == "crown_failure"
        for n in totals
    )


def _comparison(c: Comparison) -> ReleasedComparison:
    groups = tuple(_group(g) for g in c.groups)
    enough = {g.name for g in groups if g.failures.value is not None and g.crowns.value is not None}
    difference, step = _difference(c, enough)
    title, question = release_words.QUESTIONS[c.id]
    return ReleasedComparison(
        c.id,
        title,
        question,
        c.outcome,
        c.clock,
        c.horizon_years,
        c.verdict.smallest_difference_per_100,
        _verdict_code(c, difference),
        groups,
        difference,
        tuple(_estimate(e) for e in c.estimates if _releasable(e, enough)),
        _naive(c, enough),
        release_choices(c.choices, c.difference, step) if difference is not None else None,
        release_table1(c, enough),
    )


def _difference(c: Comparison, enough: set[str]) -> tuple[ReleasedDifference | None, int]:
    """The difference on the coarser step of its two groups, and that step; none where a count behind it is hidden."""
    d = c.difference
    if d is None or not {d.group, d.reference} <= enough or not all(map(known, (d.per_100, d.ci_low, d.ci_high))):
        return None, 1
    teeth = [g.crowns for g in c.groups if g.name in (d.group, d.reference)]
    shown = difference_on_step(d.per_100, d.ci_low, d.ci_high, teeth)
    if shown is None:
        return None, 1
    mid, ends, step = shown
    return ReleasedDifference(d.group, d.reference, d.years, mid, *ends, d.from_days <= 0, is_adjusted(d)), step


def is_adjusted(d: Difference) -> bool:
    """Whether a difference is the adjusted one, by the words of its method."""
    return d.method.startswith("adjusted")


def _verdict_code(c: Comparison, d: ReleasedDifference | None) -> str:
    """The verdict, as far as what is shown bears it out."""
    if d is None or c.verdict.code not in terms.VERDICTS:
        return "too_early"
    smallest = c.verdict.smallest_difference_per_100
    return borne_out(c.verdict.code, d.per_100, d.low, d.high, smallest=smallest)


def _group(g: Group) -> ReleasedGroup:
    crowns = release_count(g.crowns)
    failures = release_count(g.failures)
    # A step of a curve tells how many failures are behind it, so a hidden count takes the curve with it.
    points = release_curve(g) if crowns.value is not None and failures.value is not None else ()
    return ReleasedGroup(
        g.name, release_words.label(g.name, g.label), crowns, release_count(g.patients), failures, points
    )


def _releasable(e: Estimate, enough: set[str]) -> bool:
    """Enough failures in the model and in each group that it sets side by side, and finite figures."""
    return (
        e.events >= SMALLEST
        and e.model in terms.MODELS
        and set(e.contrast.split(" vs ")) <= enough
        and all(known(v) for v in (e.hazard_ratio, e.ci_low, e.ci_high))
    )


def _estimate(e: Estimate) -> ReleasedEstimate:
    ratio, low, high = (round_ratio(v) for v in (e.hazard_ratio, e.ci_low, e.ci_high))
    return ReleasedEstimate(e.contrast, e.model, release_words.covariates(e.adjusted_for), ratio, low, high)


def _naive(c: Comparison, enough: set[str]) -> ReleasedNaive | None:
    if c.naive is None or not {name for name, _ in c.naive.survival} <= enough:
        return None
    steps = {g.name: percent_step(g.crowns) for g in c.groups}
    failed = tuple(
        (name, 100 - nearest(100 * share, step))
        for name, share in c.naive.survival
        if (step := steps.get(name)) is not None and known(share)
    )
    known_names = set(c.naive.contrast.split(" vs ")) <= set(steps)
    ratio = round_ratio(c.naive.hazard_ratio) if known(c.naive.hazard_ratio) and known_names else None
    why = c.naive.why_biased if c.naive.why_biased == "immortal time" else ""
    return ReleasedNaive(c.naive.contrast if known_names else "", why, ratio, failed) if failed else None


def _rates(table: RateTable, letters: dict[str, str], *, hide_teeth: bool, hide_failures: bool) -> ReleasedRates:
    """Rows of fewer than 11 teeth are left out; a lone hidden count takes the smallest other one with it."""
    rows = [r for r in table.rows if r.teeth >= SMALLEST and _name(table.by, r, letters) is not None]
    teeth = protect([r.teeth for r in rows], left_out=len(rows) < len(table.rows))
    failures = protect([r.failures for r in rows], left_out=len(rows) < len(table.rows))
    if table.by == "overall":
        teeth = [ReleasedCount(None)] * len(rows) if hide_teeth else teeth
        failures = [ReleasedCount(None)] * len(rows) if hide_failures else failures
    released = [
        _rate(r, _name(table.by, r, letters) or "", t, f) for r, t, f in zip(rows, teeth, failures, strict=True)
    ]
    ordered = sorted(released, key=lambda r: TOOTH_GROUPS.index(r.name) if r.name in TOOTH_GROUPS else len(r.name))
    if table.by in ("year", *CODED):
        ordered = sorted(released, key=lambda r: r.name)
    return ReleasedRates(table.outcome, table.by, tuple(ordered), len(rows) < len(table.rows))


def _rate(r: RateRow, name: str, teeth: ReleasedCount, failures: ReleasedCount) -> ReleasedRate:
    step = percent_step(r.teeth)
    shown = failures.value is not None and teeth.value is not None and r.followed >= SMALLEST
    if not shown or step is None or r.survival is None or r.ci_low is None or r.ci_high is None:
        return ReleasedRate(name, teeth, failures, r.years, None, None, None)
    return ReleasedRate(name, teeth, failures, r.years, *share_range(r.survival, r.ci_low, r.ci_high, step))


def _name(by: str, row: RateRow, letters: dict[str, str]) -> str | None:
    """The name a row may bear; None for one that is none of ours."""
    if by == "overall":
        return "whole practice"
    if by == "year":
        return row.name if re.fullmatch(r"(19|20)\d\d", row.name) else None
    if by == "tooth_group":
        return row.name if row.name in TOOTH_GROUPS else None
    return NOT_RECORDED if row.name == NOT_RECORDED else letters.get(row.name)


def _letters(results: Results, by: str) -> dict[str, str]:
    """A letter for each clinician or site, the same on every page of a run.

    The order hangs on the fingerprints of the practice's files, which nobody outside has, so that neither the alphabet
    nor the number of teeth gives a name away.
    """
    salt = "".join(sorted(f"{r.hash}{r.rows_read}" for r in results.quality.loads)) + repr(results.counts)
    names = {r.name for t in results.rates if t.by == by for r in t.rows} - {NOT_RECORDED}
    mixed = sorted(names, key=lambda n: hashlib.sha256(f"{salt}|{by}|{n}".encode()).hexdigest())
    return {name: nth_letter(i) for i, name in enumerate(mixed[:LETTERED])}
