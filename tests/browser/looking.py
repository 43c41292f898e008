"""Open a page as someone does who reads all of it, and ask it everything that is to be known, once a page and width."""

from __future__ import annotations

import functools
import importlib.resources
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import headless

from tests.made_once import made_once_in

LOOKED_AT = (Path(__file__).parent / "looked_at.js").read_text(encoding="utf-8")
WIDTHS = (1280, 820, 390)
# What axe asks of names, roles and order hangs on what stands on a page, little on its width: there the pages of one
# practice are enough. `make slow` asks all at each.
AXE_EVERYWHERE, AXE_ON_A_TELEPHONE = WIDTHS[0], "ordinary"
PAPER = 688  # CSS pixels between the margins of an A4 page
DRAWN = """new Promise(done => {
  document.querySelectorAll("details").forEach(part => { part.open = true; });
  requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 20)));
})"""
PIECES = "p, li, td, th, h1, h2, h3, h4, dt, dd, caption, figcaption"
READ = f"[...document.querySelectorAll('{PIECES}')].filter(e => !e.closest('.chart, noscript, .take'))"
# The open text of a page in the order of reading, and the links in it: what a reader can click after that many letters.
OPEN_TEXT = """(() => {
  const main = document.getElementById("main"), skip = ".contents, noscript, .take, .chart, .words";
  const walker = document.createTreeWalker(main, NodeFilter.SHOW_TEXT), links = [];
  let text = document.querySelector("h1").innerText + "\\n";
  for (let n = walker.nextNode(); n; n = walker.nextNode()) {
    const e = n.parentElement;
    if (e.closest(skip) || !e.checkVisibility({ contentVisibilityAuto: true })) continue;
    const met = links.some(l => l.node === e), href = e.getAttribute("href");
    if (e.tagName === "A" && !met) links.push({ node: e, at: text.length, href, says: e.innerText });
    text += n.textContent.replace(/\\s+/g, " ");
  }
  return { text, links: links.map(({ at, href, says }) => ({ at, href, says })) };
})()"""
GLANCED = f"""(() => {{
  const answers = document.querySelector(".answers"), given = answers && answers.querySelector(".given");
  const main = document.getElementById("main"), menu = document.querySelector("nav");
  return {{
    open: {OPEN_TEXT}, main: main.innerText, menu: menu ? menu.innerText : "",
    menu_links: Object.fromEntries(
      [...document.querySelectorAll("nav a")].map(a => [a.innerText, a.getAttribute("href")])),
    answers: answers && {{ words: given.innerText, end: answers.getBoundingClientRect().bottom,
      charts: answers.querySelectorAll(".chart").length, given: given.children.length,
      first: Boolean(answers.compareDocumentPosition(document.querySelector("h2")) & 4) }},
    pressed: [...document.querySelectorAll("nav a, .contents a, summary, .take a, .take button")]
      .filter(e => e.getClientRects().length).map(e => [e.innerText, e.getBoundingClientRect().height]),
  }};
}})()"""
# Each sentence of a page with its closed parts open, where what is said twice would be told.
OPEN_ALL = "document.querySelectorAll('details').forEach(part => { part.open = true; })"
SAID = """[...document.querySelectorAll("#main p, #main li, #main dd, #main figcaption")]
  .filter(e => !e.closest(".take, noscript, .contents, .words, .flow, .legend, .methods, .files, .says, #references"))
  .filter(e => !e.querySelector("p, li, dd"))
  .map(e => e.matches(".told dd") ? `${e.previousElementSibling.innerText}: ${e.innerText}` : e.innerText)"""
ON_THE_SCREEN = ("wide",)
ON_A_TELEPHONE = ("sideways", "bare")
ONCE = (
    "contrast", "drawn_contrast", "structure", "tables", "charts", "words_of_charts", "undrawn", "sending", "planted",
)  # fmt: skip
# A chart is an image with a name, and what is inside an image is not read out: it is taken away, or axe would walk
# thousands of paths. Contrast, at which axe takes ten seconds a page, is computed by `looked_at.js` in a tenth of it.
AXE = """(async () => {
  document.querySelectorAll(".chart").forEach(chart => chart.replaceChildren());
  const found = await axe.run(document, { resultTypes: ["violations"], rules: RULES });
  const words = r => r.nodes.slice(0, 3).map(n => `${r.id} (${r.impact}): ${n.target} ${n.html.slice(0, 120)}`);
  const bad = r => ["serious", "critical"].includes(r.impact);
  return [...found.violations.filter(bad).flatMap(words), ...(found.passes.length < 10 ? ["axe hardly ran"] : [])];
})()"""


