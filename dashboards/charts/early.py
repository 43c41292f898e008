"""Failures by 1 and by 3 years, by the year in which the teeth were begun: dots with their ranges."""

from dashboards import theme
from dashboards.charts.rows import nice_top
from dashboards.drawing import Drawing
from dashboards.formats import years
from pipeline.results.owner import EarlySigns

HEIGHT = 300
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
    return theme.chart(figure, id=id, label=label, height=HEIGHT)
