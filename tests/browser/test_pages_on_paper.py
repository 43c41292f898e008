"""Pages printed on A4 are whole: every sentence, cell and axis is on the paper, inside its edges."""

import bisect
import functools
import html
import re
import shutil
import subprocess
import unicodedata
from dataclasses import dataclass
from pathlib import Path

import headless
import pytest
from looking import PAPER, look_at

from tests.made_once import made_once_in

pytestmark = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext here to read the paper with")
LINE = 1.164  # height of a line of the letters that the browser is shown, of their size
MARGIN = re.compile(
    r"^((Inside the practice only|Shared: small counts hidden)\. Association, not cause; no advice for a patient\."
    r"|page \d+ of \d+|\s)+$"
)


def _squeezed(text: str) -> str:
    kept = unicodedata.normalize("NFKC", text)
    return "".join(c for c in kept if not c.isspace() and unicodedata.category(c) not in ("Cf", "Cc"))


def _printed(pdf: Path) -> str:
    text = subprocess.run(["pdftotext", "-raw", pdf, "-"], capture_output=True, text=True, check=True).stdout
    lines = (line.replace("\f", "") for line in text.split("\n"))
    return _squeezed("".join(line for line in lines if not MARGIN.match(line)))


def _is_on(paper: str, piece: str) -> bool:
    """Whether the piece is on the paper, whole or in two parts: a page may end in the middle of it."""
    first = bisect.bisect(range(1, len(piece) + 1), False, key=lambda n: piece[:n] not in paper)
    return piece[first:] in paper


def _outside(pdf: Path) -> list[str]:
    """Words that touch the edge of the paper, which a printer would cut."""
    text = subprocess.run(["pdftotext", "-bbox", pdf, "-"], capture_output=True, text=True, check=True).stdout
    found, wide, high = [], 0.0, 0.0
    for line in text.splitlines():
        if page := re.search(r'<page width="([\d.]+)" height="([\d.]+)"', line):
            wide, high = map(float, page.groups())
        elif word := re.search(r'xMin="(.+?)" yMin="(.+?)" xMax="(.+?)" yMax="(.+?)">(.*)</word>', line):
            left, top, right, bottom = map(float, word.groups()[:4])
            if left < 20 or top < 20 or right > wide - 20 or bottom > high - 12:
                found.append(word[5])
    return found


@pytest.mark.parametrize("name", ["ordinary", "hostile", "empty"])
def test_the_paper_says_what_the_page_says(
    browser: headless.Browser, written: dict[str, Path], tmp_path: Path, name: str
) -> None:
    for page in sorted(written[name].glob("*.html")):
        look_at(browser, page)
        browser.page.emulate_media(media="print")
        pieces = browser.ask("window.looked.pieces()")
        letters = browser.ask("window.looked.letters_of_charts()")
        browser.pdf(tmp_path / "page.pdf")
        paper = _printed(tmp_path / "page.pdf")
        ascii_only = [p for p in pieces if p.isascii()]  # what runs from right to left is put on paper otherwise
        assert len(ascii_only) > 0.7 * len(pieces) > 5
        missing = [p[:80] for p in ascii_only if not _is_on(paper, _squeezed(p))]
        assert missing == [], f"{page.name}: not on the paper"
        assert [t for t in letters if t.isascii() and _squeezed(t) not in paper] == [], page.name
        assert _outside(tmp_path / "page.pdf") == [], page.name


def test_nothing_is_wider_than_the_paper(browser: headless.Browser, pages: list[Path]) -> None:
    for page in pages:
        look_at(browser, page, width=PAPER)
        browser.page.emulate_media(media="print")
        browser.ask("window.dispatchEvent(new Event('beforeprint')), new Promise(done => setTimeout(done, 50))")
        assert browser.ask("window.looked.cut()") == [], page.name


def _pages(pdf: Path) -> int:
    told = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
    return int(re.search(r"Pages:\s+(\d+)", told)[1])  # type: ignore[index]


