"""What shared files may say of how records were read and analysed: numbers on the gate's steps, known names only."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from dashboards import release_words
from dashboards.formats import known
from dashboards.release_count import SMALLEST, ReleasedCount, release_count
from dashboards.release_percent import nearest, percent_step
from pipeline.disclosure import COVARIATES
from pipeline.results import DAYS_PER_YEAR, FlowStep, FollowUp, Results

FOLLOWED = ("crowns", "root canals")
_MISSING = re.compile(r"(.+): (\d{1,9}) of (\d{1,9}) rows without a value")


@dataclass(frozen=True)
class ReleasedFollowUp:
    """How complete follow-up is: median in whole months (None if not reached), shares in percent on the step."""

    of: str
    median_months: int | None
    ended_early: int
    seen: int

    def __post_init__(self) -> None:
        if self.of not in FOLLOWED:
            raise ValueError("follow-up is released for crowns and root canals only")


@dataclass(frozen=True)
class ReleasedMethods:
    """Settings, versions and completeness, for the methods appendix.

    `flow` holds the steps of the main comparison's cohort whose loss is none or at least 11; `missing` gives percent of
    rows without a value, 0 where few lack one.
    """

    followup: tuple[ReleasedFollowUp, ...] = ()
    flow: tuple[tuple[str, ReleasedCount], ...] = ()
    missing: tuple[tuple[str, int], ...] = ()
    set_aside: ReleasedCount = field(default_factory=lambda: ReleasedCount(None))
    analysis: tuple[tuple[str, str], ...] = ()
    versions: tuple[tuple[str, str], ...] = ()
    checked: int = 0
    agreed: int = 0

    def setting(self, name: str) -> str | None:
        """The value of a setting of the analysis, if it is known."""
        return dict(self.analysis).get(name)


def release_methods(results: Results, *, flow: bool) -> ReleasedMethods:
    """The methods' figures. `flow` is False where a group is hidden, since the steps would give it away."""
    main = next((c for c in results.comparisons if c.id in release_words.QUESTIONS), None)
    return ReleasedMethods(
        followup=tuple(found for f in results.followup if (found := _followup(f)) is not None),
        flow=_flow(main.flow) if main is not None and flow else (),
        missing=_missing(main.missing) if main is not None else (),
        set_aside=release_count(results.counts.quarantined),
        analysis=release_words.numbers(results.analysis, release_words.ANALYSIS),
        versions=release_words.versions(results.versions),
        checked=len(results.checks),
        agreed=sum(c.largest_gap <= c.tolerance for c in results.checks),
    )


def _followup(f: FollowUp) -> ReleasedFollowUp | None:
    step = percent_step(f.teeth)
    if f.of not in FOLLOWED or step is None or not known(f.lost) or not known(f.clark_c):
        return None
    months = None if f.median_days is None else round(12 * f.median_days / DAYS_PER_YEAR)
    return ReleasedFollowUp(f.of, months, nearest(100 * f.lost, step), nearest(100 * f.clark_c, step))


def _flow(steps: tuple[FlowStep, ...]) -> tuple[tuple[str, ReleasedCount], ...]:
    """A step that few were lost at is passed over: the two counts around it would tell how few."""
    released, before = [], None
    for s in steps:
        if s.step in release_words.FLOW and (before is None or before == s.left or before - s.left >= SMALLEST):
            released.append((s.step, release_count(s.left)))
            before = s.left
    return tuple(r for r in released if r[1].value is not None)


def _missing(texts: tuple[str, ...]) -> tuple[tuple[str, int], ...]:
    found = (_MISSING.fullmatch(t) for t in texts)
    shares = []
    for m in found:
        if m is None or m[1] not in COVARIATES:
            continue
        without, rows = int(m[2]), int(m[3])
        step = percent_step(rows)
        if step is not None:
            shares.append((m[1], nearest(100 * without / rows, step) if without >= SMALLEST else 0))
    return tuple(shares)
