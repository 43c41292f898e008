"""Each clinician's own crowns and root canals beside the whole practice, as curves: to look at, not to rank by.

Descriptive. Clinicians differ in the teeth and patients they treat, so a curve is no verdict on its clinician.
"""

import bisect
import itertools

import polars as pl

from pipeline.questions.groups import CurveRules, days_of, make_group
from pipeline.questions.success_rates import NOT_RECORDED, READ
from pipeline.results import Group
from pipeline.results.points import CaseCurve, CurvePoint

QUARTER_YEARS = 0.25


def own_cases(spells: pl.DataFrame, *, outcome: str, horizon: float, rules: CurveRules) -> tuple[CaseCurve, ...]:
    """The whole practice first, then each recorded clinician in order of name; nothing where none is recorded.

    - `spells`: One row per tooth, as `Outcome.spells` makes them: `entry_days, exit_days, event, failure, patient_id,
      provider_id`.
    - `horizon`: Years at which the share is given.
    - `rules`: When a curve stops. All teeth enter at 0, so it starts there.
    """
    spells = spells.select(*READ, "provider_id")
    recorded = spells.filter(pl.col("provider_id").is_not_null())
    if recorded.is_empty():
        return ()
    parts = {str(key[0]): part for key, part in recorded.partition_by("provider_id", as_dict=True).items()}
    named = [("", spells), *((name, parts[name]) for name in sorted(parts) if name != NOT_RECORDED)]
    own = CurveRules(rules.min_at_risk, rules.max_step, rules.confidence, (horizon,))
    return tuple(_case(name, part, outcome, horizon, own) for name, part in named)


def _case(name: str, part: pl.DataFrame, outcome: str, horizon: float, rules: CurveRules) -> CaseCurve:
    group = make_group(part, name=name, label=name, counted=part, rules=rules)
    at = next(m for m in group.milestones if days_of(m.years) == days_of(horizon))
    return CaseCurve(
        outcome=outcome,
        provider=name,
        teeth=group.crowns,
        patients=group.patients,
        failures=group.failures,
        years=horizon,
        followed=at.followed,
        survival=at.survival,
        ci_low=at.ci_low,
        ci_high=at.ci_high,
        points=quarterly(group),
    )


def quarterly(group: Group) -> tuple[CurvePoint, ...]:
    """The curve of a group at the end of each quarter of a year, up to where it stops.

    `at_risk` is then the number followed at the last day before at which anything happened.
    """
    days = [p.days for p in group.curve]
    points: list[CurvePoint] = []
    for quarter in itertools.count(1):
        day = days_of(QUARTER_YEARS * quarter)
        place = bisect.bisect_right(days, day) - 1
        if day > (group.stops_at_days or 0):
            return tuple(points)
        if place < 0:
            points.append(CurvePoint(day, group.crowns, 1.0, 1.0, 1.0))
        else:
            p = group.curve[place]
            points.append(CurvePoint(day, p.at_risk, p.survival, p.ci_low, p.ci_high))
    raise AssertionError("a count without end ended")
