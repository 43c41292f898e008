"""Slide files are whole: every part is there and named once, and elements stand in the order that the schema asks for.

Orders are those of ECMA-376, parts 1 and 4, written down from memory for the elements that these decks use; a program
that reads strictly refuses a file that breaks one.
"""

from __future__ import annotations

import functools
import io
import posixpath
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator

import pytest
import sample_results as samples
from decks import behind, shapes, talk, title
from lxml import etree
from pptx import Presentation

from dashboards.release.released import Released, release
from dashboards.talk import appendix, story

NAMES = samples.few_at_once("differs", "hostile", "empty_practice")
_AXIS = (
    "axId scaling delete axPos majorGridlines minorGridlines title numFmt majorTickMark minorTickMark tickLblPos spPr "
    "txPr crossAx crosses crossesAt crossBetween auto lblAlgn lblOffset noMultiLvlLbl baseTimeUnit majorUnit "
    "majorTimeUnit minorUnit minorTimeUnit dispUnits"
)
_FILL = "noFill solidFill gradFill blipFill pattFill grpFill"
ORDER = {
    "sp": "nvSpPr spPr style txBody",
    "cxnSp": "nvCxnSpPr spPr style",
    "graphicFrame": "nvGraphicFramePr xfrm graphic",
    "spPr": f"xfrm custGeom prstGeom {_FILL} ln effectLst effectDag scene3d sp3d",
    "ln": f"{_FILL} prstDash custDash round bevel miter headEnd tailEnd",
    "txBody": "bodyPr lstStyle p",
    "txPr": "bodyPr lstStyle p",
    "p": "pPr r br fld endParaRPr",
    "pPr": "lnSpc spcBef spcAft buClrTx buClr buSzTx buSzPct buSzPts buFontTx buFont buNone buAutoNum buChar buBlip "
    "tabLst defRPr",
    "rPr": f"ln {_FILL} effectLst effectDag highlight uLnTx uLn uFillTx uFill latin ea cs sym "
    "hlinkClick hlinkMouseOver",
    "tcPr": f"lnL lnR lnT lnB lnTlToBr lnBlToTr cell3D {_FILL}",
    "tbl": "tblPr tblGrid tr",
    "tc": "txBody tcPr",
    "chart": "title autoTitleDeleted pivotFmts view3D floor sideWall backWall plotArea legend plotVisOnly "
    "dispBlanksAs showDLblsOverMax",
    "ser": "idx order tx spPr invertIfNegative pictureOptions marker dPt dLbls trendline errBars cat val xVal yVal "
    "smooth shape",
    "errBars": "errDir errBarType errValType noEndCap plus minus val spPr",
    "dLbls": "dLbl delete numFmt spPr txPr dLblPos showLegendKey showVal showCatName showSerName showPercent "
    "showBubbleSize separator showLeaderLines leaderLines",
    "catAx": _AXIS,
    "dateAx": _AXIS,
    "valAx": _AXIS,
    "lineChart": "grouping varyColors ser dLbls dropLines hiLowLines upDownBars marker smooth axId",
    "barChart": "barDir grouping varyColors ser dLbls gapWidth overlap serLines axId",
    "scatterChart": "scatterStyle varyColors ser dLbls axId",
}


@pytest.fixture(params=NAMES)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(params=[story, appendix], ids=["talk", "appendix"])
def file(request: pytest.FixtureRequest, name: str) -> bytes:
    return rendered(request.param.render, name)


@functools.cache
def rendered(render: Callable[[Released], bytes], name: str) -> bytes:
    return render(release(samples.all_variants()[name]))


