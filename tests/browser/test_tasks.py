"""Each question that a reader comes with is answered within 150 words and two clicks of the front page.

A reader sees a page from the top: its heading and the answers that it opens with. Banner and list of contents are not
read, and the menu only by who takes it: `menu: ` before a link. Of the front page the reader reads as far as the line
that asks the question, on the page behind it as far as the words that answer it. A task is a line of `TASKS`.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass
from pathlib import Path

import headless
import pytest
from looking import glance

WIDTHS = (1280, 390)
MOST_WORDS, MOST_CLICKS = 150, 2
WORD = re.compile(r"\S*\w\S*")


@dataclass(frozen=True)
class Task:
    """Who asks what; the links to follow, by what they say; and what answers it, a pattern of the words of the page."""

    who: str
    asks: str
    clicks: tuple[str, ...]
    answer: str


TASKS = (
    Task("owner", "are we good?", (), r"\d+ of 100 crowns still in place after 5 years \(\d+ to \d+\)"),
    Task("owner", "are we getting worse?", (),
         r"Getting worse\?\s+((Little difference|Better|Worse|Cannot tell yet)\s+lately|"
         r"(Little difference|Better|Worse|Cannot tell)\s+for )"),
    Task("owner", "which of them?", ("Getting worse?",),
         r"(?i)(little difference|better|worse|cannot tell)(\s| yet\s+| for )[^.]*, lately against the 3 years before"),
    Task("owner", "what on Monday?", ("What on Monday?",),
         r"(?s)What on Monday\?\s+"
         r"(Look at \d+ failures? behind|Review \d+ root canals? due|Mend \d+ rows?|Ask about \d+ )"),
    Task("owner", "how far can I trust it?", ("What can be trusted?",), r"(Firm|Fair|Thin)\s+(for all|at worst): "),
    Task("owner", "what can be trusted?", (), r"(Firm|Fair|Thin)\s+for (all|\d+ of \d+) rates"),
    Task("clinician", "does opening a crown shorten its life?", ("Opening a crown, or treating before?",),
         r"Of 100 crowns, .*?(more|fewer|as many).*? with root canal through the crown than with"),
    Task("clinician", "hyperemic: before or after?", ("Hyperemic: treat or wait?",),
         r"(?s)The crown\s.*The tooth\s.*With waiting (perhaps )?\d+ of 100"),
    Task("clinician", "which technique differs?", ("menu: Technique",),
         r"\w+ of \d+ comparisons shows? a clear difference"),
    Task("clinician", "my own cases?", ("menu: My cases",),
         r"AR1\s+Crowns \d+ of 100(, root-filled teeth \d+, root canals \d+|; too few )"),
    Task("clinician", "are my figures chance?", ("menu: My cases",), r"AR1\s+Crowns [^.]*\bwithin chance"),
    Task("clinician", "what is spared by waiting?", ("Hyperemic: treat or wait?",),
         r"With waiting \d+ of 100 (teeth )?had no root canal (here )?for 5 years(; with those[^.]*)? \(\d+ to \d+\)"),
    Task("clinician", "how strong an irrigant?", ("menu: Technique",),
         r"Irrigant strength\?\s+([^?]* of 100 (teeth )?lost; risks not recorded|Risks not|Counted|Too early|Too few)"),
    Task("clinician", "how sure?", ("Opening a crown, or treating before?",),
         r"How sure is this\?.*?Chance did not choose the treatment: other things may explain it"),
    Task("clinician", "what is open?", ("menu: Still open",),
         r"\d+ of \d+ questions (is|are) open\.(?s:.*)at the present pace"),
    Task("clinician", "a crown after a root canal?", (),
         r"Teeth kept, crowned or not\?\s(?s:.*?)Of 100 crowned, (\d+ (fewer|more)|as many) were lost"),
    Task("clinician", "the margin of the crown?", ("menu: Technique",),
         r"Margin\?\s+(Little difference|Cannot tell yet|Differs|Counted only|Too early|Too few)"),
    Task("clinician", "is an irrigant activated?", ("menu: Technique",),
         r"Irrigant activated\?\s+(Little difference|Cannot tell yet|Differs|Counted only|Too early|Too few)"),
    Task("clinician", "a single file or a sequence?", ("menu: Technique",),
         r"One file instead of several\?\s(?s:.*?)([Oo]f 100 teeth, |Each clinician mostly works one way|Too few )"),
    Task("speaker", "slides, appendix and handout?", ("menu: Study club (shared)",),
         r"To take along: the slides, their appendix and the handout"),
    Task("speaker", "a talk for 20 minutes?", ("menu: Study club (shared)",),
         r"The talk\s+\d+ slides for 20 minutes, their words in the notes"),
    Task("speaker", "my headline, and how sure?", ("menu: Study club (shared)",),
         r"(Cannot tell yet|Differs|Little difference|Depends|Too few to be shown)[^.]*?"
         r"(failures? per 100|in these records|smaller than \d+ per 100|to be shown|how we count)"),
    Task("speaker", "what will they ask?", ("menu: Study club (shared)",),
         r"They will ask: [^?]+\? The last notes answer"),
    Task("clinician", "does the tooth last longer if it is treated first?",
         ("Hyperemic: treat or wait?",),
         r"The tooth\s+(Little difference|Cannot tell yet|Differs in these records|Too early to compare)"),
    Task("clinician", "a separated file left?", ("menu: Technique",),
         r"A separated file left\?\s(?s:.*?)(against no separated|Too few: \d+ of \d+ lost; taken|Too few such)"),
)  # fmt: skip


def walk(browser: headless.Browser, folder: Path, task: Task, width: int) -> tuple[int, int]:
    """Words read and clicks made until the answer; fails where a link or the answer is not to be found."""
    page, read = folder / "index.html", 0
    for says in task.clicks:
        seen = glance(browser, page, width)
        if says.startswith("menu: "):  # the whole menu is read for it
            read += len(WORD.findall(seen.menu))
            page = folder / seen.menu_links[says[6:]]
            continue
        link = next((found for found in seen.open["links"] if found["says"] == says), None)
        assert link is not None, f"{page.name} has no open link that says {says!r}"
        read += len(WORD.findall(seen.open["text"][: link["at"]])) + len(WORD.findall(says))
        page = folder / link["href"].partition("#")[0]
    text = glance(browser, page, width).open["text"]
    found = re.search(task.answer, text)
    assert found is not None, f"{page.name} does not answer {task.asks!r}: {text[:600]}"
    return read + len(WORD.findall(text[: found.end()])), len(task.clicks)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("task", TASKS, ids=lambda t: f"{t.who}: {t.asks}")
def test_a_question_is_answered_soon(
    browser: headless.Browser, written: dict[str, Path], task: Task, width: int
) -> None:
    read, clicks = walk(browser, written["ordinary"], task, width)
    assert clicks <= MOST_CLICKS
    assert read <= MOST_WORDS, f"{read} words until the answer"


@pytest.mark.parametrize("width", WIDTHS)
def test_each_question_is_answered_soon_in_a_practice_as_large_as_the_demo(
    browser: headless.Browser, large: list[Path], width: int
) -> None:
    walked = {task.asks: walk(browser, large[0].parent, task, width) for task in TASKS}
    assert {asks: w for asks, w in walked.items() if w[0] > MOST_WORDS or w[1] > MOST_CLICKS} == {}


def test_a_link_leads_to_what_it_names_and_opens_it(browser: headless.Browser, written: dict[str, Path]) -> None:
    """Without a line of script: following a link to a closed part opens it and brings it into sight."""
    page = written["ordinary"] / "techniques.html"
    with headless.Browser(scripts=False) as plain:
        plain.open(page)
        link = plain.page.locator(".forest .of a").first
        place = link.get_attribute("href")
        assert place is not None
        assert not plain.page.locator(place).is_visible()
        link.click()
        assert plain.page.locator(place).is_visible()
        box = plain.page.locator(place).bounding_box()
        assert box is not None
        assert 0 <= box["y"] < 900


def test_every_link_of_a_page_leads_somewhere(browser: headless.Browser, pages: list[Path]) -> None:
    """Each address inside the pages exists, but for the owner's sections, which have tests of their own."""
    made = {page.name: page.read_text(encoding="utf-8") for page in pages}
    ids = {name: set(re.findall(r'\bid="([^"]+)"', text)) for name, text in made.items()}
    lost = []
    for name, text in made.items():
        for file, place in re.findall(r'href="([\w.]*?\.html)?#([\w-]+)"', text):
            if file != "owner.html" and place not in ids.get(file or name, set()):
                lost.append(f"{name}: {file}#{place}")
    assert lost == []


