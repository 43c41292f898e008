"""Slide files are whole: every part is there, named once and of its kind, and elements stand in the schema's order.

Orders are those of ECMA-376, parts 1 and 4, written down from memory for the elements that these decks use; a program
that reads strictly refuses a file that breaks one.
"""

from __future__ import annotations

import functools
import io
import posixpath
import re
import shutil
import subprocess
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sample_results as samples
from decks import behind, shapes, talk, title
from lxml import etree
from pptx import Presentation
from pptx.enum.shapes import PP_PLACEHOLDER
from pptx.oxml.ns import qn

from dashboards.release.released import Released, release
from dashboards.talk import appendix, story

NAMES = samples.few_at_once("differs", "hostile", "empty_practice")
_AXIS = (
    "axId scaling delete axPos majorGridlines minorGridlines title numFmt majorTickMark minorTickMark tickLblPos spPr "
    "txPr crossAx crosses crossesAt crossBetween auto lblAlgn lblOffset noMultiLvlLbl baseTimeUnit majorUnit "
    "majorTimeUnit minorUnit minorTimeUnit dispUnits"
)
_FILL = "noFill solidFill gradFill blipFill pattFill grpFill"
CHECKED = ("ppt/slides/", "ppt/charts/", "ppt/notesSlides/", "ppt/presentation")
ORDER = {
    "presentation": "sldMasterIdLst notesMasterIdLst sldIdLst sldSz notesSz defaultTextStyle",
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
    "custGeom": "avLst gdLst ahLst cxnLst rect pathLst",
    "path": "moveTo lnTo arcTo quadBezTo cubicBezTo close",
    "marker": "symbol size spPr",
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


# What a part is by its folder, as ECMA-376 part 1, chapters 12 to 15, names its kind (from memory).
KINDS = {
    "ppt/slides": "presentationml.slide+xml",
    "ppt/slideLayouts": "presentationml.slideLayout+xml",
    "ppt/slideMasters": "presentationml.slideMaster+xml",
    "ppt/notesSlides": "presentationml.notesSlide+xml",
    "ppt/notesMasters": "presentationml.notesMaster+xml",
    "ppt/theme": "theme+xml",
    "ppt/charts": "drawingml.chart+xml",
    "ppt/embeddings": "spreadsheetml.sheet",
}


def test_every_part_is_of_the_kind_that_its_folder_holds(file: bytes) -> None:
    found = parts(file)
    types = etree.fromstring(found["[Content_Types].xml"])
    named = {e.get("PartName"): e.get("ContentType") for e in types if e.get("PartName")}
    usual = {e.get("Extension"): e.get("ContentType") for e in types if e.get("Extension")}
    for name in found:
        if (folder := posixpath.dirname(name)) in KINDS:
            kind = named.get(f"/{name}") or usual[name.rsplit(".", 1)[-1]]
            assert kind.endswith(KINDS[folder]), (name, kind)
    assert sum(posixpath.dirname(name) in KINDS for name in found) > 5


_LINKS = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"


def test_every_link_that_a_part_names_is_declared_and_each_declared_one_is_used(file: bytes) -> None:
    found = parts(file)
    for name, data in found.items():
        folder, _, base = name.rpartition("/")
        if not name.endswith(".xml") or name.startswith("[") or (rels := f"{folder}/_rels/{base}.rels") not in found:
            continue
        declared = {r.get("Id"): r.get("Type").rpartition("/")[2] for r in etree.fromstring(found[rels])}
        named = [v for e in etree.fromstring(data).iter() for k, v in e.attrib.items() if k.startswith(_LINKS)]
        assert set(named) <= set(declared), name
        assert len(set(named)) == len(named), name
        # These lead from part to part by their kind alone; all others are named in the part.
        by_kind = {"slideLayout", "slideMaster", "notesSlide", "notesMaster", "slide", "theme", "presProps"}
        assert {kind for id, kind in declared.items() if id not in named} <= by_kind, name


OFFICE = shutil.which("soffice")


@pytest.mark.look
@pytest.mark.skipif(OFFICE is None, reason="no LibreOffice here to open slides with")
@pytest.mark.parametrize("render", [story, appendix], ids=["talk", "appendix"])
def test_another_program_opens_the_deck_and_keeps_all_of_it(render, tmp_path: Path) -> None:
    """Read by LibreOffice and written again: as many slides, the same words, tables, charts and notes."""
    given = rendered(render.render, "differs")
    (tmp_path / "deck.pptx").write_bytes(given)
    subprocess.run(
        [str(OFFICE), f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}", "--headless", "--convert-to", "pptx",
         "--outdir", tmp_path / "again", tmp_path / "deck.pptx"], check=True, capture_output=True, timeout=300,
    )  # fmt: skip
    told = [_told(slide) for slide in Presentation(io.BytesIO(given)).slides]
    assert told == [_told(slide) for slide in Presentation(tmp_path / "again" / "deck.pptx").slides]
    assert sum(charts for *_, charts in told) > 0 or render is appendix


