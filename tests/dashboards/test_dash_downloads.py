"""What a page lets one save: the data of each chart as CSV, and pictures of it, in a real browser under its policy."""

import csv
import dataclasses
import io
import re
import struct
from collections import Counter
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from urllib.parse import unquote

import headless
import pytest
import sample_results as samples

from dashboards import downloads, theme
from dashboards.downloads import Sheet
from dashboards.drawing import Drawing
from dashboards.pages import crowns, hyperemic, index, my_cases, root_canals, study_club
from dashboards.release.released import release
from dashboards.write import write_all
from pipeline.results import Results

CSV = re.compile(r'<a download="([^"]*)" href="data:text/csv;charset=utf-8,([^"]*)"')


def _files(page: str) -> dict[str, list[list[str]]]:
    """The CSV files of a page, read as a spreadsheet would."""
    return {
        name: list(csv.reader(io.StringIO(unquote(unescape(text)).removeprefix("\ufeff"))))
        for name, text in CSV.findall(page)
    }


def test_a_sheet_becomes_an_address_and_comes_back() -> None:
    sheet = Sheet(("group", "of 100"), (("a, “b” <c> & 50 % #1", 1.25), ("none", None), ("nan", float("nan"))))
    address = downloads.data_address(sheet)
    assert not set(address) & set('"<>&#\n')
    text = unquote(address.removeprefix("data:text/csv;charset=utf-8,"))
    assert text == '\ufeff"group","of 100"\n"a, “b” <c> & 50 % #1","1.25"\n"none",""\n"nan",""\n'


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@A1", "\t=1", "\r=1", " =1", "|cmd", "%0", "＝1"])
def test_a_text_that_a_spreadsheet_would_run_is_disarmed(text: str) -> None:
    made = downloads.csv_text(Sheet((text,), ((text, -1.5),))).removeprefix("\ufeff")
    rows = list(csv.reader(io.StringIO(made, newline="")))
    assert rows[0][0] == rows[1][0] == "'" + re.sub(r"[\t\r]", " ", text)
    assert rows[1][1] == "-1.5", "a number stays one"
    assert downloads.disarmed("Dr Ashby") == "Dr Ashby"


def test_the_data_of_the_curves_are_those_of_the_results() -> None:
    main = samples.differs().comparisons[0]
    rows = _files(crowns.render(samples.differs()))["inside_c0-curves.csv"]
    assert rows[0] == ["group", "years", "failed of 100", "low", "high"]
    for group in main.groups:
        last = [r for r in rows if r[0] == group.label][-1]
        assert float(last[2]) == pytest.approx(100 * (1 - group.curve[-1].survival), abs=1e-3)
        assert float(last[3]) == pytest.approx(100 * (1 - group.curve[-1].ci_high), abs=1e-3)


def test_the_data_of_the_difference_are_those_of_the_results() -> None:
    d = samples.differs().comparisons[0].difference
    rows = _files(index.render(samples.differs()))["inside_difference.csv"]
    assert d is not None
    assert [float(v) for v in rows[1][2:]] == pytest.approx([d.per_100, d.ci_low, d.ci_high], abs=1e-4)


@pytest.mark.parametrize("name", samples.few_at_once("hostile", "empty_practice"))
def test_every_chart_has_its_data_and_two_pictures(name: str) -> None:
    results = samples.all_variants()[name]
    inside = (index, crowns, hyperemic, root_canals, my_cases)
    for page in (*(p.render(results) for p in inside), study_club.render(release(results))):
        charts = re.findall(r'<div class="chart" id="([^"]*)"', page)
        audience = "shared" if '<body class="shared"' in page else "inside"
        assert list(_files(page)) == [f"{audience}_{id}.csv" for id in charts]
        assert re.findall(r'<button type="button" hidden data-chart="([^"]*)"', page) == [
            c for c in charts for _ in "12"
        ]
        assert all(len(rows) > 1 for rows in _files(page).values())


def test_shared_data_are_the_released_ones_alone() -> None:
    """Whole months, and of each the released figure and range, where there is one."""
    released = release(samples.differs())
    files = _files(study_club.render(released))
    compared = 0
    for place, comparison in enumerate(released.comparisons):
        points = {(g.label, p.months): p for g in comparison.groups for p in g.points}
        rows = files.get(f"shared_s{place}-curves.csv", [])
        assert len(rows[1:]) in (0, len(points))
        for label, months, *figures in rows[1:]:
            p = points[label, int(months)]
            told = [p.failed if p.told else None, p.low, p.high]
            assert [float(v) if v else None for v in figures] == told
            compared += 1
    assert compared > 100


