"""The first screen of each page looks as it did when a person last looked at it, in coarse squares.

A square is 16 pixels wide, so that another cut of letters does not matter and a lost chart, a missing rule or a column
out of place does. After a change that is meant: `python tests/browser/test_pages_look.py`, look at the pictures that it
writes beside the squares, and commit the squares.
"""

from __future__ import annotations

import sys
import tempfile
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


@pytest.mark.parametrize("width", WIDTHS)
def test_each_page_looks_as_it_did(browser: headless.Browser, drawn: list[Path], tmp_path: Path, width: int) -> None:
    assert len(drawn) >= 7
    far = {}
    for page in drawn:
        found = squares(browser, page, width, tmp_path / f"{page.stem}.png")
        share = unlike(found, Image.open(REFERENCE / f"{page.stem}-{width}.png").convert("L"))
        if share > SHARE:
            far[page.name] = f"{share:.1%} of the squares differ; the picture is {tmp_path / page.stem}.png"
    assert far == {}


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
