"""A figure as plain data, in the words of Plotly's schema: what `theme.chart` turns into a chart of a page.

Building a page's figures from Plotly's own objects, which check every property as it is set, takes longer than all the
rest of the page. Tests hold the figures of every page to that schema instead.
"""

from typing import Any

from dashboards.downloads import Sheet


class Drawing:
    """Traces and a layout; `sheet` holds the data that the page offers beside it, if they are others than the traces'.

    Every method takes the properties of one trace, shape, axis or layout as Plotly names them; one that is None is
    left out.
    """

    def __init__(self) -> None:
        self.data: list[dict[str, Any]] = []
        self.layout: dict[str, Any] = {}
        self.sheet: Sheet | None = None

    def add_scatter(self, **trace: Any) -> None:
        """A scatter trace."""
        self.data.append(_told({"type": "scatter", **trace}))

    def add_shape(self, **shape: Any) -> None:
        """A shape in the plot."""
        self.layout.setdefault("shapes", []).append(_told(shape))

    def add_annotation(self, **annotation: Any) -> None:
        """A text in the plot."""
        self.layout.setdefault("annotations", []).append(_told(annotation))

    def add_hline(self, *, y: float, line: dict[str, Any]) -> None:
        """A level line over the whole width of the plot."""
        self.add_shape(type="line", xref="x domain", x0=0, x1=1, yref="y", y0=y, y1=y, line=line)

    def add_hrect(self, *, y0: float, y1: float, **look: Any) -> None:
        """A level band over the whole width of the plot."""
        self.add_shape(type="rect", xref="x domain", x0=0, x1=1, yref="y", y0=y0, y1=y1, **look)

    def update_xaxes(self, **axis: Any) -> None:
        """Properties of the x axis."""
        self.update_layout(xaxis=axis)

    def update_yaxes(self, **axis: Any) -> None:
        """Properties of the y axis."""
        self.update_layout(yaxis=axis)

    def update_layout(self, **layout: Any) -> None:
        """Properties of the layout; those of a part that is there already are added to it."""
        _merge(self.layout, _told(layout))


def _told(properties: dict[str, Any]) -> dict[str, Any]:
    return {k: _told(v) if isinstance(v, dict) else v for k, v in properties.items() if v is not None}


def _merge(into: dict[str, Any], more: dict[str, Any]) -> None:
    for key, value in more.items():
        if isinstance(value, dict) and isinstance(into.get(key), dict):
            _merge(into[key], value)
        else:
            into[key] = value
