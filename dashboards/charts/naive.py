"""The count that one would make by hand, beside the count that lets each tooth enter on its own day."""

from collections.abc import Mapping, Sequence

from dashboards import theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure

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
    """Two rows with one dot a group; the misleading one is drawn hollow. None where there is nothing to draw.

    `labels` are the groups' labels by their names.
    """
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
