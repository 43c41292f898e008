"""The one gate for what leaves the practice: results in, a `Released` out, and nothing else is drawn on shared pages.

What passes: counts as `disclosure` tells them; curves on a half-yearly grid made from such counts; percentages in steps
worth five teeth of their group, ratios with two figures; years, not days; clinicians and sites by letter; of the
emulated trial the everyday incidence on a yearly grid and the difference of each outcome; of healing the whole practice
and the lesion before treatment, of losses their causes; of other ways to count their number and the lowest and highest
difference; of technique questions counts and adjusted differences in declared words. No text passes: what results name
by a known identifier is said in the words of `release_words`, all else stays inside.

Everything is walked through one `Gate`, as often as it takes until nothing more has to be hidden for another's sake: so
what is hidden in one table, chart or sentence is hidden in all. The classes refuse values that break these rules, so
that a released result made by hand is no way around the gate.
"""

import json
import math
import re
from dataclasses import dataclass, field, replace

from dashboards import terms
from dashboards.formats import known, listing
from dashboards.release import words as release_words
from dashboards.release.count import ReleasedCount
from dashboards.release.curve import ReleasedPoint, release_curve
from dashboards.release.healing import ReleasedHealing, ReleasedLosses, release_healing, release_losses
from dashboards.release.methods import ReleasedMethods, release_methods
from dashboards.release.percent import borne_out, difference_on_step, ratio_range, release_share, round_ratio
from dashboards.release.rates import ReleasedRates, release_rates
from dashboards.release.table1 import ReleasedCharacteristic, release_table1
from dashboards.release.technique import ReleasedTechniques, release_techniques
from dashboards.release.trial import (
    ReleasedChoices,
    ReleasedIncidence,
    ReleasedOutcome,
    release_choices,
    release_everyday,
    release_outcomes,
)
from pipeline.practice.outcomes import ENDO_FAILURE
from pipeline.release.disclosure import Gate
from pipeline.release.gates import gate_of, told_half_years
from pipeline.results import DAYS_PER_YEAR, Comparison, Difference, Estimate, Group, Results, from_plain, to_plain

MOST_WALKS = 200
NOT_EACH = "a count by label of which not every group may be told"


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

    @property
    def lined(self) -> bool:
        """Whether its curve is a line; else the range alone may be drawn."""
        return all(p.told for p in self.points)


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
    adjusted: bool


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

    @property
    def adjusted_for(self) -> tuple[str, ...]:
        """What the last adjusted model adjusts for, which adjusts for most."""
        return next((e.adjusted_for for e in reversed(self.estimates) if e.adjusted_for), ())

    @property
    def month(self) -> int:
        """The month of the horizon, or of the first whole year after it at which both groups compared have a figure.

        The horizon where there is no such year within twice of it: a curve may begin late, when enough have failed.
        """
        horizon, d = round(12 * self.horizon_years), self.difference
        named = [g for g in self.groups if d is not None and g.name in (d.group, d.reference)]
        years_on = range(horizon, 2 * horizon + 1, 12)
        return next((m for m in years_on if len(named) == 2 and all(g.at(m) is not None for g in named)), horizon)


@dataclass(frozen=True)
class Released:
    """All that shared pages and slides may show. `practice` is None unless the caller gave a name to show."""

    practice: str | None
    first_year: str
    last_year: str
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
    withheld: tuple[tuple[str, str, int], ...] = ()  # where and why how many are hidden; for the record to sign

    def __post_init__(self) -> None:
        if self.elsewhere and self.elsewhere not in release_words.ELSEWHERE:
            raise ValueError("who does root canals is released in declared words only")
        if any(y and not re.fullmatch(r"(19|20)\d\d", y) for y in (self.first_year, self.last_year)):
            raise ValueError("the span of the records is released in years only")

    @property
    def span(self) -> str:
        """From the first to the last year of the records."""
        return listing([y for y in (self.first_year, self.last_year) if y], "to")


# Raised with every change of what the same results are told as: a figure kept under other rules, which may have
# been wrong, is made once more. It is rounded by the records all the same, so the two tell no more than one.
RULES = 11