@dataclass(frozen=True)
class Visit:
    """What one look at a page at one width found; `wrong` by the question asked."""

    page: Path
    width: int
    asked_for: list[str]
    complaints: list[str]
    wrong: dict[str, list[str]]
    title: str
    kind: str  # the class of the body
    banner: str
    banner_top: float
    text: str
    read: list[str]  # each piece of text outside the charts


@dataclass(frozen=True)
class Glance:
    """What a reader meets who opens a page in a window 800 pixels high and clicks nothing."""

    open: dict[str, Any]  # its text in the order of reading, and the links in it
    main: str
    menu: str
    menu_links: dict[str, str]  # where each leads, by what it says
    answers: dict[str, Any]  # their words and pieces, how far down they end, their charts, whether they come first
    pressed: list[tuple[str, float]]  # what can be pressed, and how high it is
    said: list[str]  # with all closed parts opened, each piece of text in which no sentence may stand twice


def look_at(browser: headless.Browser, page: Path, *, width: int = 1280) -> None:
    """Open a page at a width, unfold what is folded, and wait until it is drawn."""
    browser.open(page, width=width)
    browser.ask(DRAWN)
    browser.ask(LOOKED_AT)


@functools.cache
def visit(browser: headless.Browser, page: Path, width: int = 1280) -> Visit:
    """Look at a page once a run, whichever worker does, and keep what was found; the widest look asks most."""
    return made_once_in(page.parent, f"{page.name}-at-{width}", lambda: _visited(browser, page, width))


@functools.cache
def glance(browser: headless.Browser, page: Path, width: int = 1280) -> Glance:
    """Open a page as it first stands, once a run."""

    def glanced() -> Glance:
        browser.open(page, width=width, height=800)
        seen = browser.ask(GLANCED)
        browser.ask(OPEN_ALL)
        return Glance(**seen, said=browser.ask(SAID))

    return made_once_in(page.parent, f"{page.name}-first-at-{width}", glanced)


def _visited(browser: headless.Browser, page: Path, width: int) -> Visit:
    look_at(browser, page, width=width)
    asked = ON_THE_SCREEN + {WIDTHS[0]: ONCE, WIDTHS[-1]: ON_A_TELEPHONE}.get(width, ())
    wrong = {name: browser.ask(f"window.looked.{name}()") for name in asked}
    seen = browser.ask(
        f"""({{ title: document.title, kind: document.body.className, text: document.body.textContent,
        banner: document.querySelector("body > .banner").innerText.toLowerCase(),
        banner_top: document.querySelector("body > .banner").getBoundingClientRect().top,
        read: {READ}.map(e => e.innerText) }})"""
    )
    asked_for, complaints = browser.requests(), browser.complaints()  # before axe, for which charts are torn out
    if with_axe(page, width):
        wrong["axe"] = axe_says(browser, contrast=False)
    return Visit(page, width, asked_for, complaints, wrong, **seen)


def with_axe(page: Path, width: int) -> bool:
    """Whether axe looks at a page at this width."""
    return width == AXE_EVERYWHERE or (width == WIDTHS[-1] and page.parent.name == AXE_ON_A_TELEPHONE)


def axe_says(browser: headless.Browser, *, contrast: bool) -> list[str]:
    """Serious and critical findings of axe on the page that is open, whose charts it takes away."""
    browser.ask(f"{_axe()}; 0")
    rules = "{}" if contrast else '{ "color-contrast": { enabled: false } }'
    found: list[str] = browser.ask(AXE.replace("RULES", rules))
    return found


def wrong_with(visits: Iterable[Visit], *asked: str) -> list[str]:
    """What is wrong on these pages, each with the page's name."""
    return [f"{v.page.name} at {v.width}: {name}: {what}" for v in visits for name in asked for what in v.wrong[name]]


@functools.cache
def _axe() -> str:
    return importlib.resources.files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