def _told(slide) -> tuple[list[str], list[str], int]:
    """The words of a slide in any order, those of its notes, and how many charts it has; without the slide's number."""
    words: list[str] = []
    for shape in shapes(slide):
        numbered = shape.is_placeholder and shape.placeholder_format.type == PP_PLACEHOLDER.SLIDE_NUMBER
        if shape.has_text_frame and not numbered:
            words += shape.text_frame.text.split()
        elif shape.has_table:
            words += [w for row in shape.table.rows for c in row.cells for w in c.text_frame.text.split()]
    spoken = slide.notes_slide.notes_text_frame.text.split() if slide.has_notes_slide else []
    return sorted(words), spoken, sum(shape.has_chart for shape in shapes(slide))


def test_elements_stand_in_the_order_of_the_schema(file: bytes) -> None:
    wrong = [
        f"{name}: {what}"
        for name, data in parts(file).items()
        if name.startswith(("ppt/slides/", "ppt/charts/", "ppt/notesSlides/", "ppt/presentation"))
        and name.endswith(".xml")
        for what in out_of_order(etree.fromstring(data))
    ]
    assert wrong == []


def test_what_is_out_of_order_would_be_noticed() -> None:
    assert list(out_of_order(etree.fromstring("<sp><spPr/><nvSpPr/></sp>"))) == ["sp: ['spPr', 'nvSpPr']"]
    assert list(out_of_order(etree.fromstring("<tc><cell/></tc>"))) == ["tc holds ['cell']"]


@pytest.mark.parametrize("deck", [talk, behind])
def test_the_master_of_the_notes_is_listed(deck, name: str) -> None:
    found = deck(name)
    (listed,) = found.part._element.iter(qn("p:notesMasterId"))
    assert found.part.related_part(listed.get(qn("r:id"))) is found.notes_master.part


@pytest.mark.parametrize("deck", [talk, behind])
def test_no_shape_shares_its_number_and_no_place_is_left_empty(deck, name: str) -> None:
    for slide in deck(name).slides:
        ids = [e.get("id") for e in slide._element.iter() if etree.QName(e).localname == "cNvPr"]
        assert len(set(ids)) == len(ids), title(slide)
        names = [s.name for s in slide.shapes]
        assert len(set(names)) == len(names), title(slide)
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


def cells(workbook: bytes) -> dict[str, str]:
    """The first sheet of a workbook by address, each cell as text."""
    with zipfile.ZipFile(io.BytesIO(workbook)) as book:
        strings = []
        if "xl/sharedStrings.xml" in book.namelist():
            strings = ["".join(si.itertext()) for si in etree.fromstring(book.read("xl/sharedStrings.xml"))]
        found = {}
        for cell in etree.fromstring(book.read("xl/worksheets/sheet1.xml")).iter("{*}c"):
            value = cell.find("{*}v")
            if value is not None:
                found[cell.get("r")] = strings[int(value.text)] if cell.get("t") == "s" else str(value.text)
    return found


def addresses(formula: str) -> list[str]:
    """`Sheet1!$B$2:$B$4` as its addresses, down one column."""
    first, _, last = formula.rpartition("!")[2].replace("$", "").partition(":")
    column, row = re.fullmatch(r"([A-Z]+)(\d+)", first).groups()  # type: ignore[union-attr]
    end = int(re.sub(r"\D", "", last or first))
    return [f"{column}{n}" for n in range(int(row), end + 1)]


def test_what_a_chart_keeps_beside_its_workbook_is_what_the_workbook_holds(file: bytes) -> None:
    """A program shows the kept values until the chart is edited, and the workbook's from then on."""
    for slide in Presentation(io.BytesIO(file)).slides:
        for frame in (s for s in slide.shapes if s.has_chart):
            held = cells(frame.chart.part.chart_workbook.xlsx_part.blob)
            kept = 0
            for reference in frame.chart._chartSpace.iter("{*}numRef", "{*}strRef"):
                places = addresses(reference.findtext("{*}f"))
                cache = next(c for c in reference if etree.QName(c).localname.endswith("Cache"))
                assert int(cache.find("{*}ptCount").get("val")) == len(places), title(slide)
                told = {int(p.get("idx")): p.findtext("{*}v") for p in cache.iter("{*}pt")}
                for i, place in enumerate(places):
                    assert _same(told.get(i), held.get(place)), (title(slide), place)
                kept += len(told)
            assert kept > 0, title(slide)


def _same(one: str | None, other: str | None) -> bool:
    if one is None or other is None:
        return one == other
    try:
        return float(one) == float(other)
    except ValueError:
        return one == other


def test_every_typeface_is_that_of_the_theme_or_one_that_it_declares(file: bytes) -> None:
    found = parts(file)
    theme = etree.fromstring(found["ppt/theme/theme1.xml"])
    declared = {e.get("typeface") for e in theme.iter("{*}latin")} | {"+mj-lt", "+mn-lt"}
    assert {"", None}.isdisjoint(declared)
    for name, data in found.items():
        if name.endswith(".xml") and name.startswith("ppt/") and "/theme/" not in name:
            used = {e.get("typeface") for e in etree.fromstring(data).iter("{*}latin")}
            assert used <= declared, (name, used - declared)
