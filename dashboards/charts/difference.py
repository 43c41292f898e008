"""Differences per 100 with their ranges, against the zone too small to matter."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import terms, theme
from dashboards.charts.rows import Mark, Row, rows_figure
from pipeline.results import Difference

LOOK = theme.Look(theme.INK, "solid", "none", "diamond")


@dataclass(frozen=True)
class Apart:
    """One difference per 100 with its range, and its verdict; `crude` before adjustment; `hover` in our own words."""

    label: str
    mid: float
    low: float
    high: float
    hover: str = "%{x:.0f} per 100"
    code: str = ""
    crude: bool = False

    @property
    def hollow(self) -> bool:
        """Nothing is claimed of it: it is open, or the groups were not made alike."""
        return self.crude or (self.code != "" and terms.is_open(self.code))


def apart(label: str, d: Difference, crude: Difference | None = None, *, code: str = "") -> list[Apart]:
    """A difference as a row with its verdict, and the one before adjustment beneath it."""
    rows = [Apart(label, d.per_100, d.ci_low, d.ci_high, code=code)]
    if crude is not None:
        rows.append(Apart("The same, not adjusted", crude.per_100, crude.ci_low, crude.ci_high, crude=True))
    return rows


def difference_chart(
    rows: Sequence[Apart], *, smallest: float, id: str, label: str, title: str = "Failures per 100, more on the right"
) -> theme.Chart | None:
    """One row a difference per 100, group minus reference, beside the zone within `smallest`; None without a row."""
    if not rows:
        return None
    ends = [abs(v) for r in rows for v in (r.mid, r.low, r.high)]
    reach = math.ceil((max(*ends, 2 * smallest) + 1) / 5) * 5
    step = 5 if reach <= 25 else 10 * math.ceil(reach / 50)
    figure, height = rows_figure(
        [Row(r.label, (Mark(r.mid, r.low, r.high, LOOK, r.hover, hollow=r.hollow),)) for r in rows],
        title=title,
        span=(-reach, reach),
        line=0,
        zone=(-smallest, smallest) if smallest else None,
        ticks=[t for t in range(-reach, reach + 1) if t % step == 0],
    )
    return theme.chart(figure, id=id, label=label, height=height + 16 * (len(rows) < 3))