def release(results: Results, *, practice: str | None = None) -> Released:
    """Let through what may leave the practice; `practice` is the name to show, by default none."""
    gate = gate_of(results)
    for _ in range(MOST_WALKS):
        gate.walk()
        released = _walk(gate, results, practice)
        if gate.settled:
            return released
    raise AssertionError("what is hidden for another's sake does not come to an end")


def _walk(gate: Gate, results: Results, practice: str | None) -> Released:
    """One walk of all results through the gate."""
    n = results.counts
    gate.place = "The whole practice"
    years = _years(gate, results)
    released = Released(
        practice=practice,
        first_year=min(years, default=""),
        last_year=max(years, default=""),
        crowns=ReleasedCount(gate.teeth(n.crowns)),
        endo_courses=ReleasedCount(_counted(gate, results)),
        patients=ReleasedCount(gate.plain(n.patients)),
        comparisons=tuple(_comparison(gate, c) for c in results.comparisons if _sayable(c)),
        rates=release_rates(gate, results),
        not_run=tuple(
            (release_words.NOT_RUN[a.id], release_words.needs(a.needs))
            for a in results.not_run
            if a.id in release_words.NOT_RUN
        ),
        rules=release_words.numbers(results.rules, release_words.RULES),
        everyday=release_everyday(gate, results.trials),
        techniques=release_techniques(gate, results.techniques, smallest=_smallest(results)),
        methods=release_methods(gate, results),
        healing=release_healing(gate, results.recalls),
        losses=release_losses(gate, results.losses),
        decision=release_outcomes(gate, results.trials, results.unseen),
        elsewhere=next((u.setting for u in results.unseen if u.setting in release_words.ELSEWHERE), ""),
    )
    return replace(released, withheld=tuple((*key, n) for key, n in sorted(gate.withheld.items())))


def _counted(gate: Gate, results: Results) -> int | None:
    """Root canals that outcomes are counted of; those begun beside them would tell of the few that are not."""
    tables = [t.rows[0] for t in results.rates if (t.by, t.outcome) == ("overall", ENDO_FAILURE.rate) and t.rows]
    return gate.teeth(tables[0].teeth, tables[0].patients) if tables else None


def _years(gate: Gate, results: Results) -> list[str]:
    """The years of which enough patients were treated: the first of all may be one patient's alone."""
    told = (str(y) for y, n in results.records.patients_by_year if gate.rounding.count(n) is not None)
    return [y for y in told if re.fullmatch(r"(19|20)\d\d", y) and y <= results.data_cutoff[:4]]


def _smallest(results: Results) -> float:
    """The smallest difference per 100 that would matter, as set for this run."""
    told = results.analysis.get("smallest_difference_per_100", "")
    return float(told) if re.fullmatch(r"\d{1,2}(\.\d{1,4})?", told) else 0.0


def as_text(released: Released) -> str:
    """A released result to be kept."""
    return json.dumps({"figures": to_plain(released), "rules": RULES}, sort_keys=True)


def from_text(text: str) -> Released | None:
    """A released result that was kept; None for one made by other rules, of another form, or that breaks the rules."""
    try:
        kept = json.loads(text)
        if kept["rules"] != RULES:
            return None
        found: Released = from_plain(Released, kept["figures"])
    except (AttributeError, KeyError, TypeError, ValueError):
        return None
    return found


def require(released: Released) -> Released:
    """Refuse anything but a released result: every shared renderer begins with this."""
    if not isinstance(released, Released):
        raise TypeError("shared pages and slides are made from a released result only")
    return released


def _sayable(c: Comparison) -> bool:
    """True for a comparison in known words; one of clinicians, of clinics or of anything else stays inside."""
    return release_words.known_question(c.id, (g.name for g in c.groups), c.outcome, c.clock)


def _comparison(gate: Gate, c: Comparison) -> ReleasedComparison:
    gate.place = release_words.QUESTIONS[c.id][0]
    groups = tuple(_group(gate, c, g) for g in c.groups)
    enough = {g.name for g in groups if g.failures.value is not None and g.crowns.value is not None}
    difference, step = _difference(c, groups, enough)
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
        tuple(_estimate(e) for e in c.estimates if _releasable(gate, e, enough)),
        _naive(gate, c, groups, enough),
        release_choices(gate, c.choices, c.difference, step) if difference is not None else None,
        release_table1(gate, c, enough),
    )


