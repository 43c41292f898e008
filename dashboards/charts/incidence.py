"""Cumulative incidence by arm: the adjusted curve solid, the crude one dashed; the marker tells the arms apart."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from dashboards import terms, theme
from dashboards.charts.failure_curve import Line, draw
from dashboards.formats import plural, sentence_case
from pipeline.results import IncidenceCurve


def incidence_chart(curves: Sequence[IncidenceCurve], *, since: str, id: str, label: str) -> theme.Chart | None:
    """Curves of one outcome; None where none runs for a year. Of two kinds only the adjusted one is shaded."""
    drawn = [c for c in curves if len(c.points) > 1]
    columns = columns_of(drawn)
    if not drawn or len(columns) < 2:
        return None
    adjusted = any(c.adjusted for c in drawn)
    lines = [
        Line(
            look_of(c, curves),
            tuple(p.years for p in c.points),
            tuple(100 * p.estimate for p in c.points),
            tuple(100 * p.ci_low for p in c.points),
            tuple(100 * p.ci_high for p in c.points),
            symbol=look_of(c, curves).symbol,
            banded=c.adjusted or not adjusted,
            label=sentence_case(c.label) + ("" if c.adjusted or not adjusted else ", not adjusted"),
            followed=tuple(p.at_risk for p in c.points),
            named_at_end=c.adjusted or not adjusted,
        )
        for c in drawn
    ]
    say = terms.outcome(drawn[0].outcome)
    return draw(lines, columns, id=id, label=label, noun=plural(2, say.noun), since=since, said=sentence_case(say.bad))


def columns_of(curves: Sequence[IncidenceCurve]) -> tuple[float, ...]:
    """The whole years of the curves."""
    return tuple(sorted({p.years for c in curves for p in c.points if float(p.years).is_integer()}))


def look_of(curve: IncidenceCurve, curves: Sequence[IncidenceCurve]) -> theme.Look:
    """Colour and marker by the arm, the line by whether it is adjusted; without any adjusted, all solid."""
    arms = list(dict.fromkeys(c.arm for c in curves))
    look = theme.look(curve.arm, arms.index(curve.arm))
    dashed = not curve.adjusted and any(c.adjusted for c in curves)
    line = {"dash": "dash", "svg_dash": "7 4"} if dashed else {"dash": "solid", "svg_dash": "none"}
    return dataclasses.replace(look, **line)
