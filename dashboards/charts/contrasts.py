"""A comparison in rows: differences per 100, hazard ratios, and the count by label that misleads."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dashboards import terms, theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure
from dashboards.formats import known
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


TICKS = (0.1, 0.2, 0.5, 1, 2, 5, 10)


@dataclass(frozen=True)
class Ratio:
    """One hazard ratio; `misleading` ones are drawn hollow and dotted."""

    label: str
    value: float
    low: float
    high: float
    misleading: bool = False


def forest_chart(ratios: Sequence[Ratio], *, id: str, label: str) -> theme.Chart | None:
    """The ratios that could be worked out, one row each; None where there is none."""
    drawn = [r for r in ratios if known(r.value) and r.value > 0]
    if not drawn:
        return None
    ends = [v for r in drawn for v in (r.value, r.low, r.high) if known(v) and v > 0]
    shown = ticks_of(ends)
    look = theme.Look(theme.INK, "solid", "none", "square")
    rows = [
        Row(r.label, (Mark(r.value, max(r.low, 0.01), r.high, look, "%{x:.2f}", hollow=r.misleading),)) for r in drawn
    ]
    figure, height = rows_figure(
        rows,
        title="Hazard ratio: right of 1, failures came faster",
        span=(shown[0], shown[-1]),
        line=1,
        ticks=shown,
        log=True,
    )
    return theme.chart(figure, id=id, label=label, height=height)


def ticks_of(ends: Sequence[float], ticks: Sequence[float] = TICKS) -> list[float]:
    """Those of the ticks that a logarithmic axis from the first to the last of them needs to hold these ratios."""
    low = max((t for t in ticks if t <= min(*ends, 0.5)), default=ticks[0])
    high = min((t for t in ticks if t >= max(*ends, 2.0)), default=ticks[-1])
    return [t for t in ticks if low <= t <= high]


Share = tuple[str, int, float]  # group name, its place in the comparison, failed of 100


def naive_chart(
    by_label: Sequence[Share],
    as_followed: Sequence[Share],
    *,
    start: str,
    title: str,
    id: str,
    label: str,
    labels: Mapping[str, str],
) -> theme.Chart | None:
    """Two rows with one dot a group, by its label; the misleading one is hollow. None without anything to draw."""
    if not by_label:
        return None
    rows = [Row(f"Counted by label from {start}: misleading", _marks(by_label, labels, hollow=True))]
    if as_followed:
        rows.append(Row("Followed from the day each could be counted", _marks(as_followed, labels, hollow=False)))
    top = nice_top([v for _, _, v in (*by_label, *as_followed)])
    figure, height = rows_figure(rows, title=title, span=(0, top))
    return theme.chart(figure, id=id, label=label, height=height + 12)


def _marks(shares: Sequence[Share], labels: Mapping[str, str], *, hollow: bool) -> tuple[Mark, ...]:
    return tuple(
        Mark(value, None, None, theme.look(name, place), "%{x:.0f} of 100", hollow, labels.get(name, name))
        for name, place, value in shares
    )
