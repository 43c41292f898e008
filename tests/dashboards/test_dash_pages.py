"""Pages: safe, self-contained, accessible, and the same figures in chart, table and sentence."""

import base64
import dataclasses
import hashlib
import html
import itertools
import json
import re
from html.parser import HTMLParser
from importlib import resources
from typing import Any

import plotly.graph_objects as go
import pytest
import sample_results as samples
from plotly.offline import get_plotlyjs_version
from read_page import plain

from dashboards import page, tables
from dashboards.charts import failure_curve
from dashboards.drawing import Drawing
from dashboards.pages import (
    clinician,
    crowns,
    data_quality,
    hyperemic,
    index,
    methods,
    my_cases,
    open_questions,
    owner,
    root_canals,
    study_club,
    techniques,
)
from dashboards.release.released import release
from dashboards.theme import CONFIG, LOOKS
from dashboards.words import quality as words_quality
from pipeline.results import CurvePoint, Results

INSIDE = {
    "index": index.render,
    "owner": owner.render,
    "clinician": clinician.render,
    "crowns": crowns.render,
    "hyperemic": hyperemic.render,
    "root_canals": root_canals.render,
    "techniques": techniques.render,
    "my_cases": my_cases.render,
    "open_questions": open_questions.render,
    "quality": data_quality.render,
    "methods": methods.render,
}
AT_ONCE = ("differs", "hostile", "empty_practice")


def _pages(results: Results) -> dict[str, str]:
    made = {name: render(results) for name, render in INSIDE.items()}
    return made | {"study_club": study_club.render(release(results))}


@pytest.fixture(scope="module")
def every_page() -> dict[str, str]:
    return {f"{v}-{n}": text for v, r in samples.variants_now(*AT_ONCE).items() for n, text in _pages(r).items()}


