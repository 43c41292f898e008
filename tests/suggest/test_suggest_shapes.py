"""Tables in other shapes, kinds of files and encodings: proposed, and right once the proposal is loaded."""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
import xlsxwriter

from pipeline.practice.tables import PROCEDURES
from pipeline.reading.config import load_settings
from pipeline.reading.doubts.signs import SIGNS
from pipeline.reading.suggest.propose import suggest
from pipeline.reading.suggest.shapes import form_of_names
from pipeline.stages.ingest import ingest
from pipeline.storing.store import open_store

HEADINGS = ("Chart", "Date", "Code", "Tooth")
ROWS = [
    (f"{1001 + p}", f"20{10 + v:02}-0{1 + p % 9}-1{v}", code, str(tooth))
    for p in range(10)
    for v in range(4)
    for code, tooth in [("D2740", 3 + p), ("D3330", 14 + p)][: 1 + (p + v) % 2]
]


def side_by_side(folder: Path) -> list[Path]:
    visits: dict[tuple[str, str], list[str]] = {}
    for chart, day, code, tooth in ROWS:
        visits.setdefault((chart, day), []).extend([code, tooth])
    lines = [",".join([*key, *[*cells, "", ""][:4]]) for key, cells in visits.items()]
    return text(folder / "x.csv", "\n".join(["Chart,Date,Proc 1,Tooth 1,Proc 2,Tooth 2", *lines]))


def tables_beside(folder: Path) -> list[Path]:
    half = len(ROWS) // 2
    lines = [",".join((*a, "", *b)) for a, b in zip(ROWS[:half], ROWS[half:], strict=True)]
    return text(folder / "x.csv", "\n".join([",".join((*HEADINGS, "", *HEADINGS)), *lines]))


def on_its_side(folder: Path) -> list[Path]:
    return text(folder / "x.csv", "\n".join(",".join(line) for line in zip(*(HEADINGS, *ROWS), strict=True)))


def record_lines(folder: Path) -> list[Path]:
    records = ("\n".join(f"{h}: {c}" for h, c in zip(HEADINGS, row, strict=True)) for row in ROWS)
    return text(folder / "x.txt", "\n\n".join(records))


def bare_lines(folder: Path) -> list[Path]:
    lines = ["Date,Code,Tooth"]
    for chart in dict.fromkeys(row[0] for row in ROWS):
        lines += [f"{chart}  Moor, Hazel", *(",".join(row[1:]) for row in ROWS if row[0] == chart)]
    return text(folder / "x.csv", "\n".join(lines))


def sheet_a_patient(folder: Path) -> list[Path]:
    book = xlsxwriter.Workbook(folder / "x.xlsx")
    for chart in dict.fromkeys(row[0] for row in ROWS):
        sheet = book.add_worksheet(chart)
        for n, row in enumerate([HEADINGS, *(r for r in ROWS if r[0] == chart)]):
            sheet.write_row(n, 0, row[1:])
    book.close()
    return [folder / "x.xlsx"]


def file_a_patient(folder: Path) -> list[Path]:
    for chart in dict.fromkeys(row[0] for row in ROWS):
        rows = [HEADINGS, *(r for r in ROWS if r[0] == chart)]
        text(folder / f"pt {chart}.csv", "\n".join(",".join(r[1:]) for r in rows))
    return sorted(folder.glob("pt *.csv"))


def archive(folder: Path) -> list[Path]:
    with zipfile.ZipFile(folder / "x.zip", "w") as packed:
        for year in range(2010, 2014):
            rows = [r for r in ROWS if r[1].startswith(str(year))]
            packed.writestr(f"{year}.csv", "\n".join(",".join(r) for r in [HEADINGS, *rows]))
        packed.writestr("read me.txt", "the rows of four years")
    return [folder / "x.zip"]


def database(folder: Path) -> list[Path]:
    connection = sqlite3.connect(folder / "x.db")
    connection.execute("create table work (Chart, Date, Code, Tooth)")
    connection.executemany("insert into work values (?, ?, ?, ?)", ROWS)
    connection.execute("create table staff (Name, Since)")
    connection.execute("insert into staff values ('Moor', '2001')")
    connection.commit()
    connection.close()
    return [folder / "x.db"]


def nested(folder: Path) -> list[Path]:
    patients = [
        {"patientNo": c, "work": [dict(zip(("date", "code", "tooth"), r[1:], strict=True)) for r in ROWS if r[0] == c]}
        for c in dict.fromkeys(row[0] for row in ROWS)
    ]
    return text(folder / "x.json", json.dumps({"made": "2024-01-05", "patients": patients}))


def web_page(folder: Path) -> list[Path]:
    lines = "".join("<tr>" + "".join(f"<td>{c}" for c in row) for row in (HEADINGS, *ROWS))
    return text(folder / "x.xls", f"<html><body><table>{lines}</table>")


def dos(folder: Path) -> list[Path]:
    lines = [",".join(("Chart", "Date", "Code", "Tooth", "Name")), *(",".join((*r, "Müller")) for r in ROWS)]
    (folder / "x.csv").write_bytes("\n".join(lines).encode("cp850"))
    return [folder / "x.csv"]


def text(path: Path, content: str) -> list[Path]:
    path.write_text(content + "\n", encoding="utf-8")
    return [path]


MONTHS = ("Enero", "Febrero", "Marzo", "Abril", "Mayo", "Junio", "Julio", "Agosto", "Septiembre", "Octubre")


