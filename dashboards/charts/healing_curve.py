"""How soon lesions heal: the share healed against years since the root canal, with its range."""

from dashboards import theme
from dashboards.charts.failure_curve import Line, draw
from pipeline.results.healing import LesionHealing


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