def test_a_task_without_an_answer_is_noticed(browser: headless.Browser, written: dict[str, Path]) -> None:
    with pytest.raises(AssertionError, match="does not answer"):
        walk(browser, written["ordinary"], Task("x", "nonsense", (), r"42 of 42 unicorns"), 1280)
    with pytest.raises(AssertionError, match="no open link"):
        walk(browser, written["ordinary"], Task("x", "nonsense", ("No such link",), "."), 1280)


def test_the_forest_keeps_its_scale_and_its_verdicts_on_a_telephone(
    browser: headless.Browser, written: dict[str, Path]
) -> None:
    """Scrolled to its last row: the ticks are still in sight and apart, and each row's verdict lies on the screen."""
    browser.open(written["ordinary"] / "techniques.html", width=390)
    browser.ask("[...document.querySelectorAll('.forest')][0].querySelector('tbody:last-of-type').scrollIntoView()")
    boxes = """selector => [...document.querySelector(".forest").querySelectorAll(selector)].map(e => {
      const b = e.getBoundingClientRect(); return [b.left, b.right, b.top, b.bottom] })"""
    ticks = sorted(browser.ask(boxes, ".ticks span"))
    assert len(ticks) >= 3
    assert all(0 <= top < bottom <= 60 for _, _, top, bottom in ticks)
    assert all(one[1] + 4 <= other[0] for one, other in itertools.pairwise(ticks))
    chips = browser.ask(boxes, "tbody .chip")
    assert len(chips) > 5
    assert all(0 <= left < right <= 390 for left, right, *_ in chips)
