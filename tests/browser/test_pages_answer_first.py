"""Every page opens with its answers, stays short while its parts are closed, and says no sentence twice."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import headless
import pytest
from looking import glance

from dashboards.answers import FEWEST_WORDS, MOST_WORDS, sentences

WORD = re.compile(r"\S*\w\S*")
MOST_OPEN = 1800


def counted(text: str) -> int:
    return len(WORD.findall(text))


def said_twice(pieces: list[str]) -> list[str]:
    """Sentences of six words or more that stand there more than once."""
    found = Counter(s for piece in pieces for s in sentences(re.sub(r"\s+", " ", piece)) if counted(s) >= FEWEST_WORDS)
    return [s for s, n in found.items() if n > 1]


def test_a_page_opens_with_its_answers_above_the_fold(browser: headless.Browser, pages: list[Path]) -> None:
    for page in pages:
        answers = glance(browser, page).answers
        assert answers["given"] >= 1, page.name
        assert counted(answers["words"]) <= MOST_WORDS, page.name
        assert answers["charts"] <= 1, page.name
        assert answers["end"] <= 800, page.name
        assert answers["first"], page.name


def test_a_page_is_short_while_its_parts_are_closed(browser: headless.Browser, pages: list[Path]) -> None:
    for page in pages:
        assert counted(glance(browser, page).main) <= MOST_OPEN, page.name


def test_the_pages_of_a_practice_as_large_as_the_demo_are_short_and_say_nothing_twice(
    browser: headless.Browser, large: list[Path]
) -> None:
    for page in large:
        seen = glance(browser, page)
        assert counted(seen.main) <= MOST_OPEN, page.name
        assert counted(seen.answers["words"]) <= MOST_WORDS, page.name
        assert seen.answers["end"] <= 800, page.name
        assert said_twice(seen.said) == [], page.name


def test_no_sentence_stands_twice_on_a_page(browser: headless.Browser, ordinary: list[Path]) -> None:
    for page in ordinary:
        assert said_twice(glance(browser, page).said) == [], page.name


def test_the_contents_stay_in_sight_and_are_not_printed(browser: headless.Browser, ordinary: list[Path]) -> None:
    for page in ordinary:
        browser.open(page, width=1280, height=800)
        listed = browser.ask("document.querySelectorAll('.contents a').length")
        assert listed == browser.ask("document.querySelectorAll('#main h2').length") or listed == 0, page.name
        if not listed:
            continue
        browser.ask("window.scrollTo(0, document.documentElement.scrollHeight / 2)")
        top = browser.ask("document.querySelector('.contents').getBoundingClientRect().top")
        low = browser.ask("document.querySelector('.contents').getBoundingClientRect().bottom")
        assert -1 <= top < 800 or low > 0, page.name
        browser.page.emulate_media(media="print")
        assert not browser.ask("document.querySelector('.contents').checkVisibility()"), page.name


@pytest.mark.parametrize("width", [1280, 390])
def test_what_is_pressed_is_large_enough_for_a_finger(
    browser: headless.Browser, ordinary: list[Path], width: int
) -> None:
    """Menu, contents, closed parts and save buttons: 44 pixels high. Links inside a sentence need not be."""
    for page in ordinary:
        assert [says for says, high in glance(browser, page, width).pressed if high < 43.5] == [], page.name


def test_an_explained_word_says_what_it_means_on_focus(browser: headless.Browser, ordinary: list[Path]) -> None:
    page = next(p for p in ordinary if p.name == "crowns.html")
    with headless.Browser(scripts=False) as plain:
        plain.open(page)
        word = plain.page.locator("dfn").first
        word.focus()
        shown = "e => getComputedStyle(e, '::after').content"
        meaning = word.get_attribute("data-means")
        assert meaning
        assert meaning[:20] in word.evaluate(shown)
        place = word.get_attribute("aria-describedby")
        assert plain.page.locator(f"#{place}").text_content() == meaning


def test_a_dark_screen_is_honoured_and_paper_stays_light(browser: headless.Browser, ordinary: list[Path]) -> None:
    from looking import DRAWN, LOOKED_AT

    for page in ordinary:
        browser.page.emulate_media(color_scheme="dark")
        try:
            browser.page.goto(page.resolve().as_uri(), wait_until="load")
            browser.ask(DRAWN)
            browser.ask(LOOKED_AT)
            assert browser.ask("window.looked.contrast()") == [], page.name
            paper = "getComputedStyle(document.body).backgroundColor"
            assert browser.ask(paper) == "rgb(20, 26, 28)", page.name
            browser.page.emulate_media(media="print", color_scheme="dark")
            assert browser.ask(paper) == "rgb(255, 255, 255)", page.name
        finally:
            browser.page.emulate_media(media="screen", color_scheme="light")


def test_a_sentence_said_twice_is_noticed() -> None:
    twice = "These six words stand here twice."
    assert said_twice([f"{twice} Another one of six or more.", twice]) == [twice]
    assert said_twice(["See above.", "See above."]) == []
