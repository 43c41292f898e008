"""Pages of hostile results in a real browser: nothing sent, nothing blocked, no upload button, charts drawn."""

from collections.abc import Iterator
from pathlib import Path

import headless
import pytest
import sample_results as samples

from dashboards.write import write_all

pytestmark = pytest.mark.look
PAGES = ("index", "owner", "clinician", "crowns", "hyperemic", "root_canals", "my_cases", "study_club", "methods")


@pytest.fixture(scope="module")
def browser() -> Iterator[headless.Browser]:
    with headless.Browser() as opened:
        yield opened


def test_pages_draw_their_charts_and_send_nothing(browser: headless.Browser, tmp_path: Path) -> None:
    """Whatever stands in the results as words; `tests/browser` asks so of all other pages."""
    write_all(samples.all_variants()["hostile"], tmp_path)
    for name in PAGES:
        file = tmp_path / f"{name}.html"
        browser.open(file)
        browser.unfold()
        assert browser.requests() == [file.resolve().as_uri()], name
        assert browser.complaints() == [], name
        boxes = browser.ask("document.querySelectorAll('.chart').length")
        assert browser.ask("document.querySelectorAll('.chart .main-svg').length") >= boxes, name
        assert browser.ask("document.querySelectorAll('.modebar-btn, .modebar-group').length") == 0, name
        sending = "[...document.querySelectorAll('.chart')].filter(b => b._context.showSendToCloud !== false).length"
        assert browser.ask(sending) == 0, name
        assert browser.ask("document.querySelectorAll('#main img, #main script').length") == 0, name


def test_the_browser_would_notice(browser: headless.Browser, tmp_path: Path) -> None:
    """A page that runs a script its policy does not name, or asks for a file, is caught by the checks above."""
    page = tmp_path / "bad.html"
    policy = "default-src 'none'; script-src 'none'"
    page.write_text(
        f'<meta http-equiv="Content-Security-Policy" content="{policy}"><script>1</script>', encoding="utf-8"
    )
    browser.open(page)
    assert browser.complaints() != []
    page.write_text('<link rel="stylesheet" href="other.css">', encoding="utf-8")
    browser.open(page)
    assert len(browser.requests()) == 2
