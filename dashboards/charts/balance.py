"""How unlike two groups were: absolute standardised differences, with the customary line at 0.1."""

from collections.abc import Sequence

from dashboards import theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure
from dashboards.formats import known
from pipeline.results import BalanceRow

LINE = 0.1
PITCH, PITCH_OF_TWO = 25, 30
MOST = 15
BEFORE, AFTER = theme.NEUTRAL[1], theme.NEUTRAL[0]


def balance_chart(rows: Sequence[BalanceRow], *, id: str, label: str) -> theme.Chart | None:
    """The most unlike from the top, before and (where weighted) after [Austin 2009]; None where there is none."""
    drawn = in_order(rows)[:MOST]
    if not drawn:
        return None
    figure, height = rows_figure(
        [Row(r.label, _marks(r)) for r in drawn],
        title="Standardised difference",
        span=(0, nice_top([v for r in drawn for v in (r.before, r.after or 0.0)], least=0.25)),
        line=LINE,
        pitch=PITCH_OF_TWO if any(r.after is not None for r in drawn) else PITCH,
        beside=True,
    )
    return theme.chart(figure, id=id, label=label, height=height)


def in_order(rows: Sequence[BalanceRow]) -> list[BalanceRow]:
    """The most unlike first, by the difference before any weighting; ties by label."""
    return sorted((r for r in rows if known(r.before)), key=lambda r: (-r.before, r.label))


def _marks(row: BalanceRow) -> tuple[Mark, ...]:
    before = Mark(row.before, None, None, BEFORE, "%{x:.2f} before", series="as they were")
    if row.after is None:
        return (before,)
    return before, Mark(row.after, None, None, AFTER, "%{x:.2f} after", series="after weighting")
