"""The first screen of each page looks as it did when a person last looked at it, in coarse squares.

A square is 16 pixels wide, so that another cut of letters does not matter and a lost chart, a missing rule or a column
out of place does. After a change that is meant: `python tests/browser/test_pages_look.py`, look at the pictures that it
writes beside the squares, and commit the squares.
"""

from __future__ import annotations

import functools
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest
from PIL import Image

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dashboards"))

import headless
import sample_results as samples
from looking import look_at

from dashboards.write import write_all

REFERENCE = Path(__file__).parent / "reference"
WIDTHS = (1280, 390)
HIGH = 1600  # CSS pixels from the top
SQUARE = 16
# A square differs when its grey is this far off; a page when more than this share of its squares differ.
GREY, SHARE = 16, 0.03


def squares(browser: headless.Browser, page: Path, width: int, picture: Path) -> Image.Image:
    """The first screen of a page as a grey picture of one pixel a square; the picture itself goes to `picture`."""
    look_at(browser, page, width=width)
    browser.page.set_viewport_size({"width": width, "height": HIGH})
    browser.ask("window.scrollTo(0, 0)")
    browser.screenshot(picture, whole=False)
    whole = Image.open(picture).convert("L")
    return whole.resize((width // SQUARE, HIGH // SQUARE), Image.Resampling.BOX)


def unlike(a: Image.Image, b: Image.Image) -> float:
    """The share of squares that differ, each held against its neighbours too: a line may move a few pixels."""
    if a.size != b.size:
        return 1.0
    wide, high = a.size
    differing = 0
    for x in range(wide):
        for y in range(high):
            near = [
                b.getpixel((x + i, y + j))
                for i in (-1, 0, 1)
                for j in (-1, 0, 1)
                if 0 <= x + i < wide and 0 <= y + j < high
            ]
            differing += not min(near) - GREY <= a.getpixel((x, y)) <= max(near) + GREY
    return differing / (wide * high)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("look")
    write_all(samples.differs(), folder)
    return sorted(folder.glob("*.html"))


@dataclass(frozen=True)
class Seen:
    """A page at a width: how much of it looks otherwise, and what is wrong with it."""

    unlike: float
    wrong: list[str]


@functools.cache
def seen(browser: headless.Browser, page: Path, width: int) -> Seen:
    found = squares(browser, page, width, page.with_name(f"{page.stem}-{width}.png"))
    share = unlike(found, Image.open(REFERENCE / f"{page.stem}-{width}.png").convert("L"))
    asked = ("sending", "planted", "wide") + ("undrawn",) * (width == WIDTHS[0])  # a telephone spares some charts
    wrong = [what for name in asked for what in browser.ask(f"looked.{name}()")]
    asked_for = [address for address in browser.requests() if address != page.resolve().as_uri()]
    return Seen(share, [*wrong, *browser.complaints(), *asked_for])


@pytest.mark.parametrize("width", WIDTHS)
def test_each_page_looks_as_it_did(browser: headless.Browser, drawn: list[Path], width: int) -> None:
    assert len(drawn) >= 7
    far = {page.name: seen(browser, page, width).unlike for page in drawn}
    told = {name: f"{share:.1%} of the squares differ" for name, share in far.items() if share > SHARE}
    assert told == {}, f"the pictures are in {drawn[0].parent}"


@pytest.mark.parametrize("width", WIDTHS)
def test_each_chart_is_drawn_and_nothing_sent_blocked_or_too_wide(
    browser: headless.Browser, drawn: list[Path], width: int
) -> None:
    """In the results that show most."""
    assert {page.name: wrong for page in drawn if (wrong := seen(browser, page, width).wrong)} == {}


@pytest.mark.parametrize("width", WIDTHS)
def test_columns_stand_under_their_ticks(browser: headless.Browser, drawn: list[Path], width: int) -> None:
    browser.open(next(p for p in drawn if p.name == "crowns.html"), width=width)
    middle = "e => { const r = e.getBoundingClientRect(); return r.left + r.width / 2; }"
    ticks = browser.ask(f"[...document.querySelectorAll('#c0-curves .xtick text')].map({middle})")
    columns = browser.ask(f"[...document.querySelectorAll('.under')[0].querySelectorAll('thead span')].map({middle})")
    assert len(ticks) == len(columns) == 8
    assert max(abs(a - b) for a, b in zip(ticks, columns, strict=True)) <= 1


def test_a_page_without_its_style_does_not_look_alike(
    browser: headless.Browser, drawn: list[Path], tmp_path: Path
) -> None:
    page = next(p for p in drawn if p.name == "index.html")
    bare = tmp_path / "bare.html"
    bare.write_text(page.read_text(encoding="utf-8").replace("<style>", "<style media='print'>", 1), encoding="utf-8")
    found = squares(browser, bare, 1280, tmp_path / "bare.png")
    assert unlike(found, Image.open(REFERENCE / "index-1280.png").convert("L")) > 2 * SHARE


def main() -> None:
    """Renew the squares, and write the pictures to be looked at."""
    REFERENCE.mkdir(exist_ok=True)
    out = Path(tempfile.mkdtemp(prefix="look-"))
    write_all(samples.differs(), out)
    with headless.Browser() as browser:
        for page in sorted(out.glob("*.html")):
            for width in WIDTHS:
                name = f"{page.stem}-{width}.png"
                squares(browser, page, width, out / name).save(REFERENCE / name, optimize=True)
    print(f"look at the pictures in {out}")


if __name__ == "__main__":
    main()