@dataclass(frozen=True)
class Printed:
    """A page on paper as it first stands, and again once all is opened (None where no button opens anything)."""

    as_it_stands: Path
    opened: Path | None
    cells: list[str]  # of the closed parts
    said: str  # the answers, in words, and the names in their picture
    names: list[str]


@functools.cache
def printed(browser: headless.Browser, page: Path) -> Printed:
    return made_once_in(page.parent, f"{page.name}-printed", lambda: _put_on_paper(browser, page))


def _put_on_paper(browser: headless.Browser, page: Path) -> Printed:
    browser.open(page)
    cells = browser.ask("[...document.querySelectorAll('details :is(th, td)')].map(e => e.textContent.trim())")
    browser.page.emulate_media(media="print")  # commands are for the screen
    given = "e => e.innerText" if page.name != "owner.html" else "() => document.querySelector('.sheet').innerText"
    said = browser.page.locator(".given").first.evaluate(given)
    names = browser.ask("[...document.querySelectorAll('.answers .chart text')].map(e => e.textContent)")
    browser.page.emulate_media(media="screen")
    as_it_stands, opened = (page.with_name(f"{page.name}-{how}.pdf") for how in ("closed", "opened"))
    browser.pdf(as_it_stands)
    browser.page.emulate_media(media="screen")
    if has_button := bool(browser.ask("document.getElementById('open-all') !== null") and cells):
        browser.page.click("#open-all")
        browser.pdf(opened)
    return Printed(as_it_stands, opened if has_button else None, cells, said, names)


def test_closed_parts_are_printed_once_opened(browser: headless.Browser, ordinary: list[Path]) -> None:
    """A page with a script prints what is open, and one button opens all; what no script can open is printed whole."""
    folded, spared = 0, 0
    for page in ordinary:
        on = printed(browser, page)
        if on.opened is not None:
            spared += _pages(on.opened) - _pages(on.as_it_stands)
            folded += len(on.cells)
        paper = _printed(on.opened or on.as_it_stands)
        assert [c for c in on.cells if not _is_on(paper, _squeezed(c))] == [], page.name
    assert folded
    assert spared > 20


def test_the_first_sheet_holds_the_answers_and_the_picture_in_letters_that_can_be_read(
    browser: headless.Browser, ordinary: list[Path]
) -> None:
    """No browser may shrink a page for what is wider than the paper: letters stay as high as the style says."""
    for page in ordinary:
        on = printed(browser, page)
        found = subprocess.run(
            ["pdftotext", "-bbox", "-l", "1", on.as_it_stands, "-"], capture_output=True, text=True, check=True
        ).stdout
        words = re.findall(r'yMin="(.+?)" .*?yMax="(.+?)">(.*)</word>', found)
        paper = _squeezed(html.unescape("".join(w[2] for w in words)))
        apart = re.split(r"\s+|(?<=\.)(?=[A-Z])", on.said.strip())  # what ends a line of its own touches the next
        lost = [w for w in (*apart, *on.names) if _squeezed(w) not in paper]
        assert lost == [], page.name
        smallest = min(float(bottom) - float(top) for top, bottom, _ in words) / LINE
        assert smallest > 8.9, page.name


def test_a_cut_page_is_noticed(browser: headless.Browser, tmp_path: Path) -> None:
    page = tmp_path / "cut.html"
    page.write_text('<title>x</title><p style="width:900px;overflow:hidden;white-space:nowrap">a</p>', encoding="utf-8")
    look_at(browser, page, width=PAPER)
    assert len(browser.ask("window.looked.cut()")) == 1
    page.write_text('<style>@page{margin:0}</style><p style="margin:0 0 0 -9px">edge</p>', encoding="utf-8")
    browser.open(page)
    browser.pdf(tmp_path / "cut.pdf")
    assert _outside(tmp_path / "cut.pdf") == ["edge"]
