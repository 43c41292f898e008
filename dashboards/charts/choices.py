"""The difference under every combination of defensible choices, sorted, above a grid of what was chosen."""

from collections.abc import Mapping, Sequence

from dashboards import theme
from dashboards.downloads import Cell
from dashboards.drawing import Drawing
from dashboards.formats import known, phrase, sentence_case
from pipeline.results import Choice, Choices

TOP, LINE, FOOT, GAP = 240, 19, 8, 22
LEFT, RIGHT = 158, 12
LONGEST = 26
MANY = 60


def choices_chart(choices: Choices, *, smallest: float, title: str, id: str, label: str) -> theme.Chart | None:
    """Dots with ranges over the combinations from the lowest to the highest; None where none has a difference.

    `smallest` bounds the grey zone too small to matter. The combination of the main analysis is a diamond on a line
    that runs through the grid. A choice with one option only is not drawn.
    """
    drawn = sorted_rows(choices)
    if not drawn:
        return None
    lines = _lines(choices.options)
    height = TOP + GAP + LINE * len(lines) + FOOT
    figure = Drawing()
    _differences(figure, drawn, smallest)
    _grid(figure, drawn, lines)
    share = (LINE * len(lines)) / (height - FOOT - 12)
    ends = [v for c in drawn for v in (c.per_100, c.ci_low, c.ci_high, smallest, -smallest) if v is not None]
    room = 0.05 * (max(ends) - min(ends))
    room_x = max(0.7, 0.025 * len(drawn))
    figure.update_layout(
        xaxis={"range": [1 - room_x, len(drawn) + room_x], "visible": False, "anchor": "y2"},
        yaxis={"domain": [share + GAP / height, 1], "title": {"text": title},
               "range": [min(ends) - room, max(ends) + room]},
        yaxis2={
            "domain": [0, share], "range": [len(lines) - 0.5, -0.5], "fixedrange": True, "tickmode": "array",
            "tickvals": list(range(len(lines))), "ticktext": [text for _, _, text in lines], "ticks": "",
            "tickfont": {"size": 11, "color": theme.INK}, "showgrid": False, "zeroline": False,
        },
        margin={"l": LEFT, "r": RIGHT, "t": 12, "b": FOOT, "autoexpand": False},
    )  # fmt: skip
    theme.keep_data(figure, *_sheet(choices, drawn))
    return theme.chart(figure, id=id, label=label, height=height)


def sorted_rows(choices: Choices) -> list[Choice]:
    """Combinations with a difference, lowest first; ties by their options, so that no order of rows shows."""
    having = [c for c in choices.rows if known(c.per_100)]
    return sorted(having, key=lambda c: (c.per_100 or 0.0, sorted(c.options.items())))


def _sheet(choices: Choices, drawn: Sequence[Choice]) -> tuple[list[str], list[list[Cell]]]:
    """One row a combination; options by number, since there may be a thousand rows: the heads say what each is."""
    varied = {name: list(values) for name, values in choices.options.items() if len(values) > 1}
    heads = [
        f"{phrase(name)} ({'; '.join(f'{n} = {value}' for n, value in enumerate(values, 1))})"
        for name, values in varied.items()
    ]
    rows: list[list[Cell]] = []
    for c in drawn:
        taken = [values.index(c.options[name]) + 1 if c.options.get(name) in values else None
                 for name, values in varied.items()]  # fmt: skip
        ratios = (c.hazard_ratio, c.hr_low, c.hr_high)
        rows.append([*taken, c.per_100, c.ci_low, c.ci_high, *ratios, c.verdict, int(c.is_main)])
    figures = ("difference per 100", "low", "high", "hazard ratio", "its low", "its high", "verdict", "main way")
    return [*heads, *figures], rows


def _lines(options: Mapping[str, Sequence[str]]) -> list[tuple[str, str | None, str]]:
    """The lines of the grid: a heading for each choice (without option), then its options."""
    lines: list[tuple[str, str | None, str]] = []
    for name, values in options.items():
        if len(values) < 2:
            continue
        lines.append((name, None, f"<b>{_text(sentence_case(phrase(name)))}</b>"))
        lines += [(name, value, _text(phrase(value))) for value in values]
    return lines


def _text(text: str) -> str:
    """The text, or its first and last words: options often differ in their last ones."""
    words = text.split()
    if len(text) <= LONGEST or len(words) < 3:
        return theme.literal(text if len(text) <= LONGEST else f"{text[: LONGEST - 1].rstrip()}…")
    head, tail = [words[0]], [words[-1]]
    for word in reversed(words[1:-1]):
        if len(" ".join([*head, "…", word, *tail])) > LONGEST:
            break
        tail.insert(0, word)
    return theme.literal(" ".join([*head, "…", *tail])[: LONGEST + 4])


def _differences(figure: Drawing, drawn: Sequence[Choice], smallest: float) -> None:
    """The zone, the line of no difference, ranges and dots; the main combination last, on top."""
    figure.add_shape(
        type="rect", xref="paper", x0=0, x1=1, yref="y", y0=-smallest, y1=smallest, fillcolor=theme.ZONE,
        line={"width": 0}, layer="below",
    )  # fmt: skip
    figure.add_shape(
        type="line", xref="paper", x0=0, x1=1, yref="y", y0=0, y1=0, line={"color": theme.INK, "width": 1.5}
    )
    width = max(1.0, min(3.0, 150 / len(drawn)))
    for main in (False, True):
        found = [(x, c) for x, c in enumerate(drawn, 1) if c.is_main == main]
        colour = theme.INK if main else theme.ACCENT
        # Hundreds of ranges run into one area, on which the dots must still be seen.
        shade = theme.faded(colour, 0.3) if len(drawn) > MANY and not main else colour
        for x, _ in found if main else ():
            figure.add_shape(
                type="line", xref="x", x0=x, x1=x, yref="paper", y0=0, y1=1, layer="below",
                line={"color": theme.INK, "width": 1, "dash": "dot"},
            )  # fmt: skip
        ranges_x, ranges_y = [], []
        for x, c in found:
            ranges_x += [x, x, None]
            ranges_y += [c.ci_low, c.ci_high, None]
        figure.add_scatter(
            x=ranges_x, y=ranges_y, mode="lines", hoverinfo="skip", line={"color": shade, "width": width + main}
        )
        figure.add_scatter(
            x=[x for x, _ in found], y=[c.per_100 for _, c in found], mode="markers",
            hovertemplate="%{y:.0f} per 100<extra></extra>",
            marker={"size": 11 if main else max(4, min(7, 250 // len(drawn))), "color": colour,
                    "symbol": "diamond" if main else "circle"},
        )  # fmt: skip


def _grid(figure: Drawing, drawn: Sequence[Choice], lines: Sequence[tuple[str, str | None, str]]) -> None:
    """A dot where a combination takes the option of a line."""
    for main in (False, True):
        points = [
            (x, y)
            for x, c in enumerate(drawn, 1)
            for y, (name, value, _) in enumerate(lines)
            if c.is_main == main and value is not None and c.options.get(name) == value
        ]
        figure.add_scatter(
            x=[x for x, _ in points], y=[y for _, y in points], yaxis="y2", mode="markers", hoverinfo="skip",
            marker={"size": 7 if main else max(3, min(6, 250 // len(drawn))),
                    "color": theme.INK if main else theme.MUTED, "symbol": "diamond" if main else "square"},
        )  # fmt: skip
