"""Pages keep to themselves: nothing asked for, nothing blocked, nothing to send with, hostile text shown as text."""

import html
import re
from pathlib import Path

import headless
import practices_drawn
import pytest
from looking import LOOKED_AT, visit, wrong_with

# What may leave the practice; every other page is for the inside.
SHARED = {"study_club.html", "study_club_handout.html"}


def test_nothing_is_asked_for_and_nothing_blocked(browser: headless.Browser, pages: list[Path]) -> None:
    for page in pages:
        seen = visit(browser, page)
        assert seen.asked_for == [page.resolve().as_uri()], page.name
        assert seen.complaints == [], page.name


def test_the_policy_allows_no_more_than_it_must(pages: list[Path]) -> None:
    for page in pages:
        written = page.read_text(encoding="utf-8")
        found = re.findall(r'<meta http-equiv="Content-Security-Policy" content="([^"]+)">', written)
        assert len(found) == 1, page.name
        assert written.index(found[0]) < written.index("<style")
        policy = html.unescape(found[0])
        rules = {rule.split()[0]: rule.split()[1:] for rule in policy.split(";")}
        none = ["'none'"]
        assert rules["default-src"] == rules["connect-src"] == rules["form-action"] == rules["base-uri"] == none
        assert all(re.fullmatch(r"'(none|sha256-[\w+/=]{44})'", s) for s in rules["script-src"]), page.name
        assert "unsafe-eval" not in policy
        assert [name for name, allowed in rules.items() if "'unsafe-inline'" in allowed] == ["style-src"]


def test_every_chart_is_drawn_and_no_way_to_send_it(browser: headless.Browser, pages: list[Path]) -> None:
    assert wrong_with([visit(browser, page) for page in pages], "sending", "undrawn") == []


def test_texts_of_the_practice_are_only_texts(browser: headless.Browser, pages: list[Path]) -> None:
    assert wrong_with([visit(browser, page) for page in pages], "planted") == []


def test_hostile_texts_are_shown_letter_by_letter(browser: headless.Browser, written: dict[str, Path]) -> None:
    """Each is on some page of the inside, as written; on a shared page stands no text of the practice's own."""
    shown = {page.name: visit(browser, page).text for page in sorted(written["hostile"].glob("*.html"))}
    for text in practices_drawn.HOSTILE:
        assert any(text in words for name, words in shown.items() if name not in SHARED), text


def test_inside_and_shared_pages_say_which_they_are(browser: headless.Browser, pages: list[Path]) -> None:
    for page in pages:
        seen = visit(browser, page)
        kind = "shared" if page.name in SHARED else "inside"
        assert seen.kind == kind, page.name
        assert seen.banner.startswith("shared" if kind == "shared" else "inside only"), page.name
        assert seen.banner_top < 60
        assert ("do not send it on" in seen.banner) == (kind == "inside")


def test_a_page_that_misbehaves_is_noticed(browser: headless.Browser, tmp_path: Path) -> None:
    page = tmp_path / "bad.html"
    page.write_text(
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'"><title>x</title>'
        '<body><script>window.ran = 1</script><img src="x.png" onerror="1"><form></form>'
        '<a href="https://example.org/">Upload</a><p autofocus>text</p>',
        encoding="utf-8",
    )
    browser.open(page)
    assert len(browser.complaints()) >= 3
    browser.ask(LOOKED_AT)
    assert len(browser.ask("window.looked.sending()")) == 3
    assert len(browser.ask("window.looked.planted()")) == 2
    page.write_text('<link rel="stylesheet" href="other.css">', encoding="utf-8")
    browser.open(page)
    assert len(browser.requests()) == 2


@pytest.mark.parametrize("text", practices_drawn.HOSTILE)
def test_hostile_texts_are_hostile(browser: headless.Browser, tmp_path: Path, text: str) -> None:
    """Written into a page as they are, those that hold markup change it; the others change how it reads."""
    page = tmp_path / "raw.html"
    page.write_text(f"<title>x</title><body><p title=\"{text}\" class='{text}'>{text}</p>", encoding="utf-8")
    browser.open(page)
    as_text = browser.ask("document.body.textContent") == text
    assert not as_text or not text.isascii() or not re.search("[<&]", text)
