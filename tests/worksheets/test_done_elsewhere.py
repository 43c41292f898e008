"""The sheet "done elsewhere": what it lists, and that it comes back filled in as the table `elsewhere`."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
import zipfile
from collections.abc import Mapping
from pathlib import Path
from xml.etree import ElementTree

import polars as pl
import pytest

from pipeline.practice.tables import CROWNS, ELSEWHERE, ELSEWHERE_EVENTS, ELSEWHERE_HINTS, HINTS, LOADS, QUARANTINE
from pipeline.reading.config import load_settings
from pipeline.reading.sources.excel_book import read_sheets
from pipeline.reading.sources.excel_file import open_excel
from pipeline.reading.sources.source import ReadOptions
from pipeline.reading.suggest.propose import suggest
from pipeline.reading.worksheets.technique import SIGNS, teeth_to_ask
from pipeline.stages.checks.check import check
from pipeline.stages.run import ingest_stage, link_stage, worksheet_stage
from pipeline.storing.store import open_store
from tests.drawn import table

TODAY = dt.date(2025, 6, 30)
IDS = pl.DataFrame({"patient_id": ["p1", "p2"], "written_id": ["007", "0012"]})
NAMESPACE = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
PRACTICE = """
[practice]
name = "Alder Row Dental"
tooth_notation = "universal"
database = "practice.duckdb"
[tables.procedures]
files = ["ledger.csv"]
"""
ANSWERS = '[tables.elsewhere]\nfiles = ["technique*.xlsx"]\nsheets = ["done elsewhere"]\n'


def hints(text: str) -> pl.DataFrame:
    return table(text, ELSEWHERE_HINTS)


def test_every_sign_has_its_words():
    assert set(SIGNS) == set(HINTS)


def test_one_line_a_tooth_newest_first_with_the_crown_that_stood_then():
    drawn = hints("""
        patient_id | tooth_fdi | kind               | seen_date
        p1         | 16        | filling_on_crown   | 2020-05-04
        p1         | 16        | filling_on_crown   | 2021-05-04
        p1         | 16        | late_refund        | 2019-05-04
        p2         | 26        | undated_root_canal | 2022-03-01
        p2         | 36        | late_refund        | 2018-03-01
        stranger   | 16        | late_refund        | 2018-03-01
    """)
    crowns = table(
        """
        crown_id  | patient_id | tooth_fdi | seat_date  | done_elsewhere
        first     | p1         | 16        | 2012-03-01 | false
        standing  | p1         | 16        | 2018-03-01 | false
        later     | p1         | 16        | 2021-05-05 | false
        seat_day  | p2         | 26        | 2022-03-01 | false
        theirs    | p2         | 36        | 2017-03-01 | true
        """,
        CROWNS,
    )
    told = table(
        """
        patient_id | tooth_fdi | event   | event_date | event_year
        p1         | 16        | surgery |            | 2017
        p1         | 16        | crown   | 2011-02-03 | 2011
        p2         | 26        | nothing |            |
        p2         | 16        | nothing |            |
        """,
        ELSEWHERE,
    )
    listing = teeth_to_ask(drawn, crowns, told, IDS, notation="palmer")
    assert listing.without_id == 1
    shown = listing.rows.select(pl.exclude("event", "event_date"))
    assert shown.columns == ["patient_id", "tooth", "sign", "sign_date", "crown_seat", "already_known"]
    assert shown.rows() == [
        ("0012", "UL6", SIGNS["undated_root_canal"], None, dt.date(2022, 3, 1), "event nothing"),
        (
            "007",
            "UR6",
            f"{SIGNS['filling_on_crown']} (2 days); {SIGNS['late_refund']}",
            dt.date(2021, 5, 4),
            dt.date(2018, 3, 1),
            "event crown; event_date 2011-02-03; event surgery; event_date 2017",
        ),
        ("0012", "LL6", SIGNS["late_refund"], dt.date(2018, 3, 1), None, None),
    ]
    assert listing.rows["event"].null_count() == listing.rows["event_date"].null_count() == 3
    back = teeth_to_ask(drawn.reverse(), crowns.reverse(), told.reverse(), IDS.reverse(), notation="palmer")
    assert back.rows.equals(listing.rows)


# Every tooth has a crown of 1 March 2018 and is seen last on 10 January 2024. `f` marks a filling of one surface on
# the crown on 4 May 2020, `e` a root canal elsewhere that was charted without a day.
LEDGER = {"A": "f", "B": "f", "C": "f", "D": "f", "E": "e", "F": "f", "G": "f", "H": "e", "I": "f"}


@pytest.fixture
def practice(tmp_path: Path) -> Path:
    rows = ["patient_id,service_date,code,tooth,surface,status"]
    for patient, sign in LEDGER.items():
        rows += [f"{patient}-07,2018-03-01,D2740,3,,completed", f"{patient}-07,2024-01-10,D0120,,,completed"]
        rows += [f"{patient}-07,2020-05-04,D2391,3,O,completed"] if sign == "f" else []
        rows += [f"{patient}-07,,D3330,3,,existing"] if sign == "e" else []
    (tmp_path / "ledger.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    toml = tmp_path / "practice.toml"
    toml.write_text(PRACTICE, encoding="utf-8")
    return toml


def linked(toml: Path) -> tuple[dict[str, dict[str, object]], set[str]]:
    """Ingest and link: each patient's crown, and the patients with hints, by the first letter of their ids."""
    settings = load_settings(toml)
    ingest_stage(settings, today=TODAY, say=lambda _: None, keep_ids=True)
    link_stage(settings, say=lambda _: None)
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        crowns = store.read(CROWNS)
        hinted = set(store.read(ELSEWHERE_HINTS)["patient_id"].str.slice(0, 1))
    return {row["patient_id"][0]: row for row in crowns.to_dicts() if not row["done_elsewhere"]}, hinted


