"""How the charts of the main comparison look, as `known_looks.txt` has it: all of them but their figures.

A line for each property, with its values in the order of the drawing, or one where all are alike. No figure of a
practice stands there: those are held to R. Who changes a look looks at the pages, and renews the file by
`python tests/twice/test_known_practice.py looks`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from itertools import groupby
from pathlib import Path
from typing import Any

KEPT = Path(__file__).with_name("known_looks.txt")
CHARTS = ("curves", "difference", "naive", "forest", "balance")
FIGURES = {"customdata", "range", "tickvals", "ticktext"}  # and the places of dots and lines
BY_FIGURES = "line-end"  # names of lines, which lie where the lines end


def looks(section: dict[str, Any]) -> list[str]:
    """A line for each property of a chart, and of the charts' legends."""
    shared = section[CHARTS[0]].spec
    parts = {"every": {"config": shared["config"], "template": shared["layout"]["template"]}}
    for name in CHARTS:
        layout = {k: v for k, v in section[name].spec["layout"].items() if k != "template"}
        parts[name] = {"data": section[name].spec["data"], **layout}
    parts["legend"] = {name: [asdict(one) for one in section[name]] for name in ("legend", "naive_legend")}
    return [line for part, spec in parts.items() for line in _lines(part, spec)]


def _lines(part: str, spec: dict[str, Any]) -> Iterator[str]:
    found: dict[str, list[str]] = {}
    for path, value in _leaves(spec, ""):
        found.setdefault(path, []).append(
            json.dumps(round(value, 3) if isinstance(value, float) else value, ensure_ascii=False)
        )
    for path, values in found.items():
        runs = [f"{value} x {n}" if (n := len(list(same))) > 1 else value for value, same in groupby(values)]
        yield f"{part}{path}: {', '.join(runs)}"


def _leaves(value: Any, path: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        left_out = FIGURES | {"yshift"} if value.get("name") == BY_FIGURES else FIGURES
        for key, inner in value.items():
            if key not in left_out and not (key in ("x", "y") and isinstance(inner, list | tuple)):
                yield from _leaves(inner, f"{path} {key}")
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from _leaves(inner, path)
    else:
        yield path, value
