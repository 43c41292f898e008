"""What shared files may say of how records were read and analysed: numbers on the gate's steps, known names only."""

from dataclasses import dataclass

from dashboards.formats import known
from dashboards.release import words as release_words
from dashboards.release.count import ReleasedCount
from dashboards.release.percent import share_step
from pipeline.release.disclosure import COVARIATES, TEETH, Gate
from pipeline.results import DAYS_PER_YEAR, GRID_MONTHS, FlowStep, FollowUp, Results
from pipeline.results.gap import Gap

FOLLOWED = ("crowns", "root canals")


@dataclass(frozen=True)
class ReleasedFollowUp:
    """How complete follow-up is: median to the half-year (None if not reached), shares in percent on the step.

    The median is the day on which one tooth was last seen, so it stands on the grid of the curves.
    """

    of: str
    median_months: int | None
    ended_early: int
    seen: int

    def __post_init__(self) -> None:
        if self.of not in FOLLOWED:
            raise ValueError("follow-up is released for crowns and root canals only")
        if self.median_months is not None and self.median_months % GRID_MONTHS:
            raise ValueError("median follow-up is released in half-years")


@dataclass(frozen=True)
class ReleasedMethods:
    """Settings, versions and completeness, for the methods appendix.

    `flow` holds the steps of the main comparison's cohort at which many were lost; `missing` gives percent of
    rows without a value, and leaves out characteristics that few rows lack.
    """

    followup: tuple[ReleasedFollowUp, ...] = ()
    flow: tuple[tuple[str, ReleasedCount], ...] = ()
    missing: tuple[tuple[str, int], ...] = ()
    analysis: tuple[tuple[str, str], ...] = ()
    versions: tuple[tuple[str, str], ...] = ()
    checked: int = 0
    agreed: int = 0

    def setting(self, name: str) -> str | None:
        """The value of a setting of the analysis, if it is known."""
        return dict(self.analysis).get(name)


def release_methods(gate: Gate, results: Results) -> ReleasedMethods:
    """The methods' figures."""
    gate.place = "Methods"
    main = next((c for c in results.comparisons if c.id in release_words.QUESTIONS), None)
    return ReleasedMethods(
        followup=tuple(found for f in results.followup if (found := _followup(gate, f)) is not None),
        flow=_flow(gate, main.flow) if main is not None else (),
        missing=_missing(gate, main.missing) if main is not None else (),
        analysis=release_words.numbers(results.analysis, release_words.ANALYSIS),
        versions=release_words.versions(results.versions),
        checked=len(results.checks),
        agreed=sum(c.largest_gap <= c.tolerance for c in results.checks),
    )


def _followup(gate: Gate, f: FollowUp) -> ReleasedFollowUp | None:
    if f.of not in FOLLOWED or not known(f.lost) or not known(f.clark_c):
        return None
    step = share_step(gate, gate.teeth(f.teeth))
    if step is None or not all(gate.enough(f.teeth * share, kind=TEETH) for share in (f.lost, 1 - f.lost)):
        return None
    halves = None if f.median_days is None else round(12 / GRID_MONTHS * f.median_days / DAYS_PER_YEAR)
    months = None if halves is None else GRID_MONTHS * halves
    lost, seen = (gate.rounding.share(100 * share, step) for share in (f.lost, f.clark_c))
    return ReleasedFollowUp(f.of, months, lost, seen)


def _flow(gate: Gate, steps: tuple[FlowStep, ...]) -> tuple[tuple[str, ReleasedCount], ...]:
    """A step at which few or none were lost is passed over: the two counts around it would tell how few.

    Also where none were, or to pass it over would say that some were.
    """
    released, before = [], None
    for s in steps:
        few = before is not None and gate.rounding.count(before - s.left) is None
        if s.step in release_words.FLOW and not few:
            released.append((s.step, ReleasedCount(gate.teeth(s.left))))
            before = s.left
    return tuple(r for r in released if r[1].value is not None)


def _missing(gate: Gate, gaps: tuple[Gap, ...]) -> tuple[tuple[str, int], ...]:
    shares = []
    for g in gaps:
        if g.label not in COVARIATES:
            continue
        step = share_step(gate, gate.teeth(g.rows))
        if step is not None and all(gate.enough(n, kind=TEETH) for n in (g.without, g.rows - g.without)):
            shares.append((g.label, gate.rounding.share(100 * g.without / g.rows, step)))
    return tuple(shares)