def fill_in(path: Path, answers: Mapping[str, tuple[str, object]]) -> None:
    """Type an event and a date (a day, a year, or nothing) on the lines of the patients, as a spreadsheet would."""
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    strings = [
        "".join(t.text or "" for t in s.iter(f"{{{NAMESPACE}}}t"))
        for s in ElementTree.fromstring(parts["xl/sharedStrings.xml"])
    ]
    name = "xl/worksheets/sheet4.xml"
    sheet = ElementTree.fromstring(parts[name])
    ElementTree.register_namespace("", NAMESPACE)
    headings: dict[str, str] = {}
    day_style = None
    for row in sheet.iter(f"{{{NAMESPACE}}}row"):
        cells = {re.sub(r"\d", "", c.get("r") or ""): c for c in row}
        texts = {letter: strings[int(c[0].text or "")] for letter, c in cells.items() if c.get("t") == "s" and len(c)}
        if row.get("r") == "2":
            headings = {text: letter for letter, text in texts.items()}
            continue
        seat = cells.get(headings.get("crown_seat", ""))
        day_style = day_style if seat is None else seat.get("s")
        event, date = answers.get(texts.get("A", "")[:1], (None, None))
        if event is None or row.get("r") == "1":
            continue
        if event:
            _cell(row, headings["event"], text=event)
        if isinstance(date, dt.date):
            _cell(row, headings["event_date"], number=(date - dt.date(1899, 12, 30)).days, style=day_style)
        elif isinstance(date, int):
            _cell(row, headings["event_date"], number=date)
    parts[name] = ElementTree.tostring(sheet, xml_declaration=True, encoding="UTF-8")
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for part, content in parts.items():
            packed.writestr(part, content)


def _cell(
    row: ElementTree.Element, letter: str, *, text: str = "", number: int | None = None, style: str | None = None
) -> None:
    cell = ElementTree.Element(f"{{{NAMESPACE}}}c", {"r": f"{letter}{row.get('r')}"} | ({"s": style} if style else {}))
    if number is None:
        cell.set("t", "inlineStr")
        inside = ElementTree.SubElement(cell, f"{{{NAMESPACE}}}is")
        ElementTree.SubElement(inside, f"{{{NAMESPACE}}}t").text = text
    else:
        ElementTree.SubElement(cell, f"{{{NAMESPACE}}}v").text = str(number)
    row.append(cell)
    row[:] = sorted(row, key=lambda c: c.get("r") or "")


