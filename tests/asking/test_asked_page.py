"""The page of own questions: what it says is what was found, and a refused question stands there too."""

import re

from test_answer import asked, practice

from dashboards.pages.asked import render


def text_of(html: str) -> str:
    html = re.sub(r"<(script|style)\b.*?</\1>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_the_page_says_what_was_found():
    found, refused = asked(practice(resin=4.0)), asked(practice(), groups="margin")
    page = render((found, refused), practice="Alder Row Dental")
    text = text_of(page)
    (contrast,) = found.contrasts
    assert contrast.difference is not None
    assert contrast.verdict.sentence in text
    low, high = round(contrast.difference.ci_low), round(contrast.difference.ci_high)
    assert f"Resin against metal {contrast.difference.per_100:.0f} {low} to {high} Differs in these records" in text
    assert f"Not answered. {refused.refused}" in text
    assert "Inside only" in text
    assert page.count('class="chart"') == 2


def test_no_patient_stands_on_the_page():
    page = render((asked(practice()),), practice="Alder Row Dental")
    data = re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', page, flags=re.S)
    assert len(data) == 2  # the charts; the other scripts are the library's
    for shown in (text_of(page), *data):
        assert not re.search(r"p\d{5}|C\d{5}|\d{4}-\d\d-\d\d", shown)


def test_words_of_the_files_are_escaped():
    tables = practice(n=300)
    hostile = tables.crown_details.with_columns(cement=tables.crowns["material"].replace("resin", "<script>x</script>"))
    others = {f: getattr(tables, f) for f in tables.__dataclass_fields__ if f != "crown_details"}
    page = render((asked(type(tables)(crown_details=hostile, **others), groups="cement"),), practice="Alder Row Dental")
    assert "<script>x" not in page.lower()
    assert "&lt;script&gt;x" in page.lower()