class Reader(HTMLParser):
    """Collects what the tests ask for."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.contents = 0  # open elements of the list of contents, which says headings once more
        self._script: dict[str, str | None] | None = None
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "br", "col", "line", "rect", "path", "circle"):
            self.open.append(tag)
            self.contents += bool(self.contents) or dict(attrs).get("aria-label") == "On this page"
        if tag == "script":
            self._script = dict(attrs)
            self.scripts.append((self._script, ""))

    def handle_endtag(self, tag: str) -> None:
        if tag in self.open:
            assert self.open.pop() == tag, "tags are nested properly"
            self.contents -= bool(self.contents)
        self._script = None

    def handle_data(self, data: str) -> None:
        if self._script is not None:
            attrs, before = self.scripts[-1]
            self.scripts[-1] = (attrs, before + data)
        elif "style" not in self.open and not self.contents:
            self.words.append(data)

    def find(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


def _charts(reader: Reader) -> list[dict[str, Any]]:
    return [json.loads(text) for attrs, text in reader.scripts if attrs.get("data-for")]


def test_pages_are_well_formed(every_page: dict[str, str]) -> None:
    for name, text in every_page.items():
        assert text.startswith("<!doctype html>"), name
        assert Reader(text).open == [], name


def test_the_policy_allows_the_pages_own_scripts_and_nothing_else(every_page: dict[str, str]) -> None:
    for name, text in every_page.items():
        reader = Reader(text)
        policy = next(m["content"] for m in reader.find("meta") if m.get("http-equiv") == "Content-Security-Policy")
        run = [t for attrs, t in reader.scripts if not attrs.get("type")]
        hashes = [f"'sha256-{base64.b64encode(hashlib.sha256(t.encode()).digest()).decode()}'" for t in run]
        script = re.search(r"script-src ([^;]*);", policy or "")
        assert script is not None
        assert script[1].split() == (hashes or ["'none'"]), name
        assert "unsafe-eval" not in (policy or "")
        assert "connect-src 'none'" in (policy or "")
        assert "default-src 'none'" in (policy or "")


def test_the_chart_library_is_inline_once_and_only_where_charts_are(every_page: dict[str, str]) -> None:
    for name, text in every_page.items():
        assert text.count("plotly.js (basic - minified)") == bool(_charts(Reader(text))), name
        assert len(text.encode()) < 1.5e6 + 60e3 * len(_charts(Reader(text))), name


def test_nothing_is_fetched_from_elsewhere(every_page: dict[str, str]) -> None:
    for name, text in every_page.items():
        reader = Reader(text)
        assert reader.find("link") == reader.find("img") == reader.find("iframe") == [], name
        assert all("src" not in attrs for attrs, _ in reader.scripts), name
        links = [a["href"] or "" for a in reader.find("a") if "download" not in a]
        assert all(re.fullmatch(r"#[\w-]+|\w+\.(html(#[\w-]+)?|pptx)", href) for href in links), name
        assert all((a["href"] or "").startswith("data:text/csv;") for a in reader.find("a") if "download" in a), name
        assert "url(" not in text.split("</style>")[0], name


def test_every_chart_has_the_upload_off_a_name_and_a_place(every_page: dict[str, str]) -> None:
    drawn = 0
    for name, text in every_page.items():
        reader = Reader(text)
        boxes = {a["id"]: a for a in reader.find("div") if a.get("class") == "chart"}
        sources = [a["data-for"] for a, _ in reader.scripts if a.get("data-for")]
        assert sorted(boxes, key=str) == sorted(sources, key=str), name
        assert len(set(sources)) == len(sources), name
        for box in boxes.values():
            assert box["role"] == "img"
            assert re.search(r"\d", box["aria-label"] or ""), name
        for chart in _charts(reader):
            drawn += 1
            assert chart["config"] == CONFIG
            assert chart["config"]["showSendToCloud"] is False
            assert chart["config"]["displayModeBar"] is False
    assert drawn > 50


def test_tables_have_a_caption_and_scopes(every_page: dict[str, str]) -> None:
    for name, text in every_page.items():
        for table in re.findall(r"<table.*?</table>", text, re.S):
            assert re.search(r"<caption>[^<]", table), name
            assert not re.search(r"<th(?!ead)(?![^>]*scope=)", table), name


def test_landmarks_skip_link_language_and_title(every_page: dict[str, str]) -> None:
    for name, text in every_page.items():
        reader = Reader(text)
        assert reader.find("html")[0]["lang"] == "en"
        assert len(reader.find("main")) == len(reader.find("h1")) == len(reader.find("title")) == 1, name
        assert reader.find("a")[0]["href"] == "#main"
        levels = [int(tag[1]) for tag, _ in reader.tags if re.fullmatch(r"h[1-6]", tag)]
        assert all(b - a <= 1 for a, b in itertools.pairwise(levels)), name


def test_the_usual_cautions_stand_on_every_page(every_page: dict[str, str]) -> None:
    for name, text in every_page.items():
        words = "".join(Reader(text).words)
        assert "association, not cause" in words, name
        assert "no advice for any one patient. Follow local standards, licensed judgement and privacy law." in words, (
            name
        )


def test_inside_and_shared_pages_are_told_apart(every_page: dict[str, str]) -> None:
    for name, text in every_page.items():
        shared = name.endswith("study_club")
        assert ('<body class="shared">' in text) == shared, name
        assert ("<strong>Inside only</strong>" in text) != shared, name
        assert ("<strong>Shared</strong>" in text) == shared, name


def test_hostile_text_is_shown_as_text() -> None:
    for name, text in _pages(samples.hostile()).items():
        reader = Reader(text)
        assert "alert(" not in "".join(t for a, t in reader.scripts if not a.get("type")), name
        assert not [a for _, attrs in reader.tags for a in attrs if a.startswith("on")], name
        assert reader.find("img") == [], name
        assert "49" not in re.findall(r"&amp;(\d+)", text), "templates do not evaluate text of the files"
        if name in ("owner", "my_cases", "quality"):
            assert samples.HOSTILE in "".join(reader.words), f"{name} shows the text as it is"
        for chart in _charts(reader):
            texts = [a.get("text", "") for a in chart["layout"].get("annotations", [])]
            assert not any("<" in t for t in texts), name


def test_json_cannot_end_its_script_element() -> None:
    text = owner.render(samples.hostile())
    for block in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', text, re.S):
        assert "<" not in block
        json.loads(block)


def test_the_table_under_the_curve_adds_up() -> None:
    for results in (samples.differs(), samples.too_early()):
        comparison = results.comparisons[0]
        table = tables.under_curve(comparison, failure_curve.ticks(comparison))
        assert table is not None
        for group in table.groups:
            rows = {k: [int(c.replace(",", "")) for c in v] for k, v in group.rows}
            parts = zip(rows["failed"], rows["ended"], rows["followed"], strict=True)
            assert [sum(p) for p in parts] == rows["entered"]


@pytest.mark.parametrize("columns", [(0.0, 1.0, 2.0, 3.0), (0.0, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0), (0.0, 5.0)])
def test_columns_are_moved_under_their_ticks(columns: tuple[float, ...]) -> None:
    low, high = failure_curve.span(columns)
    middles = [i + 0.5 + shift for i, shift in enumerate(failure_curve.shifts(columns))]
    assert middles == pytest.approx([(c - low) / (high - low) * len(columns) for c in columns], abs=1e-3)
    # Chart and table share their margins: 88 pixels on the left, 16 on the right.
    assert (failure_curve.LEFT, failure_curve.RIGHT) == (88, 16)
    assert "width: 88px" in page.asset("style.css")
    assert "calc(100% - 16px)" in page.asset("style.css")


def test_evenly_spaced_columns_need_not_move() -> None:
    assert failure_curve.shifts((0.0, 1.0, 2.0, 3.0)) == (0, 0, 0, 0)


def test_crowded_columns_are_left_out_on_a_narrow_screen_but_not_the_horizon() -> None:
    table = tables.UnderTable("", (0.0, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0), ())
    assert [y for y, (_, kind) in zip(table.years, table.columns, strict=True) if not kind] == [0, 5, 10, 15]


@pytest.mark.parametrize("ends", [(10, 40, 90), (90, 40, 10), (50, 50, 50), (99, 98, 100), (0, 1, 0), (5, 96, 97)])
def test_each_line_is_named_at_its_end_beside_the_others_and_inside_the_picture(ends):
    names = ("Root canal through the crown", "Vital", "Root canal before the seat")
    lines = [
        failure_curve.Line(look, (0.0, 4.0, 9.0), (0.0, float(end), 100.0), (0.0,) * 3, (0.0,) * 3, label=name)
        for look, name, end in zip(LOOKS, names, ends, strict=False)
    ]
    chart = failure_curve.draw(lines, (0, 5), id="x", label="y", noun="crowns", since="z", height=300)
    layout = chart.spec["layout"]
    plot = 300 - layout["margin"]["t"] - layout["margin"]["b"]
    blocks = []
    for line, end in zip(lines, ends, strict=True):
        at = [a["yshift"] for a in layout["annotations"] if a["font"]["color"] == line.look.colour]
        assert at == sorted(at, reverse=True)  # the first words above the others
        blocks.append((min(at) - 7.5, max(at) + 7.5, end * plot / layout["yaxis"]["range"][1]))
    assert all(low >= 0 and high <= plot + layout["margin"]["t"] for low, high, _ in blocks)
    blocks.sort()
    apart = [above[0] - below[1] for below, above in itertools.pairwise(blocks)]
    assert min(apart) >= 5 - 1e-9
    assert [end for *_, end in blocks] == sorted(end for *_, end in blocks)
    if min(abs(a - b) for a, b in itertools.combinations(ends, 2)) > 20:
        assert [(low + high) / 2 for low, high, _ in blocks] == pytest.approx([end for *_, end in blocks])


def test_a_long_curve_is_thinned_below_what_can_be_seen() -> None:
    group = samples.differs().comparisons[0].groups[2]
    n = 5000
    curve = tuple(CurvePoint(i, n, 1 - i / (4 * n), 1 - i / (5 * n), 1 - i / (3 * n)) for i in range(1, n))
    comparison = samples.differs().comparisons[0]
    comparison = dataclasses.replace(comparison, groups=(dataclasses.replace(group, curve=curve),))
    chart = failure_curve.failure_curves(comparison, id="x", label="y", noun="crowns", since="z")
    assert chart is not None
    line = chart.spec["data"][-1]
    assert 300 < len(line["y"]) < 1000
    assert max(b - a for a, b in itertools.pairwise(line["y"])) < 0.1
    assert len(chart.json) < 60e3


def test_curves_go_up_from_zero_and_hold_the_results_own_steps() -> None:
    comparison = samples.differs().comparisons[0]
    chart = failure_curve.failure_curves(comparison, id="x", label="y", noun="crowns", since="z")
    assert chart is not None
    lines = [t for t in chart.spec["data"] if t["line"].get("width") == 2.5]
    assert len(lines) == len(comparison.groups)
    for line, group in zip(lines, comparison.groups, strict=True):
        assert line["y"][0] == 0
        assert line["y"][1 : len(group.curve) + 1] == pytest.approx(
            [100 * (1 - p.survival) for p in group.curve], abs=1e-4
        )
        assert line["line"]["shape"] == "hv"
    assert chart.spec["layout"]["yaxis"]["range"][1] < 100


def test_rows_are_in_the_order_of_names_never_of_results() -> None:
    table = next(t for t in samples.differs().rates if t.by == "provider_id")
    backwards = type(table)(table.id, table.title, table.outcome, table.by, table.rows[::-1])
    assert [r.name for r in tables.in_order(backwards).rows] == sorted(r.name for r in table.rows)
    groups = next(t for t in samples.differs().rates if t.by == "tooth_group")
    assert [r.name for r in tables.in_order(groups).rows] == ["anterior", "premolar", "molar"]


def test_the_index_gives_the_verdict_first() -> None:
    results = samples.cannot_tell()
    words = "".join(Reader(index.render(results)).words)
    assert words.index(results.comparisons[0].verdict.sentence) < words.index("Where to read on")


def test_the_naive_count_is_labelled_with_why_it_misleads() -> None:
    results = samples.differs()
    text = html.unescape(plain(crowns.render(results)))
    naive = results.comparisons[0].naive
    assert naive is not None
    assert f"({naive.why_biased})" in text
    assert naive.explanation in text
    assert "misleading" in text


def test_rows_set_aside_come_with_what_to_do_and_codes_by_frequency() -> None:
    results = samples.differs()
    words = "".join(Reader(data_quality.render(results)).words)
    assert all(q.what_to_do in words for q in results.quality.quarantine)
    assert words.index("D2999") < words.index("X100") < words.index("ADJ")
    assert "Every row is accounted for" in words


def test_loads_that_do_not_add_up_are_said_to() -> None:
    q = samples.differs().quality
    wrong = type(q)(loads=(type(q.loads[0])("a.csv", "0", "procedures", 10, 5, 1, 1),))
    assert words_quality.loads_sentence(wrong).startswith("In 1 file the rows do not add up")


def test_analyses_not_run_name_the_fields_they_lack() -> None:
    text = data_quality.render(samples.no_technique_data())
    assert "endo_details.obturation" in text
    assert "crown_details.margin" in text


def test_every_figure_is_one_of_plotlys_schema(every_page: dict[str, str]) -> None:
    seen = 0
    for name, text in every_page.items():
        for chart in _charts(Reader(text)):
            figure = go.Figure(data=chart["data"], layout=chart["layout"])  # raises on what the schema does not know
            assert json.loads(figure.to_json()) == {"data": chart["data"], "layout": chart["layout"]}, name
            seen += 1
    assert seen > 50


def test_a_figure_built_by_plotly_is_the_same() -> None:
    ours, theirs = Drawing(), go.Figure()
    for figure in (ours, theirs):
        figure.add_scatter(x=[1, 2], y=[0, None], name=None, mode="lines", line={"color": "#000000", "dash": None})
        figure.add_hline(y=3, line={"width": 1})
        figure.add_hrect(y0=1, y1=2, fillcolor="#ffffff", layer="below")
        figure.add_shape(type="rect", xref="x", yref="paper", x0=0, x1=1, y0=0, y1=1)
        figure.add_annotation(text="x", x=1, y=1, showarrow=False, font={"size": 12})
        figure.update_xaxes(title={"text": "years"}, range=[0, 1])
        figure.update_xaxes(tickvals=[0, 1], title={"standoff": 8})
        figure.update_layout(margin={"l": 1}, height=100)
        figure.update_layout(margin={"r": 2})
    built = theirs.to_plotly_json()
    del built["layout"]["template"]
    assert {"data": ours.data, "layout": ours.layout} == json.loads(json.dumps(built, default=list))


def test_the_chart_library_is_the_one_on_record() -> None:
    record = resources.files("dashboards").joinpath("assets", "plotly-basic.txt").read_text(encoding="utf-8")
    library = resources.files("dashboards").joinpath("assets", "plotly-basic.min.js").read_bytes()
    digest = re.search(r"sha256\s+([0-9a-f]{64})", record)
    version = re.search(r"version\s+(\S+)", record)
    assert digest is not None
    assert version is not None
    assert hashlib.sha256(library).hexdigest() == digest[1]
    assert version[1] == get_plotlyjs_version(), "the figures are made for this version of the library"
    assert f"v{version[1]}".encode() in library[:200]


def test_figures_that_another_library_does_not_confirm_are_said_to() -> None:
    words = "".join(Reader(data_quality.render(samples.differs())).words)
    assert words.count("agrees") == words.count("DOES NOT AGREE") == 1


def test_a_caution_of_the_run_stands_beside_the_usual_ones_once() -> None:
    results = samples.differs()
    doubled = dataclasses.replace(results, cautions=(*results.cautions, *results.cautions))
    assert "".join(Reader(index.render(doubled)).words).count(results.cautions[0]) == 1