def handed_out(toml: Path) -> Path:
    path = worksheet_stage(load_settings(toml), toml.parent, today=TODAY, say=lambda _: None)
    assert path.stat().st_mode & 0o777 == 0o600
    return path.rename(toml.parent / "technique.xlsx")


def test_filled_in_it_comes_back_as_what_was_done_elsewhere(practice: Path):
    before, hinted = linked(practice)
    assert hinted == set(LEDGER)
    assert {before[p]["endo_timing"] for p in "ABCDFGI"} == {"vital"}
    fill_in(
        handed_out(practice),
        {
            "A": ("root_canal", dt.date(2020, 4, 20)),  # after the seat
            "B": ("root_canal", dt.date(2016, 6, 1)),  # before it
            "C": ("nothing", None),
            "D": ("root_canal", 2021),
            "E": ("root_canal", None),
            "G": ("root_canal", None),
            "H": ("root_canal", dt.date(2020, 4, 20)),
            "I": ("root_canal", 2018),  # the year of the seat
        },
    )
    practice.write_text(PRACTICE + ANSWERS, encoding="utf-8")
    after, hinted = linked(practice)
    names = ("endo_timing", "access_date", "access_elsewhere", "order_uncertain")
    shown = {patient: tuple(crown[name] for name in names) for patient, crown in after.items()}
    through = "through_crown"
    assert shown == {
        "A": (through, dt.date(2020, 4, 20), True, False),
        "B": ("before_seat", None, False, False),
        "C": ("vital", None, False, False),
        "D": (through, dt.date(2021, 7, 1), True, False),
        "E": (None, None, False, True),
        "F": ("vital", None, False, False),
        "G": (None, None, False, True),
        "H": (through, dt.date(2020, 4, 20), True, False),
        "I": (through, dt.date(2018, 7, 1), True, True),
    }
    # Crowns are numbered in an order of what is known of the patients, of whom more is known now.
    assert after["C"] | {"crown_id": ""} == before["C"] | {"crown_id": ""}
    assert hinted == {"F"}


@pytest.mark.thorough
def test_patients_under_pseudonyms_are_listed_as_the_practice_writes_them(practice: Path):
    def hinted() -> list[str]:
        ingest_stage(load_settings(practice), today=TODAY, say=lambda _: None)
        link_stage(load_settings(practice), say=lambda _: None)
        with open_store(practice.parent / "practice.duckdb", read_only=True, must_exist=True) as store:
            return store.read(ELSEWHERE_HINTS)["patient_id"].to_list()

    assert len(hinted()) == len(LEDGER)
    assert not any("-07" in patient for patient in hinted())
    path = handed_out(practice)
    fill_in(path, {"C": ("nothing", None)})
    practice.write_text(PRACTICE + ANSWERS, encoding="utf-8")
    assert len(hinted()) == len(LEDGER) - 1
    again = worksheet_stage(load_settings(practice), practice.parent / "out", today=TODAY, say=lambda _: None)
    ((_, cells, _),) = read_sheets(again, ("done elsewhere",))
    assert sorted(cells["1"][2:].to_list()) == [f"{p}-07" for p in LEDGER if p != "C"]


@pytest.mark.thorough
def test_lines_left_empty_tell_nothing_and_are_no_fault(practice: Path):
    linked(practice)
    fill_in(handed_out(practice), {"C": ("nothing", None)})
    practice.write_text(PRACTICE + ANSWERS, encoding="utf-8")
    linked(practice)
    with open_store(practice.parent / "practice.duckdb", read_only=True, must_exist=True) as store:
        load = store.read(LOADS).filter(pl.col("table_name") == "elsewhere").row(0, named=True)
        reasons = store.read(QUARANTINE)["reason"].unique().to_list()
    assert (load["rows_read"], load["loaded"], load["quarantined"]) == (9, 1, 8)
    assert reasons == ["nothing_filled_in"]


