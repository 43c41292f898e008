"""A headless Chromium for the tests that need a real browser: Playwright drives the one that the machine has.

One browser a process, started at the first need; each `Browser` is a fresh window of it, with nothing remembered. It
sees one family of fonts, that which matplotlib brings along, so that a page is as wide and as high on every machine.
"""

from __future__ import annotations

import atexit
import functools
import importlib.util
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
if importlib.util.find_spec("playwright") is None:
    CHROMIUM = None  # without its driver the browser is of no use here
if CHROMIUM is None and os.environ.get("CI"):
    raise RuntimeError("CI looks at every page in Chromium; install it, and Playwright to drive it.")
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
# A breach of the policy is told to the page; kept here so that none is missed for want of a line in the console.
_BREACHES = """
window.breaches = [];
document.addEventListener(
  "securitypolicyviolation", e => window.breaches.push(e.violatedDirective + " " + e.blockedURI)
);
"""
_ALIAS = "<alias><family>{asked}</family><prefer><family>{given}</family></prefer></alias>"
_GIVEN = {
    "sans-serif": "DejaVu Sans",
    "serif": "DejaVu Serif",
    "monospace": "DejaVu Sans Mono",
    "Georgia": "DejaVu Serif",
}


@functools.cache
def _fonts() -> Path:
    """A settings file that names the fonts the browser may see; told by FONTCONFIG_FILE, where fontconfig is in use."""
    folder = Path(tempfile.mkdtemp(prefix="fonts-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    place = importlib.util.find_spec("matplotlib")
    assert place is not None, "lifelines needs matplotlib"
    assert place.origin is not None
    for font in (Path(place.origin).parent / "mpl-data" / "fonts" / "ttf").glob("DejaVu*.ttf"):
        (folder / "seen").mkdir(exist_ok=True)
        shutil.copy(font, folder / "seen")
    aliases = "".join(_ALIAS.format(asked=asked, given=given) for asked, given in _GIVEN.items())
    text = f"<fontconfig><dir>{folder / 'seen'}</dir><cachedir>{folder / 'cache'}</cachedir>{aliases}</fontconfig>"
    (folder / "fonts.conf").write_text(f'<?xml version="1.0"?>{text}', encoding="utf-8")
    return folder / "fonts.conf"


@functools.cache
def _chromium() -> Any:
    from playwright.sync_api import sync_playwright

    driver = sync_playwright().start()
    browser = driver.chromium.launch(
        executable_path=CHROMIUM, args=list(FLAGS), env={**os.environ, "FONTCONFIG_FILE": str(_fonts())}
    )
    atexit.register(driver.stop)
    atexit.register(browser.close)
    return browser


class Browser:
    """One window with one page; use as a context manager. `scripts=False` is a browser with JavaScript turned off."""

    def __init__(self, *, scripts: bool = True, timeout: float = 40.0) -> None:
        self._context = _chromium().new_context(java_script_enabled=scripts, accept_downloads=True)
        self._context.set_default_timeout(timeout * 1000)
        self._context.add_init_script(_BREACHES)
        self.page = self._context.new_page()
        self._scripts = scripts
        self._asked: list[str] = []
        self._said: list[str] = []
        self.page.on("request", lambda request: self._asked.append(request.url))
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda error: self._said.append(str(error)[:400]))

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self._context.close()

    def open(self, page: Path, *, width: int = 1280, height: int = 900) -> None:
        """Load a file afresh at a width, for the screen; what former pages asked for is forgotten."""
        self.page.emulate_media(media="screen")
        self.page.set_viewport_size({"width": width, "height": height})
        self._asked.clear()
        self._said.clear()
        self.page.goto(page.resolve().as_uri(), wait_until="load")

    def unfold(self) -> None:
        """Open every closed part, and wait until what was in it is drawn."""
        self.ask(
            "new Promise(done => { document.querySelectorAll('details').forEach(part => { part.open = true; });"
            "requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 20))); })"
        )

    def ask(self, expression: str, argument: Any = None) -> Any:
        """The value of a JavaScript expression, or of a function of `argument`, in the page."""
        return self.page.evaluate(expression, argument)

    def requests(self) -> list[str]:
        """Addresses that the page asked for since it was opened."""
        return list(self._asked)

    def complaints(self) -> list[str]:
        """Errors of scripts, and breaches of the content security policy, since the page was opened."""
        return self._said + (self.ask("window.breaches") if self._scripts else [])

    def screenshot(self, path: Path, *, whole: bool = True) -> None:
        """A PNG of the page, whole or only what the window shows."""
        self.page.screenshot(path=path, full_page=whole)

    def pdf(self, path: Path) -> None:
        """The page as printed on the paper that its style asks for."""
        self.page.emulate_media(media="print")
        self.page.pdf(path=path, prefer_css_page_size=True, print_background=False)

    def _hear(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self._said.append(message.text[:400])