def parts(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as opened:
        names = opened.namelist()
        assert [n for n, times in Counter(names).items() if times > 1] == []
        assert opened.testzip() is None
        return {name: opened.read(name) for name in names}


def out_of_order(root: etree._Element) -> Iterator[str]:
    """Elements of `ORDER` with a child that is unknown there or stands before one that must come first."""
    for e in root.iter(etree.Element):
        kind = etree.QName(e).localname
        known = ORDER.get(kind, "").split()
        if not known or (kind == "chart" and len(e) == 0):  # the frame's mere pointer to a chart
            continue
        met = [etree.QName(c).localname for c in e if isinstance(c.tag, str)]
        met = [m for m in met if m not in {"extLst", "AlternateContent"}]
        if strangers := [m for m in met if m not in known]:
            yield f"{kind} holds {strangers}"
        elif kind == "p":  # runs come in any order; what a paragraph is like stands before them
            if "pPr" in met[1:] or "endParaRPr" in met[:-1]:
                yield f"p: {met}"
        elif [known.index(m) for m in met] != sorted(known.index(m) for m in met):
            yield f"{kind}: {met}"


def test_every_part_is_named_once_known_and_led_to(file: bytes) -> None:
    found = parts(file)
    types = etree.fromstring(found["[Content_Types].xml"])
    endings = {e.get("Extension") for e in types if etree.QName(e).localname == "Default"}
    named = [e.get("PartName") for e in types if etree.QName(e).localname == "Override"]
    assert len(set(named)) == len(named)
    assert {n.lstrip("/") for n in named} <= set(found)
    for name in found:
        assert f"/{name}" in named or name.rsplit(".", 1)[-1] in endings or name == "[Content_Types].xml", name
    led_to = set()
    for name, data in found.items():
        if not name.endswith(".rels"):
            continue
        folder = posixpath.dirname(posixpath.dirname(name))
        ids = [r.get("Id") for r in etree.fromstring(data)]
        assert len(set(ids)) == len(ids), name
        for r in etree.fromstring(data):
            assert r.get("TargetMode") != "External", name
            target = r.get("Target")
            led_to.add(target.lstrip("/") if target[0] == "/" else posixpath.normpath(posixpath.join(folder, target)))
    assert led_to <= set(found)
    assert {n for n in found if not n.endswith(".rels")} - led_to == {"[Content_Types].xml"}


def test_elements_stand_in_the_order_of_the_schema(file: bytes) -> None:
    wrong = [
        f"{name}: {what}"
        for name, data in parts(file).items()
        if name.startswith(("ppt/slides/", "ppt/charts/", "ppt/notesSlides/")) and name.endswith(".xml")
        for what in out_of_order(etree.fromstring(data))
    ]
    assert wrong == []


def test_what_is_out_of_order_would_be_noticed() -> None:
    assert list(out_of_order(etree.fromstring("<sp><spPr/><nvSpPr/></sp>"))) == ["sp: ['spPr', 'nvSpPr']"]
    assert list(out_of_order(etree.fromstring("<tc><cell/></tc>"))) == ["tc holds ['cell']"]


@pytest.mark.parametrize("deck", [talk, behind])
def test_no_shape_shares_its_number_and_no_place_is_left_empty(deck, name: str) -> None:
    for slide in deck(name).slides:
        ids = [e.get("id") for e in slide._element.iter() if etree.QName(e).localname == "cNvPr"]
        assert len(set(ids)) == len(ids), title(slide)
        for shape in shapes(slide):
            if shape.is_placeholder and shape.has_text_frame:
                assert shape.text_frame.text.strip(), (title(slide), shape.name)
            if shape.has_table:
                wide = {len(row.cells) for row in shape.table.rows}
                assert wide == {len(shape.table.columns)}, title(slide)
            if shape.has_chart:
                points = {len(list(s.values)) for plot in shape.chart.plots for s in plot.series}
                assert len(points) <= 1 or shape.chart.plots[0].categories is not None
                assert shape.chart.part.chart_workbook.xlsx_part is not None, title(slide)


def test_a_deck_that_is_opened_and_saved_again_says_the_same(file: bytes) -> None:
    deck = Presentation(io.BytesIO(file))
    again = io.BytesIO()
    deck.save(again)
    texts = [[s.text_frame.text for s in shapes(slide) if s.has_text_frame] for slide in deck.slides]
    reopened = Presentation(io.BytesIO(again.getvalue()))
    assert texts == [[s.text_frame.text for s in shapes(slide) if s.has_text_frame] for slide in reopened.slides]
    numbers = [e.get("id") for e in deck.part._element.iter() if etree.QName(e).localname == "sldId"]
    assert len(set(numbers)) == len(numbers) == len(deck.slides)
    assert all(int(n) >= 256 for n in numbers)
