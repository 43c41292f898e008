from __future__ import annotations

import datetime as dt
import re
import zipfile
from pathlib import Path

import polars as pl
import pytest

from pipeline.machine.errors import DataError
from pipeline.practice.fields import input_fields
from pipeline.practice.tables import (
    CROWN_DETAILS,
    CROWNS,
    ELSEWHERE,
    ELSEWHERE_HINTS,
    ENDO_COURSES,
    ENDO_DETAILS,
    INPUT_TABLES,
)
from pipeline.reading.sources.excel_file import open_excel
from pipeline.reading.sources.source import ReadOptions
from pipeline.reading.worksheets.lists import recall_rows, write_recall_list, write_worksheet
from pipeline.reading.worksheets.technique import crowns_without_details, endo_without_details, teeth_to_ask
from pipeline.reading.worksheets.workbook import Page, field_column, workbook_bytes
from tests.drawn import table

DAY = dt.date(2021, 3, 1)
IDS = pl.DataFrame({"patient_id": ["p1", "p2"], "written_id": ["007", "=cmd|'/c calc'!A1"]})


@pytest.fixture
def worksheet(tmp_path: Path) -> Path:
    courses = table(
        """
        course_id | patient_id | tooth_fdi | started    | completed  | kind
        a         | p1         | 16        | 2020-01-01 | 2020-02-29 | initial
        b         | p2         | 26        | 2019-01-01 | 2019-02-01 | initial
        """,
        ENDO_COURSES,
    )
    crowns = table(
        """
        crown_id | tooth_fdi | prep_date | seat_date  | seat_recorded
        c        | 16        |           | 2020-03-01 | false
        """,
        CROWNS,
    )
    endo = endo_without_details(courses, ENDO_DETAILS.empty(), IDS, notation="universal")
    crown = crowns_without_details(crowns, CROWN_DETAILS.empty(), IDS, notation="universal")
    hints = table("tooth_fdi | kind | seen_date\n 16 | filling_on_crown | 2020-09-01", ELSEWHERE_HINTS)
    asked = teeth_to_ask(hints, crowns, ELSEWHERE.empty(), IDS, notation="universal")
    folder = tmp_path / "out"
    return write_worksheet(
        folder, endo.rows, crown.rows, asked.rows, practice="Alder Row Dental", notation="universal", made_on=DAY
    )


def parts(path: Path) -> dict[str, str]:
    with zipfile.ZipFile(path) as packed:
        return {name: packed.read(name).decode() for name in packed.namelist()}


def test_the_worksheet_is_marked_private_and_says_nothing_of_the_machine(worksheet: Path):
    assert worksheet.name == "worksheet-holds-patient-data.xlsx"
    assert worksheet.stat().st_mode & 0o777 == 0o600
    assert [p.name for p in worksheet.parent.iterdir()] == [worksheet.name]  # no unfinished part left
    content = parts(worksheet)
    for n in (1, 2, 3, 4):
        assert "HOLDS PATIENT DATA" in content[f"xl/worksheets/sheet{n}.xml"].split("<headerFooter")[1]
    core = content["docProps/core.xml"]
    assert re.findall(r"<dc:creator>(.*?)<", core) == ["toothyears"]
    assert set(re.findall(r"\d{4}-\d\d-\d\dT[\d:]+Z", core)) == {"2021-03-01T00:00:00Z"}
    assert not any("<f>" in text for name, text in content.items() if "worksheets/sheet" in name)


def test_untouched_it_loads_as_lines_with_nothing_filled_in(worksheet: Path):
    for name, rows in (("endo_details", 2), ("crown_details", 1), ("elsewhere", 1)):
        source = open_excel(worksheet, ReadOptions(table=name))
        (batch,) = source.batches()
        assert set(input_fields(name)) - {"event_year"} <= set(source.headings)
        assert batch.rows.is_empty()
        assert batch.malformed["reason"].to_list() == ["nothing_filled_in"] * rows


def test_dates_are_dates_and_ids_stay_as_written(worksheet: Path):
    cells = pl.DataFrame(
        open_excel(worksheet, ReadOptions(table="endo_details", sheets=("endo_details",)))._parts[0].cells
    )
    assert cells.to_series(0).to_list() == ["007", "=cmd|'/c calc'!A1"]
    assert cells.to_series(2).to_list() == ["2020-02-29 00:00:00", "2019-02-01 00:00:00"]


