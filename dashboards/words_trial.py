"""Sentences on an emulated trial."""

from __future__ import annotations

from collections.abc import Sequence

from dashboards import terms
from dashboards.formats import plural, years
from pipeline.results import IncidenceCurve


def incidence_label(curves: Sequence[IncidenceCurve]) -> str:
    """The accessible name of incidence curves: where each ends, with its range."""
    say = terms.outcome(curves[0].outcome)
    parts = []
    for c in curves:
        if len(c.points) < 2:
            parts.append(f"{curve_name(c, curves)}: no curve")
            continue
        p = c.points[-1]
        rng = f"range {round(100 * p.ci_low)} to {round(100 * p.ci_high)}"
        parts.append(f"{curve_name(c, curves)}: {round(100 * p.estimate)} of 100 by {years(p.years)} ({rng})")
    return f"{plural(2, say.noun).capitalize()} that {say.bad}. {'; '.join(parts)}."


def curve_name(curve: IncidenceCurve, curves: Sequence[IncidenceCurve]) -> str:
    """The arm's label, with how it is counted where both ways stand side by side."""
    if any(c.adjusted for c in curves):
        return f"{curve.label}, {'adjusted' if curve.adjusted else 'not adjusted'}"
    return curve.label
