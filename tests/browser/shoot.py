"""Pictures of every page, to be looked at: `python tests/browser/shoot.py PAGES OUT` (half a minute).

PAGES is a folder that `toothyears run` or `toothyears demo` wrote. OUT takes a PNG of each page at three widths, cut
into sheets no higher than can be read at a glance, and each sheet of paper of the page's print.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dashboards"))

import headless
from looking import WIDTHS, look_at

SHEET = 2400  # CSS pixels of a page on one picture


def main(pages: Path, out: Path) -> None:
    out.mkdir(parents=True, exist_ok=True)
    with headless.Browser() as browser:
        for page in sorted(pages.glob("*.html")):
            for width in WIDTHS:
                look_at(browser, page, width=width)
                high = browser.ask("document.documentElement.scrollHeight")
                browser.page.set_viewport_size({"width": width, "height": min(SHEET, high)})
                for n, top in enumerate(range(0, high, SHEET), 1):
                    browser.ask("top => window.scrollTo(0, top)", top)
                    browser.screenshot(out / f"{page.stem}-{width}-{n:02}.png", whole=False)
            look_at(browser, page)
            browser.pdf(out / f"{page.stem}.pdf")
            if shutil.which("pdftoppm"):
                command = ["pdftoppm", "-r", "60", "-png", out / f"{page.stem}.pdf", out / f"{page.stem}-paper"]
                subprocess.run(command, check=True)
            print(page.name)


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    main(Path(sys.argv[1]), Path(sys.argv[2]))
