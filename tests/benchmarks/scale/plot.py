"""Cost against size, both on logarithmic scales: one line a tool, by the clock and by the processors."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tests.benchmarks.scale.bars import ONE_QUESTION_IN_ALL, finished, growth
from tests.benchmarks.scale.ours import AGAIN, IN_ALL, READ_AND_LINK, WHO, WHOLE
from tests.benchmarks.scale.rivals import FLOOR, PANDAS, PANDAS_PATIENT, SQL, R
from tests.benchmarks.scale.tables import Row

# Colours that stay apart for the colour-blind, and a mark of its own for each (Okabe and Ito 2008).
LINES = (
    (WHO, WHOLE, "toothyears: all questions, pages and slides", "#0072B2", "o", "-"),
    (WHO, f"{WHOLE}{AGAIN}", "toothyears: the same again", "#0072B2", "x", ":"),
    (WHO, ONE_QUESTION_IN_ALL, "toothyears: the one question", "#0072B2", "s", "--"),
    (WHO, READ_AND_LINK, "toothyears: read and link", "#56B4E9", "D", ":"),
    (PANDAS, IN_ALL, PANDAS, "#D55E00", "^", "-"),
    (PANDAS_PATIENT, IN_ALL, PANDAS_PATIENT, "#CC79A7", "v", "-"),
    (R, IN_ALL, R, "#009E73", "P", "-"),
    (SQL, IN_ALL, SQL, "#E69F00", "X", ":"),
    (FLOOR, IN_ALL, FLOOR, "#555555", "d", ":"),
)
PANELS = (("wall_s", "Seconds by the clock"), ("cpu_s", "Seconds of processor time"))


def draw(rows: Sequence[Row], path: Path) -> None:
    """Write the plot as SVG; the same rows give the same file."""
    with mpl.rc_context({"svg.hashsalt": "cost", "svg.fonttype": "none", "font.family": "sans-serif", "font.size": 9}):
        figure = Figure(figsize=(11, 5.4), layout="constrained")
        left, right = figure.subplots(1, 2, sharey=True)
        for axes, (cost, title) in zip((left, right), PANELS, strict=True):
            _panel(axes, rows, cost, title)
        handles, names = right.get_legend_handles_labels()
        figure.legend(handles, names, loc="outside lower center", ncols=2, frameon=False)
        figure.savefig(path, format="svg", metadata={"Date": None, "Creator": None})


def _panel(axes: Axes, rows: Sequence[Row], cost: str, title: str) -> None:
    for who, stage, label, colour, mark, style in LINES:
        points = sorted(
            (r.rows, getattr(r, cost), finished(r)) for r in rows if (r.who, r.stage) == (who, stage) and r.wall_s
        )
        if not points:
            continue
        axes.plot(
            [size for size, _, _ in points],
            [value for _, value, _ in points],
            color=colour,
            marker=mark,
            linestyle=style,
            markersize=5,
            linewidth=1.4,
            label=label,
        )
        for size, value, whole in points:
            if not whole:
                axes.annotate("stopped", (size, value), xytext=(4, 4), textcoords="offset points", color=colour)
    grown = growth(rows, WHO, WHOLE, "wall_s" if cost == "wall_s" else "cpu_s")
    fitted = "" if grown is None else f"\ntoothyears grows with rows to the power {grown:.2f} from 1 million rows on"
    axes.set_title(title + fitted, loc="left", fontsize=9)
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlabel("ledger rows")
    axes.grid(visible=True, which="major", color="#dddddd", linewidth=0.6)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
