"""Films read blind: what the sheets do not say, how they are shuffled, and that filled-in ones lead back."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from collections import Counter
from pathlib import Path

import fastexcel
import polars as pl
import pytest
import xlsxwriter

from pipeline.machine.errors import DataError
from pipeline.practice.pseudonyms import hmac_sha256
from pipeline.practice.tables import ENDO_COURSES, FINDINGS
from pipeline.reading.sources.excel_book import read_sheets
from pipeline.reading.worksheets import reading_list, reading_sheets
from pipeline.reading.worksheets.reading_list import APART, KEY_COLUMNS, films_of_root_canals, reading_lines
from pipeline.reading.worksheets.reading_sheets import findings_of, read_filled, read_key, write_key, write_reader_sheet
from tests.drawn import table

KEY = hmac_sha256(b"k" * 32, "reading list\x1f")
DAY = dt.date(2026, 3, 1)


def films(n: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "patient_id": [f"p{i // 2:03}" for i in range(n)],
            "tooth_fdi": pl.Series([11 + i % 2 for i in range(n)], dtype=pl.UInt8),
            "exam_date": [dt.date(2020, 1, 1) + dt.timedelta(i) for i in range(n)],
        }
    )


def test_films_are_those_read_before_of_teeth_whose_root_canal_was_completed_here():
    courses = table(
        """
        course_id | patient_id | tooth_fdi | completed  | exit_date
        a         | p1         | 16        | 2020-01-01 | 2023-01-01
        b         | p2         | 16        |            | 2023-01-01
        c         | p3         | 16        | 2020-01-01 | 2020-06-01
        """,
        ENDO_COURSES,
    )
    findings = table(
        """
        patient_id | tooth_fdi | exam_date  | pai | reader
        p1         | 16        | 2021-01-01 | 2   | ann
        p1         | 16        | 2021-01-01 | 3   | bea
        p1         | 16        | 2019-12-01 | 4   |
        p1         | 17        | 2021-01-01 | 2   |
        p1         | 16        | 2022-01-01 |     |
        p2         | 16        | 2021-01-01 | 2   |
        """,
        FINDINGS,
    )
    found = films_of_root_canals(courses, findings)
    assert found.rows() == [("p1", 16, dt.date(2019, 12, 1)), ("p1", 16, dt.date(2021, 1, 1))]
    teeth = reading_list.teeth_of_root_canals(courses, recall_months=12)
    assert teeth.rows() == [("p1", 16, None)]


@pytest.mark.parametrize("n", [1, 2, 3, 5, 12, 60, 200])
def test_one_in_ten_comes_again_and_never_next_to_itself(n):
    lines = reading_lines(films(n), ["ann", "bea"], KEY)
    for (_,), mine in lines.partition_by("reader", as_dict=True).items():
        met = [tuple(row) for row in mine.select("patient_id", "tooth_fdi", "exam_date").iter_rows()]
        again = {film for film, times in Counter(met).items() if times == 2}
        assert len(set(met)) == n
        assert len(met) == n + len(again)
        assert len(again) == (0 if n < 3 else max(round(n / 10), 1))
        for film in again:
            first, second = (i for i, m in enumerate(met) if m == film)
            assert second - first > min(APART, n // 3)
            assert mine["reading"][first] == 1
            assert mine["reading"][second] == 2
        assert (mine["reading"] == 2).sum() == len(again)
    assert lines["line"].n_unique() == lines.height


def test_the_order_hangs_on_the_key_the_seed_and_the_reader_and_on_no_order_of_rows():
    rows = films(60)
    first = reading_lines(rows, ["ann", "bea"], KEY)
    assert reading_lines(rows.sample(fraction=1, shuffle=True, seed=4), ["bea", "ann"], KEY).equals(first)
    ann, bea = (first.filter(pl.col("reader") == who).drop("line", "reader") for who in ("ann", "bea"))
    assert not ann.equals(bea)
    for other in (
        reading_lines(rows, ["ann"], KEY, seed=2),
        reading_lines(rows, ["ann"], hmac_sha256(b"j" * 32, "reading list\x1f")),
    ):
        assert not other.drop("line", "reader").equals(ann)
    # Not in the order of days, of patients or of their names: as far from it as chance would have it.
    days = ann.filter(pl.col("reading") == 1)["exam_date"]
    rank = pl.DataFrame({"a": days.rank(), "b": pl.Series(range(60), dtype=pl.Float64)})
    assert abs(rank.select(pl.corr("a", "b")).item()) < 0.4


def test_a_sample_is_the_same_for_all_readers():
    lines = reading_lines(films(60), ["ann", "bea"], KEY, most=20)
    chosen = [set(part["exam_date"]) for part in lines.partition_by("reader")]
    assert chosen[0] == chosen[1]
    assert len(chosen[0]) == 20


# As practices write them, and as a spreadsheet would rewrite or run them.
ODD = dict(zip([f"p{n:03}" for n in range(6)], ["007", "-12", "=1+1", "3/4/21", "'x", "p005"], strict=True))


@pytest.fixture
def written(tmp_path: Path) -> tuple[Path, Path, pl.DataFrame]:
    """A reader's sheet, the key, and the lines as the practice writes them."""
    lines = reading_lines(films(12), ["Dr Ann"], KEY)
    lines = lines.with_columns(
        tooth=pl.col("tooth_fdi").cast(pl.String), patient_id=pl.col("patient_id").replace_strict(ODD)
    )
    key = write_key(tmp_path / "practice-reading-key-holds-patient-data.csv", lines.select(KEY_COLUMNS))
    sheet = write_reader_sheet(tmp_path / "lists", lines, practice="Alder Row Dental", made_on=DAY)
    return sheet, key, lines


