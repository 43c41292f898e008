"""What others found, ours, and both together: three ranges a row, told apart by shape as well as by colour."""

import math
from collections.abc import Sequence

from dashboards import theme
from dashboards.charts.contrasts import ticks_of
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure
from dashboards.words.evidence import row_label, series
from pipeline.results.evidence import EvidenceRange, EvidenceRow

OTHERS = theme.NEUTRAL[1]
OURS = theme.Look(theme.ACCENT, "solid", "none", "circle")
TOGETHER = theme.Look("#7a3b78", "solid", "none", "diamond")
LOOKS = {"others": OTHERS, "ours": OURS, "together": TOGETHER}
PITCH = 74


def evidence_chart(rows: Sequence[EvidenceRow], *, id: str, label: str) -> theme.Chart | None:
    """Rows of one kind for which ours is known; None where there is none."""
    drawn = [r for r in rows if r.ours is not None and r.together is not None]
    if not drawn:
        return None
    lines = [Row(row_label(r), _marks(r)) for r in drawn]
    ends = [v for row in lines for m in row.marks for v in (m.mid, m.low, m.high) if v is not None]
    if drawn[0].kind == "ratio":
        ticks = ticks_of(ends)
        title, span = "Hazard ratio: right of 1, failures came faster", (ticks[0], ticks[-1])
        figure, height = rows_figure(lines, title=title, span=span, line=1, ticks=ticks, log=True, pitch=PITCH)
    else:
        figure, height = rows_figure(lines, title="With the event, of 100", span=(0, nice_top(ends)), pitch=PITCH)
    return theme.chart(figure, id=id, label=label, height=height)


def _marks(row: EvidenceRow) -> tuple[Mark, ...]:
    found: dict[str, EvidenceRange | None] = {"others": row.others, "ours": row.ours, "together": row.together}
    shown = "%{x:.2f}" if row.kind == "ratio" else "%{x:.0f} of 100"
    least = 0.01 if row.kind == "ratio" else -math.inf  # a ratio's axis has no 0
    return tuple(
        Mark(r.value, max(r.low, least), r.high, look, f"{series(who, row.kind)}: {shown}", series=who)
        for who, look in LOOKS.items()
        if (r := found[who]) is not None
    )
