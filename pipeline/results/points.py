"""Points of curves, and the curves of one clinician."""

from dataclasses import dataclass


@dataclass(frozen=True)
class CurvePoint:
    """A survival curve just after `days`: `at_risk` is counted just before that day."""

    days: int
    at_risk: int
    survival: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True)
class IncidencePoint:
    """Cumulative incidence by `years`; shares between 0 and 1. `at_risk` are followed beyond that day."""

    years: float
    at_risk: int
    estimate: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True)
class CaseCurve:
    """What became of the teeth of one clinician, or of all (`provider` is ""), in one outcome.

    `points` show the curve at the end of each quarter of a year as far as it runs, `at_risk` when anything last
    happened; empty where too few were followed. `survival` and its limits (shares between 0 and 1) are those at
    `years`, None where the curve does not reach them.
    """

    outcome: str  # the `rate` of an outcome in `practice/outcomes.py`
    provider: str
    teeth: int
    patients: int
    failures: int
    years: float
    followed: int
    survival: float | None
    ci_low: float | None
    ci_high: float | None
    points: tuple[CurvePoint, ...]
