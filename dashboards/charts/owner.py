"""The owner's sheet: each rate in one strip, early failures by year begun, and the curve of teeth chosen."""

from collections.abc import Sequence

from dashboards import theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure
from dashboards.drawing import Drawing
from dashboards.formats import in_place, years
from pipeline.results.owner import EarlySigns, Part, SheetLine, Stretch

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


EARLY_HEIGHT = 300
APART = 0.16
NAME = 100  # pixels between the names of the two kinds of dots
SIGNS = {"circle": "●", "square": "■", "diamond": "◆"}


def early_chart(found: EarlySigns, *, title: str, since: str, id: str, label: str) -> theme.Chart | None:
    """One pair of dots a line of years; None where no line has a figure."""
    names = [row.name for row in found.rows]
    figure = Drawing()
    rows: list[tuple[str | float | int | None, ...]] = []
    tops: list[float] = []
    for place, horizon in enumerate(found.years):
        look, shift = theme.NEUTRAL[place % 2], APART * (2 * place - 1)
        told = [
            (i, row.name, s)
            for i, row in enumerate(found.rows)
            if (s := row.at[place]).survival is not None and s.ci_low is not None and s.ci_high is not None
        ]
        if not told:
            continue
        values = [(100 * (1 - s.survival), 100 * (1 - s.ci_high), 100 * (1 - s.ci_low)) for _, _, s in told]  # type: ignore[operator]
        for (i, _, _), (_, low, high) in zip(told, values, strict=True):
            figure.add_scatter(
                x=[i + shift, i + shift], y=[low, high], mode="lines", hoverinfo="skip",
                line={"color": look.colour, "width": 2.5},
            )  # fmt: skip
        figure.add_scatter(
            x=[i + shift for i, _, _ in told], y=[v[0] for v in values], mode="markers",
            marker={"size": 9, "color": look.colour, "symbol": look.symbol},
            text=[
                f"{name}: {v[0]:.0f} of 100 ({v[1]:.0f} to {v[2]:.0f}), {s.followed} still followed"
                for (_, name, s), v in zip(told, values, strict=True)
            ],
            hovertemplate=f"%{{text}}<extra>by {years(horizon)}</extra>",
        )  # fmt: skip
        # Above the plot: beside the last dot it would lie on the ranges of later years.
        figure.add_annotation(
            xref="paper", x=0, xanchor="left", xshift=NAME * place, yref="paper", y=1, yanchor="bottom",
            text=f"{SIGNS[look.symbol]} by {years(horizon)}", showarrow=False, font={"color": look.colour, "size": 13},
        )  # fmt: skip
        tops += [v[2] for v in values]
        rows += [
            (name, horizon, s.teeth, s.followed, *(round(x, 4) for x in v))
            for (_, name, s), v in zip(told, values, strict=True)
        ]
    if not tops:
        return None
    few = [name.replace(" to ", "–") for name in names]
    figure.update_xaxes(
        title={"text": since}, range=[-0.6, len(names) - 0.4], tickmode="array", tickvals=list(range(len(names))),
        ticktext=[f"’{n[2:]}" if len(n) == 4 and len(names) > 8 else n for n in few], showgrid=False,
    )  # fmt: skip
    figure.update_yaxes(title={"text": title}, range=[0, nice_top(tops)])
    figure.update_layout(margin={"l": 64, "r": 16, "t": 28, "b": 48, "autoexpand": False})
    theme.keep_data(figure, ("begun in", "years", "teeth", "still followed", "of 100", "low", "high"), rows)
    return theme.chart(figure, id=id, label=label, height=EARLY_HEIGHT)


CHOSEN_HEIGHT = 330


def filtered_chart(part: Part, years: tuple[float, ...], *, top: float, id: str, label: str) -> theme.Chart:
    """Failures of 100 at each year since the start, of all teeth of one outcome, ready for another choice."""
    at = [0.0, *years[: len(part.survival)]]
    failed, low, high = (
        [0.0, *(100 * (1 - v) for v in values)] for values in (part.survival, part.ci_high, part.ci_low)
    )
    look, other = theme.OWN, theme.ALL
    figure = Drawing()
    figure.add_scatter(x=at, y=high, mode="lines", line={"width": 0}, hoverinfo="skip")
    figure.add_scatter(
        x=at, y=low, mode="lines", line={"width": 0}, hoverinfo="skip", fill="tonexty",
        fillcolor=theme.faded(look.colour, 0.18),
    )  # fmt: skip
    figure.add_scatter(
        x=at, y=failed, mode="lines+markers", line={"color": look.colour, "width": 3},
        marker={"size": 8, "symbol": look.symbol}, hovertemplate="%{x} years: %{y:.0f} of 100<extra>chosen</extra>",
    )  # fmt: skip
    figure.add_scatter(
        x=at, y=failed, mode="lines", line={"color": other.colour, "width": 2, "dash": other.dash},
        hovertemplate="%{x} years: %{y:.0f} of 100<extra>all</extra>",
    )  # fmt: skip
    figure.update_xaxes(title={"text": "Years since the start"}, range=[0, max(years) + 0.3], dtick=2)
    figure.update_yaxes(title={"text": "Failed, lost or treated again, of 100"}, range=[0, nice_top([top])])
    figure.update_layout(margin={"l": 64, "r": 16, "t": 12, "b": 48, "autoexpand": False})
    theme.keep_data(
        figure, ("years", "still followed", "of 100", "low", "high"),
        [(y, n, round(f, 4), round(a, 4), round(b, 4))
         for y, n, f, a, b in zip(at[1:], part.followed, failed[1:], low[1:], high[1:], strict=True)],
    )  # fmt: skip
    return theme.chart(figure, id=id, label=label, height=CHOSEN_HEIGHT)