def test_every_field_has_its_words_limits_and_note(worksheet: Path):
    sheets = parts(worksheet)
    for sheet, name in (("sheet2", "endo_details"), ("sheet3", "crown_details"), ("sheet4", "elsewhere")):
        text = sheets[f"xl/worksheets/{sheet}.xml"]
        fields = [f for f in input_fields(name) if f not in ("patient_id", "tooth", "service_date", "event_year")]
        assert set(re.findall(r'promptTitle="(\w+)"', text)) == set(fields)
        for field in fields:
            if words := INPUT_TABLES[name].columns[field].words:
                assert f"&quot;{','.join(words)}&quot;" in text or f'"{",".join(words)}"' in text
        assert "<autoFilter" in text
        assert 'state="frozen"' in text
    assert "<formula1>1</formula1><formula2>5</formula2>" in sheets["xl/worksheets/sheet2.xml"]  # the periapical index


def test_what_was_filled_in_is_never_written_over(worksheet: Path):
    filled = worksheet.read_bytes()
    empty = pl.DataFrame(schema=dict.fromkeys(("patient_id", "tooth", "already_known"), pl.String))
    again = write_worksheet(worksheet.parent, empty, empty, empty, practice="A", notation="fdi", made_on=DAY)
    assert again.name == "worksheet-holds-patient-data-2.xlsx"
    assert worksheet.read_bytes() == filled


def test_the_same_input_gives_the_same_bytes():
    column = field_column("endo_details", "sealer")
    page = Page("x", (column,), pl.DataFrame({"sealer": ["other", None]}))
    assert workbook_bytes("t", ["a"], [page], made_on=DAY) == workbook_bytes("t", ["a"], [page], made_on=DAY)


def due() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "patient_id": ["p1", "p2", "p3"],
            "tooth_fdi": [16, 26, 36],
            "provider_id": ["A", None, "@B"],
            "completed": [dt.date(2020, 2, 1)] * 3,
            "review_months": [12, 12, 12],
            "due_from": [dt.date(2021, 2, 1)] * 3,
            "due_until": [dt.date(2021, 7, 31)] * 3,
            "last_exam": [None, dt.date(2020, 5, 1), None],
            "last_seen": [dt.date(2021, 1, 1), dt.date(2019, 1, 1), None],
            "not_seen_for_long": [False, True, True],
        }
    )


def test_the_recall_list_as_csv_is_disarmed_private_and_whole(tmp_path: Path):
    rows = recall_rows(due(), IDS, notation="palmer")
    path = write_recall_list(tmp_path, rows, practice="Alder Row Dental", on=DAY, as_csv=True)
    assert path.name == "recall-list-holds-patient-data.csv"
    assert path.stat().st_mode & 0o777 == 0o600
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    assert lines[0].startswith('"clinician","patient_id","tooth","completed","review after, months","due from"')
    assert all(line.startswith('"') and line.count('"') == 20 for line in lines), "every cell is quoted"
    assert [line.replace('"', "") for line in lines] == [
        "clinician,patient_id,tooth,completed,review after, months,due from,due until,tooth last examined,"
        "patient last seen,note",
        "A,'007,UR6,2020-02-01,12,2021-02-01,2021-07-31,,2021-01-01,",
        "not recorded,'=cmd|'/c calc'!A1,UL6,2020-02-01,12,2021-02-01,2021-07-31,2020-05-01,2019-01-01,"
        "not seen for more than 18 months",
        "'@B,not known,LL6,2020-02-01,12,2021-02-01,2021-07-31,,,not seen for more than 18 months",
    ]


def test_the_recall_list_as_a_workbook(tmp_path: Path):
    rows = recall_rows(due(), IDS, notation="fdi")
    path = write_recall_list(tmp_path, rows, practice="Alder Row Dental", on=DAY)
    source = open_excel(path, ReadOptions(sheets=("recall list",), header_row=2))
    (batch,) = source.batches()
    assert batch.rows.select("clinician", "tooth", "due from").rows() == [
        ("A", "16", dt.date(2021, 2, 1)),
        ("not recorded", "26", dt.date(2021, 2, 1)),
        ("@B", "36", dt.date(2021, 2, 1)),
    ]


def test_a_recall_list_takes_the_place_of_the_former(tmp_path: Path):
    for on in (DAY, dt.date(2021, 3, 2)):
        path = write_recall_list(tmp_path, recall_rows(due(), IDS, notation="fdi"), practice="A", on=on)
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_cannot_be_written_to_is_said(tmp_path: Path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(DataError, match="another folder"):
        write_recall_list(tmp_path / "file", recall_rows(due(), IDS, notation="fdi"), practice="A", on=DAY)
