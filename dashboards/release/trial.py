"""Emulated trials and other ways to count, as they may leave the practice.

Incidence since the seat on a yearly grid, from the first year that rests on enough; the difference of each outcome on
the step of the smaller arm; how many ways gave what.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from dashboards.formats import known
from dashboards.release.count import ReleasedCount
from dashboards.release.percent import difference_on_step, outward, share_range, share_step
from pipeline.release.disclosure import FAILURES, TEETH, Gate
from pipeline.results import Choice, Choices, Difference, IncidenceCurve, Trial, TrialOutcome
from pipeline.results.trial_words import FATES, NEED, OUTCOMES, no_difference, outcome_sentence
from pipeline.results.unseen import Spread, Unseen, need_with_unseen

# The only kinds of teeth that pass, in our own words, whatever the results call them.
EVERYDAY = {"hyperemic": "hyperemic teeth crowned vital", "normal": "teeth of normal pulp crowned vital"}
FEWEST_WAYS = 2
DECISION = "hyperemic_before_seat_or_wait"
ARMS = ("endo_first", "seat_vital")
TOO_FEW = "too few teeth to be shown"
TOO_FEW_EVENTS = "too few {noun} {happened}, or are followed long enough, to be shown"


_CHOICE = re.compile(r"[a-z][a-z0-9_ ]{0,40}")


@dataclass(frozen=True)
class ReleasedIncidencePoint:
    """Of 100 teeth at a whole year, with the range, all in whole percent."""

    years: int
    of_100: int
    low: int
    high: int
    followed: ReleasedCount

    def __post_init__(self) -> None:
        if not isinstance(self.years, int) or self.years < 0:
            raise ValueError("released incidence has points at whole years")
        if any(v not in range(101) for v in (self.of_100, self.low, self.high)):
            raise ValueError("released incidence is in whole percent")
        if self.followed.value is None:
            raise ValueError("released incidence stops where too few are followed")


@dataclass(frozen=True)
class ReleasedIncidence:
    """Teeth of one kind that came to need a root canal; without points where a count is hidden."""

    arm: str
    teeth: ReleasedCount
    needed: ReleasedCount
    points: tuple[ReleasedIncidencePoint, ...]

    def __post_init__(self) -> None:
        if self.arm not in EVERYDAY:
            raise ValueError("incidence is released for known kinds of teeth only")
        if self.points and (self.teeth.value is None or self.needed.value is None):
            raise ValueError("incidence is released only with the counts behind it")

    @property
    def label(self) -> str:
        """The kind of teeth in words."""
        return EVERYDAY[self.arm]


@dataclass(frozen=True)
class ReleasedOutcome:
    """One outcome of the decision: whole per 100, treated first minus seated vital, with the range; None if hidden.

    `teeth` are those of the two arms in their order. `with_elsewhere` is how many of 100 seated vital needed a root
    canal if those are added that others may have done, with its range; None where it is not told.
    """

    outcome: str
    years: float
    adjusted: bool
    teeth: tuple[ReleasedCount, ReleasedCount]
    per_100: int | None
    low: int | None
    high: int | None
    with_elsewhere: tuple[int, int, int] | None = None

    def __post_init__(self) -> None:
        figures = (self.per_100, self.low, self.high)
        if self.with_elsewhere is not None and (self.outcome != NEED or self.per_100 is None):
            raise ValueError("what others may have done is released beside the need of a root canal only")
        if self.with_elsewhere is not None and any(v not in range(101) for v in self.with_elsewhere):
            raise ValueError("released shares are in whole percent")
        if self.outcome not in OUTCOMES:
            raise ValueError("a decision is released for known outcomes only")
        if not (all(v is None for v in figures) or all(isinstance(v, int) and abs(v) <= 100 for v in figures)):
            raise ValueError("a released difference is whole, or hidden with its range")
        if self.per_100 is not None and any(n.value is None for n in self.teeth):
            raise ValueError("a difference is released only with the counts behind it")

    @property
    def why_none(self) -> str:
        """Why no difference is shown, by what is shown of the teeth alone: too few of them, or of what befell them."""
        if any(n.value is None for n in self.teeth):
            return TOO_FEW
        noun, _, many = FATES.get(self.outcome, ("teeth", "", "needed a root canal"))
        return TOO_FEW_EVENTS.format(noun=noun, happened=many)

    @property
    def sentence(self) -> str:
        """The outcome in the words that stand inside the practice, with the figures that are shown."""
        if self.per_100 is None or self.low is None or self.high is None:
            return no_difference(self.outcome, self.why_none)
        figures = (self.per_100, self.low, self.high)
        return outcome_sentence(self.outcome, *figures, years=self.years, adjusted=self.adjusted)


@dataclass(frozen=True)
class ReleasedChoices:
    """How many ways to count gave a difference, and the lowest and highest of them in whole failures per 100.

    Of the `ways`, so many say by their own range that more failed, or fewer; the rest cannot tell. `in_common` is the
    one choice, and what was chosen, that all of those share.
    """

    ways: int
    low: int
    high: int
    sample: bool = False
    say_more: int = 0
    say_fewer: int = 0
    in_common: tuple[str, str] | None = None

    def __post_init__(self) -> None:
        if not all(_CHOICE.fullmatch(text) for text in self.in_common or ()):
            raise ValueError("a choice is released by its identifiers only")
        if self.say_more + self.say_fewer > self.ways:
            raise ValueError("more ways to count say something than there are")
        if self.ways < FEWEST_WAYS or not all(isinstance(v, int) for v in (self.ways, self.low, self.high)):
            raise ValueError("released ways to count are two or more, with whole differences")


def release_everyday(gate: Gate, trials: Sequence[Trial]) -> tuple[ReleasedIncidence, ...]:
    """The everyday curves of the trials, each kind of teeth once; weighted curves and unknown kinds stay inside."""
    gate.place = "Teeth crowned vital"
    found = {c.arm: c for t in trials for c in t.everyday_curves if c.arm in EVERYDAY and not c.adjusted}
    return tuple(_incidence(gate, found[arm]) for arm in EVERYDAY if arm in found)


def release_outcomes(gate: Gate, trials: Sequence[Trial], unseen: Sequence[Unseen] = ()) -> tuple[ReleasedOutcome, ...]:
    """The outcomes of the decision on a hyperemic tooth; without a figure where a count behind it is hidden.

    Behind the need of a root canal stand those seated vital that came to need one, and those that did not.
    """
    gate.place = "The decision on a hyperemic tooth"
    trial = next((t for t in trials if t.id == DECISION), None)
    if trial is None:
        return ()
    more = need_with_unseen(unseen, trial.id)
    return tuple(_with_elsewhere(gate, _outcome(gate, trial, o), more) for o in trial.outcomes if o.outcome in OUTCOMES)


def _with_elsewhere(gate: Gate, found: ReleasedOutcome, more: Spread | None) -> ReleasedOutcome:
    """The need of a root canal with what others may have done: on the step of those seated vital, as the need itself.

    It is drawn from what the practice says of others, around the need that is told: it rests on no further count but
    those that it is charted others did, which bound the draws from below.
    """
    if more is None or found.outcome != NEED or found.per_100 is None:
        return found
    step = share_step(gate, found.teeth[1].value)
    if step is None or not all(map(known, (more.median, more.low, more.high))):
        return found
    return replace(found, with_elsewhere=share_range(gate, more.median / 100, more.low / 100, more.high / 100, step))


def _outcome(gate: Gate, trial: Trial, found: TrialOutcome) -> ReleasedOutcome:
    arms = {c.arm: c for c in trial.curves if c.outcome == found.outcome and not c.adjusted}
    # Teeth that are in both ways are in neither count: less the teeth seated vital they would tell how many flared.
    sizes = {c.arm: c.teeth for c in trial.curves} | {a.arm: a.followed for a in trial.arms}
    people = {c.arm: c.patients for c in trial.curves}
    told = [gate.teeth(sizes.get(arm, 0), people.get(arm), group=arm) for arm in ARMS]
    behind = [(c.events, c.event_patients) for c in arms.values()]
    if found.outcome == NEED:
        behind += [(c.teeth - c.events, None) for c in arms.values()]
    asked = ARMS[1:] if found.outcome == NEED else ARMS
    d, shown = found.difference, None
    enough = set(asked) <= set(arms) and all(gate.failures(*n) is not None for n in behind)
    if d is not None and enough and all(map(known, (d.per_100, d.ci_low, d.ci_high))):
        shown = difference_on_step(d.per_100, d.ci_low, d.ci_high, told)
    mid, (low, high), _ = shown or (None, (None, None), None)
    counts = (ReleasedCount(told[0]), ReleasedCount(told[1]))
    if mid is not None and low is not None and high is not None:
        mid, low, high = (max(-100, min(100, v)) for v in (mid, low, high))
    return ReleasedOutcome(found.outcome, d.years if d else 0.0, found.adjusted, counts, mid, low, high)


def release_choices(
    gate: Gate, choices: Choices | None, difference: Difference | None, step: int = 1
) -> ReleasedChoices | None:
    """The ways in which counts of both groups may be told; None where fewer than two are left.

    The lowest and the highest difference are widened to `step` per 100, that of the difference itself.
    """
    if choices is None or difference is None:
        return None
    names = (difference.group, difference.reference)
    rows = [c for c in choices.rows if c.per_100 is not None and known(c.per_100) and _enough(gate, c, names)]
    if len(rows) < FEWEST_WAYS:
        return None
    values, says = [c.per_100 for c in rows if c.per_100 is not None], Counter(c.says for c in rows)
    ends = outward(min(values), max(values), step)
    return ReleasedChoices(len(rows), *ends, choices.sample is not None, says["more"], says["fewer"],
                           _common(choices, rows))  # fmt: skip


def _common(choices: Choices, rows: Sequence[Choice]) -> tuple[str, str] | None:
    """What those of the ways that pass share which say a difference, where it is by identifiers of ours."""
    found = replace(choices, rows=tuple(rows)).in_common()
    return found if found is not None and all(map(_CHOICE.fullmatch, found)) else None


def _enough(gate: Gate, choice: Choice, names: tuple[str, str]) -> bool:
    counted = ((TEETH, choice.crowns), (FAILURES, choice.failures))
    return all(gate.enough(dict(counts).get(n, 0), kind=kind) for kind, counts in counted for n in names)


def _incidence(gate: Gate, curve: IncidenceCurve) -> ReleasedIncidence:
    teeth = gate.teeth(curve.teeth, curve.patients, group=curve.arm)
    needed = gate.failures(curve.events, curve.event_patients)
    # A step tells how many lie behind it, so a hidden count takes the curve with it.
    points = _points(gate, curve, teeth) if teeth is not None and needed is not None else ()
    return ReleasedIncidence(curve.arm, ReleasedCount(teeth), ReleasedCount(needed), points)


def _points(gate: Gate, curve: IncidenceCurve, teeth: int) -> tuple[ReleasedIncidencePoint, ...]:
    """The curve at the whole years by which at least 11 further teeth came to need one, while 11 or more are followed.

    A year between two of these is left out, since no figure told for another year holds there. What came after the
    last change is told with it, at the last year. The results hold no events between two points. Nobody enters late, so
    at least (those followed at the later point) times (the rise) have happened between them: each event raises the
    curve by at most one in those then followed.
    """
    if (step := share_step(gate, teeth)) is None:
        return ()
    released: list[ReleasedIncidencePoint] = []
    behind, before = 0.0, 0.0
    last: ReleasedIncidencePoint | None = None
    points = sorted(curve.points, key=lambda p: p.years)
    for point, followed in zip(points, gate.followed([p.at_risk for p in points]), strict=True):
        if followed is None:
            break
        behind += point.at_risk * max(point.estimate - before, 0.0)
        before = point.estimate
        if not float(point.years).is_integer():
            continue
        told = share_range(gate, point.estimate, point.ci_low, point.ci_high, step)
        last = ReleasedIncidencePoint(int(point.years), *told, ReleasedCount(followed))
        if gate.enough(behind):
            released.append(last)
            behind = 0.0
    if released and last is not None:
        released[-1] = last
    return tuple(released)
