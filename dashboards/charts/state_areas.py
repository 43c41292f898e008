"""What becomes of 100 crowns over the years: in place and unopened, opened and in place, lost; the areas fill 100."""

from dashboards import theme
from dashboards.charts.areas import HEIGHT, Area, stacked
from dashboards.words.states import NAMES, SHORT, SINCE
from pipeline.results.states import STATES, CrownStates

RIGHT = 104
FILLS = {"vital": (theme.PALE, ""), "opened": (theme.RUST, "/"), "lost": (theme.INK, "x")}


def state_areas(states: CrownStates, *, id: str, label: str) -> theme.Chart | None:
    """The areas, each named with its number of 100 at the end; None of fewer than two points.

    Between its points a picture of shares is straight. It ends where too few crowns are followed.
    """
    points = states.points
    if len(points) < 2:
        return None
    areas = [
        Area(
            SHORT[state],
            tuple(100 * p.share[i] for p in points),
            *FILLS[state],
            f"{NAMES[state]}: %{{y:.1f}} of 100 after %{{x:g}} years<extra></extra>",
            f"{SHORT[state]}: {points[-1].per_100[i]}",
        )
        for i, state in enumerate(STATES)
    ]
    figure = stacked(areas, [p.years for p in points], top=100, since=SINCE, said="Of 100 crowns", right=RIGHT)
    rows = [
        (NAMES[state], p.years, 100 * p.share[i], 100 * p.ci_low[i], 100 * p.ci_high[i], sum(p.followed))
        for i, state in enumerate(STATES)
        for p in points
    ]
    theme.keep_data(figure, ("state", "years", "of 100 crowns", "low", "high", "followed in all"), rows)
    return theme.chart(figure, id=id, label=label, height=HEIGHT)