def _difference(
    c: Comparison, groups: tuple[ReleasedGroup, ...], enough: set[str]
) -> tuple[ReleasedDifference | None, int]:
    """The difference on the coarser step of its two groups, and that step; none where a count behind it is hidden."""
    d = c.difference
    if d is None or not {d.group, d.reference} <= enough or not all(map(known, (d.per_100, d.ci_low, d.ci_high))):
        return None, 1
    teeth = [g.crowns.value for g in groups if g.name in (d.group, d.reference)]
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


def _group(gate: Gate, c: Comparison, g: Group) -> ReleasedGroup:
    """A group by its own counts: what is told of the others and of the whole leaves a hidden one open (`Rounding`)."""
    crowns = gate.teeth(g.crowns, g.patients, group=g.name)
    failures = None
    if crowns is not None:
        failures = gate.failures(g.failures, g.failed_patients, group=f"{g.name} {c.outcome}")
    # A step of a curve tells how many failures are behind it, so a hidden count takes the curve with it.
    points = release_curve(gate, g, teeth=crowns, clock=c.clock) if failures is not None else ()
    patients = gate.plain(g.patients, group=g.name) if crowns is not None else None
    return ReleasedGroup(
        g.name,
        release_words.label(g.name, g.label),
        ReleasedCount(crowns),
        ReleasedCount(patients),
        ReleasedCount(failures),
        points,
    )


def _releasable(gate: Gate, e: Estimate, enough: set[str]) -> bool:
    """Enough failures in the model and in each group that it sets side by side, and finite figures."""
    return (
        gate.enough(e.events)
        and e.model in terms.MODELS
        and set(e.contrast.split(" vs ")) <= enough
        and all(known(v) for v in (e.hazard_ratio, e.ci_low, e.ci_high))
    )


def _estimate(e: Estimate) -> ReleasedEstimate:
    adjusted_for = release_words.covariates(e.adjusted_for)
    return ReleasedEstimate(e.contrast, e.model, adjusted_for, *ratio_range(e.hazard_ratio, e.ci_low, e.ci_high))


def _naive(gate: Gate, c: Comparison, groups: tuple[ReleasedGroup, ...], enough: set[str]) -> ReleasedNaive | None:
    """The count by label: it passes, and its ratio with it, only where each group that it names does.

    It is of the horizon, so of each group so many must be followed by then that their number may be told. Where the
    label is that of a group from the same clock, its share is that of the group's curve as told, see `curve`.
    """
    if c.naive is None:
        return None
    sizes = {g.name: g.crowns for g in c.groups}
    told = {g.name: g.crowns.value for g in groups}
    by_then = round(12 * c.horizon_years)
    half_years = {g.name: told_half_years(gate, g.name, g.half_years, clock=c.clock) for g in c.groups}
    followed = {name for name, told in half_years.items() if any(h.months == by_then for h, _, _ in told)}
    enough = enough & followed
    named = {name for name, _ in c.naive.survival} | set(c.naive.contrast.split(" vs "))
    alike = {g.name: p for g in c.groups for p in g.curve if p.days <= by_then * DAYS_PER_YEAR / 12}
    own = {g.name: g.at(by_then) for g in groups}
    failed = {}
    for name, kept in c.naive.survival:
        if name in alike and math.isclose(alike[name].survival, kept):
            point = own[name]
            if name in enough and point is not None:
                failed[name] = point.failed
        elif name in enough and known(kept):
            gone = sizes[name] * (1 - kept)
            shown = release_share(
                gate, (1 - kept,) * 3, of=told[name], behind=round(gone), beside=round(sizes[name] - gone)
            )
            if shown is not None:
                failed[name] = shown[0]
    if not failed or set(failed) < {name for name, _ in c.naive.survival} or not named <= enough:
        gate.withhold(NOT_EACH)
        return None
    ratio = round_ratio(c.naive.hazard_ratio) if known(c.naive.hazard_ratio) else None
    why = c.naive.why_biased if c.naive.why_biased == "immortal time" else ""
    return ReleasedNaive(c.naive.contrast, why, ratio, tuple(failed.items()))
