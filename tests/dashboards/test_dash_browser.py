"""Pages in a real browser: nothing sent, nothing blocked, no upload button, charts drawn, tables under their ticks."""

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


@pytest.fixture(scope="module", params=["differs", "hostile", "empty_practice"])
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp(request.param)
    write_all(samples.all_variants()[request.param], out)
    return out


def test_pages_draw_their_charts_and_send_nothing(browser: headless.Browser, folder: Path) -> None:
    for name in PAGES:
        file = folder / f"{name}.html"
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


@pytest.mark.parametrize("width", [1280, 390])
def test_columns_stand_under_their_ticks_and_nothing_overflows(
    browser: headless.Browser, tmp_path: Path, width: int
) -> None:
    write_all(samples.differs(), tmp_path)
    for name in PAGES:
        browser.open(tmp_path / f"{name}.html", width=width)
        assert browser.ask("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0, name
    browser.open(tmp_path / "crowns.html", width=width)
    middle = "e => { const r = e.getBoundingClientRect(); return r.left + r.width / 2; }"
    ticks = browser.ask(f"[...document.querySelectorAll('#c0-curves .xtick text')].map({middle})")
    columns = browser.ask(f"[...document.querySelectorAll('.under')[0].querySelectorAll('thead span')].map({middle})")
    assert len(ticks) == len(columns) == 8
    assert max(abs(a - b) for a, b in zip(ticks, columns, strict=True)) <= 1


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
