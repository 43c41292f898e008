"""Points of curves."""

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
