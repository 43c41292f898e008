"""Pages can be read by everyone: axe, the keyboard, contrast, names, real tables, no JavaScript, a narrow window."""

from pathlib import Path

import headless
import pytest
from looking import LOOKED_AT, READ, WIDTHS, axe_says, look_at, visit, with_axe, wrong_with


@pytest.mark.parametrize("width", WIDTHS)
def test_axe_finds_nothing_serious_and_nothing_stands_out_at_the_side(
    browser: headless.Browser, pages: list[Path], width: int
) -> None:
    asked = ("wide", "axe") if with_axe(pages[0], width) else ("wide",)
    assert wrong_with([visit(browser, page, width) for page in pages], *asked) == []


def test_no_table_is_pushed_sideways_on_a_telephone(browser: headless.Browser, pages: list[Path]) -> None:
    """Closed parts are open; every cell of what became cards has the heading of its column before it."""
    assert wrong_with([visit(browser, page, WIDTHS[-1]) for page in pages], "sideways", "bare") == []


def test_no_table_of_a_practice_as_large_as_the_demo_is_pushed_sideways(
    browser: headless.Browser, large: list[Path]
) -> None:
    for page in large:
        look_at(browser, page, width=WIDTHS[-1])
        assert browser.ask("window.looked.sideways()") == [], page.name


@pytest.mark.slow
@pytest.mark.parametrize("width", WIDTHS)
def test_axe_finds_the_contrast_right_too(browser: headless.Browser, pages: list[Path], width: int) -> None:
    for page in pages:
        look_at(browser, page, width=width)
        assert axe_says(browser, contrast=True) == [], page.name


def test_axe_would_say_so(browser: headless.Browser, tmp_path: Path) -> None:
    page = tmp_path / "bad.html"
    page.write_text('<title>x</title><p style="color:#aaa">pale</p><button></button>', encoding="utf-8")
    look_at(browser, page)
    said = " ".join(axe_says(browser, contrast=True))
    assert all(rule in said for rule in ("html-has-lang", "color-contrast", "button-name"))
    assert "color-contrast" not in " ".join(axe_says(browser, contrast=False))


def test_every_letter_stands_out(browser: headless.Browser, pages: list[Path]) -> None:
    assert wrong_with([visit(browser, page) for page in pages], "contrast", "drawn_contrast") == []


def test_pages_are_built_in_order(browser: headless.Browser, pages: list[Path]) -> None:
    found = wrong_with([visit(browser, p) for p in pages], "structure", "tables", "charts", "words_of_charts")
    assert found == []


def test_what_is_out_of_order_is_noticed(browser: headless.Browser, tmp_path: Path) -> None:
    page = tmp_path / "bad.html"
    page.write_text(
        "<title></title><h1>A</h1><h3>B</h3><table><tr><td>1</table><svg></svg>"
        '<p style="color:#999">pale</p><figure><div class="chart" id="c"></div></figure><p style="width:2000px">w',
        encoding="utf-8",
    )
    browser.open(page)
    browser.ask(LOOKED_AT)
    told = {
        name: browser.ask(f"window.looked.{name}()") for name in ("contrast", "structure", "tables", "charts", "wide")
    }
    assert told["contrast"] == ['<p> "pale": contrast 2.85']
    assert {"no language", "no title", "0 of main", 'h1 is followed by <h3> "B"'} <= set(told["structure"])
    assert len(told["tables"]) == 3
    assert len(told["charts"]) == 4
    assert len(told["wide"]) == 2
    page.write_text(
        "<div class='wide' style='width:60px;overflow:auto'><table style='width:900px'><tr><td>1</table></div>"
    )
    look_at(browser, page, width=390)
    assert len(browser.ask("window.looked.sideways()")) == 2  # the table and its box


@pytest.mark.parametrize("width", [1280, 390])
def test_the_tab_key_reaches_every_control_and_leaves_it(
    browser: headless.Browser, ordinary: list[Path], width: int
) -> None:
    for page in ordinary:
        look_at(browser, page, width=width)
        controls = browser.ask("window.looked.controls()")
        browser.ask("window.met = []; document.addEventListener('focusin', () => met.push(window.looked.focus())); 0")
        for _ in range(controls + 1):  # one more: it leaves the page, or begins again
            browser.page.keyboard.press("Tab")
        met = browser.ask("met")
        if len(met) > controls:
            assert met.pop()["place"] == met[0]["place"], page.name
        assert [m["place"] for m in met] == [str(n + 1) for n in range(controls)], page.name
        assert [m["name"] for m in met if not m["ring"]] == [], f"{page.name}: no ring around the focus"
        assert [m["name"] for m in met if not m["there"]] == [], f"{page.name}: focus out of sight"


def test_what_is_folded_opens_by_the_keyboard(browser: headless.Browser, ordinary: list[Path]) -> None:
    folded = 0
    for page in ordinary:
        if "<summary" not in page.read_text(encoding="utf-8"):
            continue
        browser.open(page)
        for place in range(browser.ask("document.querySelectorAll('summary').length")):
            browser.ask("n => document.querySelectorAll('summary')[n].focus()", place)
            browser.page.keyboard.press("Enter")
            assert browser.ask("n => document.querySelectorAll('summary')[n].parentElement.open", place), page.name
            folded += 1
    assert folded


def test_a_page_without_scripts_says_the_same(browser: headless.Browser, pages: list[Path]) -> None:
    """Every sentence and every cell; charts are missing, and the page says where their figures are."""
    with headless.Browser(scripts=False) as plain:
        for page in pages:
            plain.open(page)
            plain.ask("document.querySelectorAll('details').forEach(part => { part.open = true; })")
            assert plain.ask(f"{READ}.map(e => e.innerText)") == visit(browser, page).read, page.name
            assert plain.ask("document.querySelectorAll('.main-svg, button:not([hidden], [hidden] *)').length") == 0
            if plain.page.query_selector(".chart"):
                told = plain.page.inner_text("noscript")
                assert "Every figure in them is also in a table or in the CSV" in told, page.name