def books_of_months(folder: Path, sheet: str) -> list[Path]:
    """A workbook a year and a sheet a month, with titles and totals; in some months nobody came."""
    paths = []
    for year in sorted({row[1][:4] for row in ROWS}):
        paths.append(folder / f"Libro {year}.xlsx")
        book = xlsxwriter.Workbook(paths[-1])
        for n, month in enumerate(MONTHS, 1):
            page = book.add_worksheet(sheet.format(month=month, short=month[:3], year=year))
            mine = [row for row in ROWS if row[1].startswith(f"{year}-{n:02}")]
            lines = [(int(day[8:]), chart, code, int(tooth)) for chart, day, code, tooth in mine]
            page.write_row(0, 0, ("Libro de ingresos",))
            for place, line in enumerate([("Día", "Chart", "Code", "Tooth"), *lines, ("", "", "TOTAL", "")], 1):
                page.write_row(place, 0, line)
        book.close()
    return paths


def month_and_year_of_sheet(folder: Path) -> list[Path]:
    return books_of_months(folder, "{short} {year}")


def month_of_sheet_year_of_file(folder: Path) -> list[Path]:
    return books_of_months(folder, "{month}")


# What writes the files, and what stands in the proposal.
CASES: dict[str, tuple[Callable[[Path], list[Path]], str]] = {
    "columns side by side": (side_by_side, 'repeated_columns = [["Proc 1", "Tooth 1"], ["Proc 2", "Tooth 2"]]'),
    "tables side by side": (tables_beside, '"Tooth"], ["Chart (2)", "Date (2)"'),
    "on its side": (on_its_side, "transposed = true"),
    "record lines": (record_lines, "record_lines = true"),
    "bare lines": (bare_lines, 'group_lines = ["{patient_id} {*}"]'),
    "a sheet a patient": (sheet_a_patient, 'sheet_name = "{patient_id}"'),
    "a file a patient": (file_a_patient, 'write "pt {patient_id}"'),
    "a sheet a month with its year": (month_and_year_of_sheet, 'columns.service_date = ["(sheet)", "Día"]'),
    "a sheet a month, a file a year": (month_of_sheet_year_of_file, '["(file)", "(sheet)", "Día"]'),
    "an archive": (archive, 'sheets = ["2010.csv", "2011.csv"'),
    "a database": (database, 'sheets = ["work"]'),
    "records in records": (nested, 'sheets = ["patients.work"]'),
    "a web page": (web_page, 'columns.patient_id = "Chart"'),
    "letters of DOS": (dos, 'encoding = "cp850"'),
}


@pytest.mark.one_in(5)
@pytest.mark.parametrize("case", CASES)
def test_the_proposal_loads_every_row_as_it_was_meant(case: str, tmp_path: Path):
    write, line = CASES[case]
    proposed = suggest(write(tmp_path), folder=tmp_path).text
    assert line in proposed
    assert "Moor" not in proposed
    assert "Müller" not in proposed
    answered = proposed.replace('crown_date = "ask"', 'crown_date = "seat"')
    answered = answered.replace("[practice]", f"[practice]\naccepted = {[s.id for s in SIGNS]}")
    answered = answered.replace('file_name = "ask"', 'file_name = "pt {patient_id}"')
    (tmp_path / "practice.toml").write_text(answered, encoding="utf-8")
    settings = load_settings(tmp_path / "practice.toml")
    ingest(settings, today=dt.date(2026, 1, 1), say=lambda _: None, keep_ids=True)
    with open_store(settings.practice.database) as store:
        found = store.read(PROCEDURES).select("patient_id", "service_date", "code", "tooth").rows()
    assert sorted((p, str(d), c, t) for p, d, c, t in found) == sorted(ROWS)


def test_a_heading_that_stands_twice_is_asked_with_how_the_columns_differ(tmp_path: Path):
    lines = [f"{c},{d},{d[:-2]}2{d[-1]},{code},{t}" for c, d, code, t in ROWS]
    text(tmp_path / "x.csv", "\n".join(["Chart,Date,Date,Code,Tooth", *lines]))
    proposed = suggest([tmp_path / "x.csv"], folder=tmp_path).text
    asked = next(line for line in proposed.splitlines() if line.startswith("columns.service_date"))
    assert '"ask"' in asked
    assert "Date (1) (" in asked
    assert "100% later than the first" in asked


def test_columns_of_one_heading_that_say_the_same_are_not_asked_about(tmp_path: Path):
    lines = [f"{c},{d},{d},{code},{t}" for c, d, code, t in ROWS]
    text(tmp_path / "x.csv", "\n".join(["Chart,Date,Date,Code,Tooth", *lines]))
    assert 'columns.service_date = "Date (1)"' in suggest([tmp_path / "x.csv"], folder=tmp_path).text


@pytest.mark.parametrize(
    ("names", "form"),
    [
        (["1001", "1002"], "{patient_id}"),
        (["Chart 1001", "Chart 1002"], "Chart {patient_id}"),
        (["2019", "2020", "2021"], None),  # years
        (["1", "2", "3"], None),  # months, or just counted
        (["Sheet1", "Sheet2"], None),
        (["North", "South"], None),
        (["1001", "1001"], None),
        (["2019-01", "2019-02"], None),
        (["1001"], None),
    ],
)
def test_only_a_number_of_its_own_in_each_name_is_that_of_a_patient(names: list[str], form: str | None):
    assert form_of_names(names) == form
