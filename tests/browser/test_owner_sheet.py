"""The owner's page in a browser: its sheet is one side of A4, its choosers work, no script is needed."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import headless
import pytest
import sample_results as samples
from looking import look_at

from dashboards.pages import owner_filters
from dashboards.write import write_all

MADE = samples.differs()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("owner")
    write_all(MADE, out)
    return out / "owner.html"


def pages_of(pdf: Path) -> list[str]:
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, check=True, text=True).stdout
    return text.split("\f")


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs pdftotext of poppler-utils")
def test_the_sheet_is_one_side_of_a4(
    browser: headless.Browser, written: dict[str, Path], page: Path, tmp_path: Path
) -> None:
    for number, file in enumerate((page, *(folder / "owner.html" for folder in written.values()))):
        if 'class="sheet"' not in file.read_text(encoding="utf-8"):
            continue
        look_at(browser, file)
        pdf = tmp_path / f"{number}.pdf"
        browser.pdf(pdf)
        size = subprocess.run(["pdfinfo", pdf], capture_output=True, check=True, text=True).stdout
        assert re.search(r"Page size:\s+59[45]\.?\d* x 84[12]", size), size
        first, second = pages_of(pdf)[:2]
        flat = re.sub(r"\s+", " ", first)
        for said in ("Are we good", "Are we getting worse", "Monday", "What can we trust", "A grade is the worst"):
            assert said in flat, (file, said)
        assert "Early failures" not in flat
        assert "no advice for a patient" in flat
        for drawn in browser.ask("[...document.querySelectorAll('.answers .ytick text')].map(e => e.textContent)"):
            assert drawn in flat, (file, drawn)
        assert "Early failures" in re.sub(r"\s+", " ", second)


def choose(browser: headless.Browser, name: str, place: int) -> None:
    browser.page.select_option(f"#choose-form select[name={name}]", str(place))


@pytest.mark.parametrize("width", [1280, 390])
def test_a_choice_shows_its_own_figures(browser: headless.Browser, page: Path, width: int) -> None:
    look_at(browser, page, width=width)
    filters = MADE.owner.filters
    assert filters is not None
    assert browser.ask("document.getElementById('choose-form').hidden") is False
    for outcome, clinician, group in ((0, 2, 0), (1, 1, 1), (0, 1, 2)):
        choose(browser, "outcome", outcome)
        choose(browser, "provider_id", clinician)
        choose(browser, "tooth_group", group)
        name = ("crown_survival", "endo_tooth_survival")[outcome]
        part = next(p for p in filters.parts if (p.outcome, p.chosen) == (name, (clinician, group)))
        assert browser.ask("document.getElementById('choose-said').textContent") == owner_filters.said(part, filters)
        cells = "r => [...r.cells].map(c => c.textContent)"
        told = browser.ask(f"[...document.querySelectorAll('#choose-table tbody tr')].map({cells})")
        assert [tuple(row) for row in told] == list(owner_filters.table_of(part, filters).rows)
        drawn = browser.ask("document.getElementById('filtered').data.map(d => d.y)")
        assert drawn[2] == pytest.approx([0, *(100 * (1 - s) for s in part.survival)], abs=0.006)
    assert browser.complaints() == []


def test_the_choosers_are_not_printed(browser: headless.Browser, page: Path) -> None:
    look_at(browser, page)
    assert browser.page.is_visible("#choose-form")
    browser.page.emulate_media(media="print")
    assert not browser.page.is_visible("#choose-form")
    assert browser.page.is_visible("#choose-said")
    browser.page.emulate_media(media="screen")


def test_too_few_teeth_have_no_figure(browser: headless.Browser, page: Path) -> None:
    look_at(browser, page)
    choose(browser, "provider_id", 6)
    choose(browser, "tooth_group", 2)
    assert browser.ask("document.getElementById('choose-said').textContent") == (
        "Fewer than 11 such teeth: nothing is shown of so few."
    )
    assert browser.ask("document.querySelectorAll('#choose-table tbody tr').length") == 0
    assert browser.ask("document.getElementById('filtered').data.slice(0, 3).every(d => d.y.length === 0)")


def test_the_choosers_work_by_keyboard(browser: headless.Browser, page: Path) -> None:
    look_at(browser, page)
    browser.page.focus("#choose-form select[name=provider_id]")
    before = browser.ask("document.getElementById('choose-said').textContent")
    browser.page.keyboard.press("ArrowDown")
    assert browser.ask("document.getElementById('choose-said').textContent") != before


def test_without_scripts_the_sheet_and_the_figures_of_all_stand(page: Path) -> None:
    with headless.Browser(scripts=False) as plain:
        plain.open(page)
        assert plain.page.is_visible("#good")
        assert not plain.page.is_visible("#choose-form")
        assert plain.page.is_visible("#choose-said")
