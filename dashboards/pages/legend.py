"""One line of a legend, which the pages write in HTML beside the chart."""

from dataclasses import dataclass

from dashboards import theme


@dataclass(frozen=True)
class LegendItem:
    """A group's label beside its line; `marked` where the line carries markers."""

    label: str
    look: theme.Look
    marked: bool = False
