"""Incidence and other ways to count, as they may leave the practice: a yearly grid, and how many ways gave what."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards.formats import known
from dashboards.release_count import SMALLEST, ReleasedCount, release_count
from dashboards.release_percent import outward, percent_step, share_range
from pipeline.disclosure import EVENTS_PER_CHANGE
from pipeline.results import Choice, Choices, Difference, IncidenceCurve, Trial

# The only kinds of teeth that pass, in our own words, whatever the results call them.
EVERYDAY = {
    "hyperemic": "teeth hyperemic at preparation and crowned vital",
    "normal": "teeth normal at preparation and crowned vital",
}
FEWEST_WAYS = 2


@dataclass(frozen=True)
class ReleasedIncidencePoint:
    """Of 100 teeth at a whole year, with the range, all in whole percent; the same value until it changes."""

    years: int
    of_100: int
    low: int | None
    high: int | None
    followed: ReleasedCount

    def __post_init__(self) -> None:
        if not isinstance(self.years, int) or self.years < 0:
            raise ValueError("released incidence has points at whole years")
        if any(v is not None and v not in range(101) for v in (self.of_100, self.low, self.high)):
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
class ReleasedChoices:
    """How many ways to count gave a difference, and the lowest and highest of them in whole failures per 100."""

    ways: int
    low: int
    high: int
    sample: bool = False

    def __post_init__(self) -> None:
        if self.ways < FEWEST_WAYS or not all(isinstance(v, int) for v in (self.ways, self.low, self.high)):
            raise ValueError("released ways to count are two or more, with whole differences")


def release_everyday(trials: Sequence[Trial]) -> tuple[ReleasedIncidence, ...]:
    """The everyday curves of the trials, each kind of teeth once; weighted curves and unknown kinds stay inside."""
    found = {c.arm: c for t in trials for c in t.everyday_curves if c.arm in EVERYDAY and not c.adjusted}
    return tuple(_incidence(found[arm]) for arm in EVERYDAY if arm in found)


def release_choices(choices: Choices | None, difference: Difference | None, step: int = 1) -> ReleasedChoices | None:
    """The ways in which both groups have 11 or more crowns and failures; None where fewer than two are left.

    The lowest and the highest difference are widened to `step` per 100, that of the difference itself.
    """
    if choices is None or difference is None:
        return None
    names = (difference.group, difference.reference)
    values = [c.per_100 for c in choices.rows if c.per_100 is not None and known(c.per_100) and _enough(c, names)]
    return (
        ReleasedChoices(len(values), *outward(min(values), max(values), step), choices.sample is not None)
        if len(values) >= FEWEST_WAYS
        else None
    )


def _enough(choice: Choice, names: tuple[str, str]) -> bool:
    return all(dict(counts).get(n, 0) >= SMALLEST for counts in (choice.crowns, choice.failures) for n in names)


def _incidence(curve: IncidenceCurve) -> ReleasedIncidence:
    teeth, needed = release_count(curve.teeth), release_count(curve.events)
    # A step tells how many lie behind it, so a hidden count takes the curve with it.
    points = _points(curve) if teeth.value is not None and needed.value is not None else ()
    return ReleasedIncidence(curve.arm, teeth, needed, points)


def _points(curve: IncidenceCurve) -> tuple[ReleasedIncidencePoint, ...]:
    """The curve at whole years while 11 or more are followed; it moves only when at least 5 further teeth lie behind.

    The results hold no events between two points. Nobody enters late, so at least (those followed at the later point)
    times (the rise) have happened between them: each event raises the curve by at most one in those then followed.
    """
    step = percent_step(curve.teeth)
    if step is None:
        return ()
    released: list[ReleasedIncidencePoint] = []
    held: tuple[int, int | None, int | None] = (0, None, None)
    behind, before = 0.0, 0.0
    for point in sorted(curve.points, key=lambda p: p.years):
        if point.at_risk < SMALLEST:
            break
        behind += point.at_risk * max(point.estimate - before, 0.0)
        before = point.estimate
        if not float(point.years).is_integer():
            continue
        if math.floor(behind + 1e-9) >= EVENTS_PER_CHANGE:
            held = share_range(point.estimate, point.ci_low, point.ci_high, step)
            behind = 0.0
        released.append(ReleasedIncidencePoint(int(point.years), *held, release_count(point.at_risk)))
    return tuple(released)
