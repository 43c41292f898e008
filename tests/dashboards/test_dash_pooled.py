"""The pooled page and deck: the numbers of the pooled object and no others, safe, and drawn without a fault."""

from __future__ import annotations

import dataclasses
import io
import json
import re
import subprocess
import sys
from html import unescape
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "pool"))

from headless import Browser
from pool_practices import practice
from pptx import Presentation

from dashboards import pooled_deck
from dashboards.answers import first_sentence
from dashboards.charts.pooled import at
from dashboards.pages import pooled as page
from dashboards.write_pooled import write_pooled
from pipeline.release.pool.combine import pool
from pipeline.results.pooled import PooledResults


@pytest.fixture(scope="module")
def pooled() -> PooledResults:
    return pool([practice(seed) for seed in range(1, 5)])


@pytest.fixture(scope="module")
def html(pooled) -> str:
    return page.render(pooled)


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html.split("<script", maxsplit=1)[0]))


def test_the_page_is_a_shared_one_with_its_own_cautions(html, pooled):
    assert '<body class="shared">' in html
    policy = unescape(re.search(r'Content-Security-Policy" content="([^"]+)"', html).group(1))
    assert "default-src 'none'" in policy
    assert "connect-src 'none'" in policy
    footer = html[html.index("<footer>") :]
    assert all(text in footer for text in pooled.cautions)
    assert "one practice's own records" not in text_of(html)
    assert f'data-note="{page.NOTE}"' in html


def test_verdict_heterogeneity_and_leave_one_out_are_those_of_the_object(html, pooled):
    told = text_of(html)
    for c in pooled.comparisons:
        if c.technique:
            continue
        assert c.verdict.sentence in told
        for v in c.values:
            if v.kind in page.SHOWN:
                assert all(text.replace("'", "&#39;") in told for text in (*v.heterogeneity, v.leave_one_out))


def test_the_page_opens_with_its_answers_and_its_headings_are_findings(html, pooled):
    told = text_of(html)
    opening = told[: told.index("Each practice is a letter")]
    for c in (c for c in pooled.comparisons if not c.technique):
        assert c.title in opening
        assert first_sentence(c.verdict.sentence) in opening
    assert "technique comparison" in opening
    heads = re.findall(r"<h2[^>]*>(.*?)</h2>", html)
    assert "Opening a crown, or treating before" in heads[0]
    assert ":" in heads[0]
    assert "Technique questions" not in heads


def test_every_practices_value_and_weight_stands_in_the_table(html, pooled):
    v = next(v for v in pooled.comparisons[0].values if v.kind == "adjusted")
    html = re.sub(r'<td data-head="[^"]*">', "<td>", html)
    for p in v.parts:
        cells = (f"{p.value:.2f}", f"{p.low:.2f} to {p.high:.2f}", f"{100 * p.weight:.0f} %")
        assert f"Practice {p.letter}</th><td>{'</td><td>'.join(cells)}</td>" in html
    assert f"<td>{v.value:.2f}</td><td>{v.low:.2f} to {v.high:.2f}</td><td>100 %" in html


def test_charts_hold_the_pooled_numbers(html, pooled):
    specs = dict(re.findall(r'<script type="application/json" data-for="([^"]+)">(.*?)</script>', html, re.S))
    assert {"q0-curves", "q0-difference", "q0-adjusted", "techniques"} <= set(specs)
    v = next(v for v in pooled.comparisons[0].values if v.kind == "adjusted")
    dots = [x for t in json.loads(specs["q0-adjusted"])["data"] if t["mode"] == "markers" for x in t["x"]]
    assert dots == pytest.approx([*(p.value for p in v.parts), v.value, v.value])


def test_counts_on_the_page_are_rounded_or_hidden(html):
    table = html[html.index("Who was counted") :].split("</table>")[0]
    cells = re.findall(r"<td[^>]*>([^<]+)</td>", table)
    assert cells
    assert all(c == page.HIDDEN or int(c.replace(",", "")) % 5 == 0 for c in cells)


def test_two_practices_are_said_to_be_few_and_have_no_dotted_line():
    html = page.render(pool([practice(seed) for seed in (1, 2)]))
    assert "2 practices are few" in html
    assert "One further practice" not in html


def test_practices_that_share_no_question_still_have_a_page_and_a_deck():
    bare = [dataclasses.replace(practice(seed), contrasts=()) for seed in (1, 2)]
    assert "no question that two of them answer" in page.render(pool(bare))
    assert len(Presentation(io.BytesIO(pooled_deck.render(pool(bare)))).slides) == 4


def test_the_deck_has_finding_titles_native_charts_and_notes(pooled):
    data = pooled_deck.render(pooled)
    assert data == pooled_deck.render(pooled)
    slides = Presentation(io.BytesIO(data)).slides
    titles = [s.shapes.title.text_frame.text for s in slides]
    assert titles[0] == pooled.comparisons[0].verdict.sentence.rstrip(".")
    assert len(set(titles[1:])) == len(titles[1:])  # the first finding stands again on its own slide
    assert any(shape.has_chart for s in slides for shape in s.shapes)
    for s in slides:
        notes = s.notes_slide.notes_text_frame.text
        assert "Do not claim:" in notes
        assert "Where it comes from:" in notes
    group = pooled.comparisons[0].groups[0]
    point = at(group, 5)
    assert f"By 5 years, {point.failed:.0f} of 100 crowns failed with root canal through the crown" in " ".join(titles)
    chart = next(shape.chart for s in slides for shape in s.shapes if shape.has_chart)
    assert chart.plots[0].series[0].values[60] == pytest.approx(point.failed, abs=0.06)


@pytest.mark.look
@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_draws_without_a_fault_or_a_connection(pooled, tmp_path, width):
    path = write_pooled(pooled, tmp_path / "out")
    with Browser() as browser:
        browser.open(path, width=width)
        assert browser.requests() == [path.resolve().as_uri()]
        assert browser.complaints() == []
        assert browser.ask("document.documentElement.scrollWidth <= innerWidth")
        if width == 1280:
            assert browser.ask("document.querySelector('.answers').getBoundingClientRect().bottom") <= 800
            counted = "e => (e.innerText.match(/\\S*\\w\\S*/g) || []).length"
            assert browser.ask(f"({counted})(document.querySelector('.given'))") <= 120
            assert browser.ask(f"({counted})(document.getElementById('main'))") <= 1800
        browser.ask("document.querySelectorAll('details').forEach(part => { part.open = true; })")
        browser.page.wait_for_timeout(300)
        assert browser.ask("[...document.querySelectorAll('.chart')].every(c => c.querySelector('svg'))")
        if width == 390:
            browser.ask((Path(__file__).parents[1] / "browser" / "looked_at.js").read_text(encoding="utf-8"))
            assert browser.ask("window.looked.sideways()") == []


def test_what_is_written_may_only_be_read_by_its_owner(pooled, tmp_path):
    path = write_pooled(pooled, tmp_path / "out")
    assert path.name == "pooled.html"
    assert all(p.stat().st_mode & 0o077 == 0 for p in (tmp_path / "out").iterdir())
    told = json.loads((tmp_path / "out" / "pooled.json").read_text(encoding="utf-8"))
    assert [p["letter"] for p in told["practices"]] == ["A", "B", "C", "D"]


def test_imports_of_the_page_stay_on_its_side():
    code = (
        "import sys, dashboards.write_pooled; "
        "begun = ('pipeline.release.pool', 'pipeline.stats', 'pipeline.questions'); "
        "print([m for m in sys.modules if m.startswith(begun)])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
