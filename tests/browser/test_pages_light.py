"""Pages are light and quick: their size, the chart library once, and the time until everything is drawn."""

import time
from pathlib import Path

import headless
from looking import DRAWN

from dashboards.page import asset

LIMIT, A_CHART = 1_500_000, 60_000
BAR_S = 1.5
SLACK = 3  # a busy machine must not fail what is quick enough; the time itself is printed


def test_pages_are_small_and_hold_the_chart_library_once(pages: list[Path]) -> None:
    library = asset("plotly-basic.min.js")
    for page in pages:
        html = page.read_text(encoding="utf-8")
        charts = html.count('<script type="application/json" data-for=')
        assert page.stat().st_size <= LIMIT + A_CHART * charts, page.name
        assert html.count(library) == (1 if charts else 0), page.name
        if not charts:
            assert page.stat().st_size < 200_000, page.name


def test_pages_are_drawn_quickly(browser: headless.Browser, ordinary: list[Path]) -> None:
    browser.open(ordinary[0])
    times = {}
    for page in ordinary:
        start = time.perf_counter()
        browser.open(page)
        browser.ask(DRAWN)  # unfolds everything first, so that no chart is left out
        assert browser.ask("document.querySelectorAll('.chart:not(.js-plotly-plot)').length") == 0
        times[page.name] = time.perf_counter() - start
    print({name: f"{spent:.2f} s" for name, spent in times.items()})
    assert max(times.values()) < BAR_S * SLACK, times
