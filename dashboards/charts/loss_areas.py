"""What teeth were lost to over time: one area a cause, stacked, so that the upper edge is all teeth lost."""

import math

from dashboards import theme
from dashboards.charts.areas import HEIGHT, Area, stacked
from pipeline.results.healing import LossGroup

RIGHT = 110
# Greys and patterns in the order of the causes: neighbours differ on any print, and no cause has a group’s colour.
FILLS = (
    (theme.INK, ""),
    (theme.PALE, "\\"),
    (theme.MUTED, "/"),
    (theme.RULE, "x"),
    (theme.MUTED, "-"),
    (theme.ZONE, "."),
)


def loss_areas(
    group: LossGroup, *, names: dict[str, str], since: str, noun: str, id: str, label: str
) -> theme.Chart | None:
    """The areas of one group, `names` by cause; None where it has fewer than two points or no loss."""
    drawn = [(i, c) for i, c in enumerate(group.causes) if any(p.estimate > 0 for p in c.points)]
    if len(group.total.points) < 2 or not drawn:
        return None
    years = [p.years for p in group.total.points]
    areas = [
        Area(
            name := theme.literal(names.get(c.cause, c.cause)),
            tuple(100 * p.estimate for p in c.points),
            *FILLS[i % len(FILLS)],
            f"{name}: %{{y:.1f}} of 100 by %{{x:.1f}} years<extra></extra>",
        )
        for i, c in drawn
    ]
    top = max(2.0, math.ceil(100 * group.total.points[-1].estimate * 1.08 / 2) * 2)
    figure = stacked(areas, years, top=top, since=since, said=f"Lost, of 100 {noun}", right=RIGHT)
    rows = [
        (names.get(c.cause, c.cause), p.years, 100 * p.estimate, 100 * p.ci_low, 100 * p.ci_high)
        for c in (*group.causes, group.total)
        for p in c.points
    ]
    theme.keep_data(figure, ("cause", "years", "lost of 100", "low", "high"), rows)
    return theme.chart(figure, id=id, label=label, height=HEIGHT)
