"""Need of a root canal from released incidence: whole years, and nothing finer."""

from collections.abc import Sequence
from dataclasses import replace

from dashboards import theme
from dashboards.charts.failure_curve import Line, draw
from dashboards.downloads import Sheet
from dashboards.formats import sentence_case
from dashboards.release.trial import ReleasedIncidence
from dashboards.words import shared as words_shared


def released_incidence_chart(found: Sequence[ReleasedIncidence], *, id: str) -> theme.Chart | None:
    """The released curves; None where none runs for a year."""
    lines = [
        Line.through(
            [(float(p.years), float(p.of_100), float(p.low), float(p.high)) for p in c.points],
            theme.look(c.arm, index),
            label=sentence_case(c.label),
        )
        for index, c in enumerate(found)
        if len(c.points) > 1
    ]
    if not lines:
        return None
    columns = sorted({x for line in lines for x in line.x})
    label = " ".join(words_shared.everyday(c) for c in found)
    chart = draw(lines, columns, id=id, label=label, noun="teeth", since="the crown was seated",
                 said="Had a root canal", shape="linear")  # fmt: skip
    rows = tuple((sentence_case(c.label), p.years, p.of_100, p.low, p.high) for c in found for p in c.points)
    return replace(chart, sheet=Sheet(("group", "years", "had a root canal of 100 teeth", "low", "high"), rows))
