"""Each rate of the owner's sheet in one strip: all years, lately, the time before, and beside what was published."""

from collections.abc import Sequence

from dashboards import theme
from dashboards.charts.rows import Mark, Row, rows_figure
from dashboards.formats import in_place, years
from pipeline.results.owner import SheetLine, Stretch

OURS, OTHER = theme.NEUTRAL
KEY = "Hollow: lately or before. Lines: ranges; a published figure is drawn without."
PITCH = 20  # pixels of a row


def strip_chart(lines: Sequence[tuple[str, SheetLine]], *, id: str, label: str) -> theme.Chart | None:
    """Of 100, those that hold, a row a known figure, rates parted by rules; None where no rate is known."""
    parts = [rows for name, line in lines if (rows := _rows(name, line))]
    if not parts:
        return None
    rows = [row for part in parts for row in part]
    ends = [v for row in rows for m in row.marks for v in (m.mid, m.low) if v is not None]
    least = 10.0 * (min(ends) // 10)
    step = 10 if least >= 50 else 20
    ticks = [t for t in range(0, 101, step) if t >= least]
    title = "Of 100, still holding"
    figure, height = rows_figure(rows, title=title, span=(least, 100), ticks=ticks, pitch=PITCH, beside=True)
    at = 0
    for part in parts[:-1]:
        at += len(part)
        figure.add_hline(y=0.5 - at, line={"color": theme.RULE, "width": 1})
    return theme.chart(figure, id=id, label=label, height=height)


def _rows(name: str, line: SheetLine) -> list[Row]:
    rate, over = line.rate, line.over_time
    if rate.survival is None:
        return []
    rows = [_row(f"{name}, {years(rate.years)}", rate, OURS), _row("lately", over.late, OURS, hollow=True),
            _row("before", over.before, OTHER, hollow=True)]  # fmt: skip
    found = [row for row in rows if row is not None]
    for p in line.published[:1]:
        by = years(p.years)
        if p.years != rate.years or in_place(p.ours) != in_place(rate.survival):
            found.append(Row(f"here, {by}", (_mark(p.ours, p.ours_low, p.ours_high, OURS),)))
        found.append(Row(f"published, {by}", (_mark(p.published, None, None, OTHER),)))
    return found


def _row(label: str, found: Stretch | None, look: theme.Look, *, hollow: bool = False) -> Row | None:
    if found is None or found.survival is None:
        return None
    return Row(label, (_mark(found.survival, found.ci_low, found.ci_high, look, hollow=hollow),))


def _mark(survival: float, low: float | None, high: float | None, look: theme.Look, *, hollow: bool = False) -> Mark:
    ends = [None if v is None else 100 * v for v in (low, high)]
    return Mark(100 * survival, ends[0], ends[1], look, "%{x:.0f} of 100", hollow)