def test_hostile_text_is_disarmed_in_the_data() -> None:
    results = samples.hostile()
    named = dataclasses.replace(results.comparisons[0].groups[0], label="=HYPERLINK(0)")
    main = dataclasses.replace(results.comparisons[0], groups=(named, *results.comparisons[0].groups[1:]))
    page = crowns.render(dataclasses.replace(results, comparisons=(main, *results.comparisons[1:])))
    cells = [cell for rows in _files(page).values() for row in rows for cell in row]
    assert "'=HYPERLINK(0)" in cells
    assert not [c for c in cells if c.startswith(("=", "@", "+"))]


def test_a_chart_without_a_sheet_of_its_own_offers_its_traces() -> None:
    figure = Drawing()
    figure.add_scatter(x=[1, 2], y=[0, 0], hoverinfo="skip")
    figure.add_scatter(x=[1, 2], y=[3, None], name="seen")
    chart = theme.chart(figure, id="x", label="x", height=100)
    assert chart.sheet == Sheet(("series", "x", "y"), (("seen", 1, 3),))


@pytest.fixture(scope="module")
def browser() -> Iterator[headless.Browser]:
    with headless.Browser() as opened:
        yield opened


def _save(browser: headless.Browser, page: Path, id: str, into: Path) -> dict[str, bytes]:
    """Press each of a chart's three controls by the keyboard and catch what is saved."""
    browser.open(page)
    browser.unfold()
    box = f"document.getElementById('{id}').nextElementSibling"
    names = browser.ask(f"[...{box}.querySelectorAll('a,button')].map(e => e.download || e.dataset.file)")
    found = {}
    for place in range(3):
        browser.ask(f"{box}.querySelectorAll('a,button')[{place}].focus()")
        assert browser.ask("document.activeElement.matches('a[download], button[data-chart]:not([hidden])')")
        with browser.page.expect_download() as waited:
            browser.page.keyboard.press("Enter")
        assert waited.value.suggested_filename == names[place]
        waited.value.save_as(into / names[place])
        found[names[place].rpartition(".")[2]] = (into / names[place]).read_bytes()
    assert browser.complaints() == []
    assert [u for u in browser.requests() if not u.startswith(("data:", "blob:"))] == [page.resolve().as_uri()]
    return found


@pytest.mark.look
@pytest.mark.parametrize(
    ("page", "id", "said"),
    [
        ("crowns", "c0-curves", "Inside the practice only"),
        ("crowns", "c0-choices", "Inside the practice only"),
        ("study_club", "s0-curves", "Own records of one practice"),
    ],
)
def test_the_keys_save_data_and_pictures(
    browser: headless.Browser, tmp_path: Path, page: str, id: str, said: str
) -> None:
    results: Results = samples.depends()
    write_all(results, tmp_path / "out")
    found = _save(browser, tmp_path / "out" / f"{page}.html", id, tmp_path / "saved")
    assert found["csv"].startswith(b"\xef\xbb\xbf")
    assert found["csv"].count(b"\n") > 10
    assert found["png"][:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", found["png"][16:24]) == (1600, 900)
    drawing = found["svg"].decode()
    assert re.search(r'<svg[^>]*width="1600"[^>]*height="900"', drawing)
    assert said in unescape(drawing)
    # Away from its page a picture says what it shows: the last heading before it, else what is read out of it.
    before, _, after = (tmp_path / "out" / f"{page}.html").read_text(encoding="utf-8").partition(f'id="{id}"')
    headings = re.findall(r"<h[23][^>]*>(.*?)</h[23]>", before.partition('id="main"')[2], flags=re.DOTALL)
    heading = re.sub(r"<[^>]+>", "", headings[-1]) if headings else re.findall(r'aria-label="([^"]+)"', after)[0]
    texts = " ".join(re.findall(r">([^<]+)<", drawing))
    assert " ".join(unescape(heading).split()) in " ".join(unescape(texts).split())
    source = release(results) if page == "study_club" else results
    for group in source.comparisons[0].groups if id.endswith("curves") else ():
        assert group.label in drawing, "the picture has the legend that the page writes beside the chart"
    if id.endswith("curves"):
        browser.open(tmp_path / "out" / f"{page}.html")
        cells = "tbody tr:last-child td"
        table = f"document.getElementById('{id}').closest('figure').nextElementSibling"
        followed = browser.ask(f"[...{table}.querySelectorAll('{cells}')].map(e => e.textContent)")
        written = re.findall(r"<text[^>]*>([^<]+)</text>", drawing)
        assert len(followed) > 20, "the numbers at risk, which stand below the chart in the page"
        assert Counter(followed) - Counter(written) == Counter()
        marks = " (–: not shown)" if "–" in followed else ""
        assert f"Still followed{marks}" in written
    else:
        assert "Still followed" not in drawing