def fill(sheet: Path, values: dict[int, object]) -> Path:
    """Fill in rows of the sheet as a spreadsheet program does."""
    filled = sheet.with_name("filled.xlsx")
    book = xlsxwriter.Workbook(filled)
    for name, cells, _ in read_sheets(sheet, ()):
        page = book.add_worksheet(name)
        for row, line in enumerate(cells.iter_rows()):
            for column, text in enumerate(line):
                if text is not None:
                    page.write_string(row, column, text)
        if name == "films":
            for row, value in values.items():
                page.write(row - 1, 2, value)
    book.close()
    return filled


def test_the_sheet_says_neither_who_nor_when_nor_how_and_the_key_is_the_owners(written):
    sheet, key, lines = written
    book = fastexcel.read_excel(sheet)
    said = "|".join(str(book.load_sheet(name, header_row=None).to_polars().rows()) for name in book.sheet_names)
    for patient in ODD.values():
        assert f"'{patient}'" not in said
    for day in lines["exam_date"].unique():
        assert day.isoformat() not in said
    assert re.fullmatch(r"films-dr-ann-f[0-9a-f]{6}-holds-patient-data\.xlsx", sheet.name)
    for path in (sheet, key):
        assert path.stat().st_mode & 0o777 == 0o600
    with zipfile.ZipFile(sheet) as packed:
        text = packed.read("xl/worksheets/sheet2.xml").decode()
    assert re.findall(r"<formula1>(.*?)</formula1>", text) == ['"1,2,3,4,5,cannot be read"']
    assert read_sheets(sheet, ["films"])[0][1].row(1) == ("line", "tooth", "pai")


def test_filled_in_it_leads_back_to_findings_with_reader_and_reading(written):
    sheet, key, lines = written
    # As chosen from the list, as typed, as a fraction would be stored; one cannot be read and one is left empty.
    filled = fill(sheet, {3: "1", 4: 2, 5: 3.0, 6: "Cannot be read", **dict.fromkeys(range(8, 3 + lines.height), "5")})
    told = read_filled([filled])
    rows = findings_of(told, read_key(key))
    assert rows.columns == ["patient_id", "tooth", "exam_date", "pai", "reader", "reading"]
    assert rows.height == lines.height - 2
    by_line = dict(zip(lines["line"], lines.drop("line").iter_rows(named=True), strict=True))
    read = [line for n, line in enumerate(lines["line"]) if n not in (3, 4)]
    want = [by_line[line] for line in read]
    assert rows["patient_id"].to_list() == [w["patient_id"] for w in want]
    assert rows["exam_date"].to_list() == [w["exam_date"] for w in want]
    assert rows["reading"].to_list() == [w["reading"] for w in want]
    assert rows["pai"].to_list()[:4] == [1, 2, 3, 5]
    assert set(rows["reader"]) == {"Dr Ann"}


def test_a_list_made_again_leaves_the_sheet_that_may_be_filled_in(written):
    sheet, _, lines = written
    again = write_reader_sheet(sheet.parent, lines, practice="Alder Row Dental", made_on=DAY)
    assert again.name == f"{sheet.stem}-2.xlsx"
    assert again.read_bytes() == sheet.read_bytes()


def test_another_list_is_added_to_the_key_and_one_made_again_is_not_there_twice(written):
    _, key, lines = written
    other = reading_lines(films(12), ["bea"], KEY).with_columns(tooth=pl.lit("3")).select(KEY_COLUMNS)
    write_key(key, other)
    write_key(key, other)
    assert read_key(key).height == lines.height + other.height
    assert sorted(read_key(key)["reader"].unique()) == ["Dr Ann", "bea"]


@pytest.mark.parametrize(
    ("values", "fault"),
    [
        ({3: 6}, r"row 3, pai: 1 cell is neither"),
        ({3: "healed"}, r"row 3, pai"),
        ({3: 2.5, 4: "x"}, "row 3, pai: 2 c"),
    ],
)
def test_what_is_no_index_is_refused_with_its_row_and_without_its_value(written, values, fault):
    sheet, _, _ = written
    with pytest.raises(DataError, match=fault) as found:
        read_filled([fill(sheet, values)])
    assert "healed" not in str(found.value)


def test_sheets_that_do_not_fit_the_key_are_refused(written, tmp_path):
    sheet, key, lines = written
    filled = fill(sheet, {3: "1"})
    told = read_filled([filled])
    with pytest.raises(DataError, match=r"row 3\) is not in the key"):
        findings_of(told, read_key(key).filter(pl.col("line") != lines["line"][0]))
    with pytest.raises(DataError, match=r"row 3\) has no exam_date in the key"):
        findings_of(told, read_key(key).with_columns(exam_date=pl.lit(None, pl.Date)))
    twice = pl.concat([told, told.with_columns(pai=pl.lit(4, pl.UInt8))])
    with pytest.raises(DataError, match="filled in twice"):
        findings_of(twice, read_key(key))
    assert findings_of(pl.concat([told, told]), read_key(key)).height == 1
    with pytest.raises(DataError, match="no such file"):
        read_filled([tmp_path / "none.xlsx"])
    with pytest.raises(DataError, match=r"has no sheet"):
        read_filled(
            [reading_sheets.write_findings(tmp_path, findings_of(told, read_key(key)), practice="A", made_on=DAY)]
        )
    with pytest.raises(DataError, match="not there"):
        read_key(tmp_path / "other.csv")
    text = key.read_text(encoding="utf-8-sig")
    key.write_text(text.replace("2020-01-03", "3/1/2020"), encoding="utf-8")
    with pytest.raises(DataError, match=r"line \d+, exam_date: \d days are not written like"):
        read_key(key)
