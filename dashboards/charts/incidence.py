"""Cumulative incidence: by arm, the adjusted curves else the crude ones; and how soon lesions heal."""

import dataclasses
from collections.abc import Sequence

from dashboards import terms, theme
from dashboards.charts.failure_curve import Line, draw
from dashboards.formats import plural, sentence_case
from pipeline.results import IncidenceCurve
from pipeline.results.healing import LesionHealing


def incidence_chart(curves: Sequence[IncidenceCurve], *, since: str, id: str, label: str) -> theme.Chart | None:
    """The `drawn` curves of one outcome; None where none runs for a year."""
    shown = drawn(curves)
    columns = columns_of(shown)
    if not shown or len(columns) < 2:
        return None
    lines = [
        Line.through(
            [(p.years, 100 * p.estimate, 100 * p.ci_low, 100 * p.ci_high) for p in c.points],
            look := look_of(c, curves),
            symbol=look.symbol,
            label=sentence_case(c.label),
            followed=tuple(p.at_risk for p in c.points),
        )
        for c in shown
    ]
    say = terms.outcome(shown[0].outcome)
    return draw(lines, columns, id=id, label=label, noun=plural(2, say.noun), since=since, said=sentence_case(say.bad))


def drawn(curves: Sequence[IncidenceCurve]) -> list[IncidenceCurve]:
    """Those with a line to draw: of two kinds the adjusted ones alone, as the table has both."""
    lines = [c for c in curves if len(c.points) > 1]
    return [c for c in lines if c.adjusted] or lines


def columns_of(curves: Sequence[IncidenceCurve]) -> tuple[float, ...]:
    """The whole years of the curves."""
    return tuple(sorted({p.years for c in curves for p in c.points if float(p.years).is_integer()}))


def look_of(curve: IncidenceCurve, curves: Sequence[IncidenceCurve]) -> theme.Look:
    """Colour, line and marker by the arm."""
    arms = list(dict.fromkeys(c.arm for c in curves))
    return dataclasses.replace(theme.look(curve.arm, arms.index(curve.arm)), dash="solid", svg_dash="none")


def healing_curve(found: LesionHealing, *, id: str, label: str) -> theme.Chart | None:
    """One curve by quarters of a year; None where it does not reach a whole year."""
    columns = tuple(p.years for p in found.points if float(p.years).is_integer())
    if not columns:
        return None
    points = [(p.years, 100 * p.estimate, 100 * p.ci_low, 100 * p.ci_high) for p in found.points]
    followed = tuple(p.followed for p in found.points)
    line = Line.through(points, theme.OWN, label="Lesions healed", followed=followed)
    ticks = (0.0, *columns)
    return draw([line], ticks, id=id, label=label, noun="lesions", since="the root canal", said="Healed")
