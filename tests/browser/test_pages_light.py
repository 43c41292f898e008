"""Pages are light: their size, and the chart library once."""

from pathlib import Path

from dashboards.page import asset

LIMIT, A_CHART = 1_500_000, 60_000


def test_pages_are_small_and_hold_the_chart_library_once(pages: list[Path]) -> None:
    library = asset("plotly-basic.min.js")
    for page in pages:
        html = page.read_text(encoding="utf-8")
        charts = html.count('<script type="application/json" data-for=')
        assert page.stat().st_size <= LIMIT + A_CHART * charts, page.name
        assert html.count(library) == (1 if charts else 0), page.name
        if not charts:
            assert page.stat().st_size < 200_000, page.name
