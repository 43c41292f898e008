"""Pages are light: their size, the chart library once, and every chart of them drawn."""

from pathlib import Path

import headless
from looking import DRAWN

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


def test_every_chart_of_a_page_is_drawn(browser: headless.Browser, ordinary: list[Path]) -> None:
    for page in ordinary:
        browser.open(page)
        browser.ask(DRAWN)  # unfolds everything first, so that no chart is left out
        assert browser.ask("document.querySelectorAll('.chart:not(.js-plotly-plot)').length") == 0, page.name