@pytest.mark.thorough
@pytest.mark.parametrize(
    "event", ["crown", *(pytest.param(e, marks=pytest.mark.thorough) for e in ("crown_removed", "extraction"))]
)
def test_what_was_told_before_stands_beside_a_tooth_that_is_asked_about_again(practice: Path, event: str):
    linked(practice)
    fill_in(handed_out(practice), {"A": (event, 2022)})
    practice.write_text(PRACTICE + ANSWERS, encoding="utf-8")
    after, hinted = linked(practice)
    # None of these says whether the crown was opened before, which the filling of 2020 makes one ask.
    assert "A" in hinted
    assert after["A"]["failure_elsewhere"] is True
    again = worksheet_stage(load_settings(practice), practice.parent / "out", today=TODAY, say=lambda _: None)
    source = open_excel(again, ReadOptions(table="elsewhere", sheets=("done elsewhere",)))
    (batch,) = source.batches()
    assert batch.rows.is_empty()  # what was told is not told anew
    with zipfile.ZipFile(again) as packed:
        assert f"event {event}; event_date 2022" in packed.read("xl/sharedStrings.xml").decode()


@pytest.mark.thorough
def test_a_date_without_an_event_is_a_fault_that_is_named(practice: Path):
    linked(practice)
    fill_in(handed_out(practice), {"A": ("", 2020)})
    practice.write_text(PRACTICE + ANSWERS, encoding="utf-8")
    linked(practice)
    with open_store(practice.parent / "practice.duckdb", read_only=True, must_exist=True) as store:
        reasons = store.read(QUARANTINE).group_by("reason").len().rows()
    assert sorted(reasons) == [("event_unknown", 1), ("nothing_filled_in", 8)]


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (
            {"A": ("root_canal", dt.date(2020, 4, 20)), "D": ("root_canal", 2021), "E": ("crown", None)},
            "3 (root_canal 2, crown 1); 1 of them without a day or a year",
        ),
        pytest.param({"C": ("nothing", None)}, "1 (nothing 1)", marks=pytest.mark.thorough),
        pytest.param({}, "none yet", marks=pytest.mark.thorough),
    ],
)
def test_suggest_finds_the_answers_and_check_counts_them(
    practice: Path, answers: dict[str, tuple[str, object]], said: str
):
    linked(practice)
    path = handed_out(practice)
    fill_in(path, answers)
    proposed = suggest([practice.parent / "ledger.csv", path], folder=practice.parent).text
    tables = tomllib.loads(proposed)["tables"]
    assert ("elsewhere" in tables) is bool(answers)
    if answers:
        told = tables["elsewhere"]
        assert (told["files"], told["sheets"]) == (["technique.xlsx"], ["done elsewhere"])
        assert told["columns"] == {n: n for n in ("patient_id", "tooth", "event", "event_date")}
    practice.write_text(PRACTICE + ANSWERS, encoding="utf-8")
    checked = check(load_settings(practice), today=TODAY)
    assert f"  answers: {said}\n" in checked.text
    assert "-07" not in checked.text.replace("2018-07", "")  # no patient's id


def test_the_sheet_offers_every_event_and_takes_a_day_or_a_year(practice: Path):
    linked(practice)
    path = handed_out(practice)
    with zipfile.ZipFile(path) as packed:
        text = packed.read("xl/worksheets/sheet4.xml").decode()
        assert 'name="done elsewhere"' in packed.read("xl/workbook.xml").decode()
    assert ",".join(ELSEWHERE_EVENTS) in text
    assert "HOLDS PATIENT DATA" in text.split("<headerFooter")[1]
    (limits,) = re.findall(r'<dataValidation type="decimal".*?</dataValidation>', text)
    assert "<formula1>1900</formula1>" in limits
