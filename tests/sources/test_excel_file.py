from __future__ import annotations

import datetime as dt
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import fastexcel
import polars as pl
import pytest
import xlsxwriter
from click.testing import CliRunner

from pipeline.machine.errors import DataError
from pipeline.reading.sources.excel_file import open_excel
from pipeline.reading.sources.excel_safety import check_workbook
from pipeline.reading.sources.source import Batch, ReadOptions
from pipeline.stages.cli import cli

HEADINGS = ["patient_id", "service_date", "code", "tooth"]
ROW = ["P1", "2020-03-01", "D2740", "3"]


def workbook(path: Path, write: Callable[[xlsxwriter.Workbook], None], **options: object) -> Path:
    book = xlsxwriter.Workbook(path, options)
    write(book)
    book.close()
    return path


def sheet(book: xlsxwriter.Workbook, name: str, *rows: list[object], at: int = 0, column: int = 0) -> None:
    """A sheet whose first row of cells is row `at` (from 0); texts stay texts."""
    page = book.add_worksheet(name)
    for n, cells in enumerate(rows, at):
        for k, cell in enumerate(cells, column):
            if isinstance(cell, str):
                page.write_string(n, k, cell)
            elif cell is not None:
                page.write(n, k, cell)


def read(path: Path, **options: object) -> Batch:
    batches = list(open_excel(path, ReadOptions(**options)).batches())  # type: ignore[arg-type]
    return Batch(
        pl.concat([b.numbers for b in batches]),
        pl.concat([b.rows for b in batches]),
        pl.concat([b.malformed for b in batches]),
    )


@pytest.mark.parametrize("is_1904", [False, True])
def test_cells_as_a_reader_sees_them(tmp_path: Path, is_1904: bool):
    def write(book: xlsxwriter.Workbook) -> None:
        day = book.add_format({"num_format": "dd/mm/yyyy"})
        moment = book.add_format({"num_format": "dd/mm/yyyy hh:mm"})
        clock = book.add_format({"num_format": "hh:mm"})
        page = book.add_worksheet("Ledger")
        for k, heading in enumerate([*HEADINGS, "seen", "at", "mixed", "fee"]):
            page.write_string(0, k, heading)
        page.write_string(1, 0, "00123")
        page.write_datetime(1, 1, dt.date(2020, 2, 29), day)
        page.write_formula(1, 2, '="D"&2740', None, "D2740")
        page.write_number(1, 3, 3.0)
        page.write_datetime(1, 4, dt.datetime(2020, 3, 1, 23, 59), moment)  # noqa: DTZ001
        page.write_datetime(1, 5, dt.time(9, 30), clock)
        page.write_datetime(1, 6, dt.date(2020, 2, 29), day)
        page.write_number(1, 7, -12.5)
        page.write_number(2, 0, 123)
        page.write_formula(2, 2, "=1/0", None, "#DIV/0!")
        page.write_formula(2, 3, "=Gone!A1", None, "#REF!")
        page.write_string(2, 6, "3/1/2020")
        page.write_boolean(2, 7, True)

    source = open_excel(workbook(tmp_path / "l.xlsx", write, date_1904=is_1904), ReadOptions())
    assert source.spoken.serial_dates == ("1904" if is_1904 else "1900")
    (batch,) = source.batches()
    assert batch.rows.to_dict(as_series=False) == {
        "patient_id": ["00123", "123"],
        "service_date": [dt.date(2020, 2, 29), None],
        "code": ["D2740", None],
        "tooth": ["3", None],
        "seen": [dt.date(2020, 3, 1), None],
        "at": ["09:30:00", None],
        "mixed": ["2020-02-29", "3/1/2020"],
        "fee": ["-12.5", "true"],
        "(sheet)": ["Ledger", "Ledger"],
        "(row of the sheet)": ["2", "3"],
    }


def test_headings_are_found_under_a_preamble_and_away_from_the_corner(tmp_path: Path):
    rows = [["Alder Row Dental"], [], HEADINGS, ROW, [], ROW]
    path = workbook(tmp_path / "l.xlsx", lambda book: sheet(book, "A", *rows, at=2, column=1))
    batch = read(path)
    assert batch.rows.columns[:4] == HEADINGS
    assert batch.numbers.to_list() == [1, 2, 3]  # the blank row between is a row, empty
    assert batch.rows["(row of the sheet)"].to_list() == ["6", "7", "8"]
    assert batch.rows["patient_id"].to_list() == ["P1", None, "P1"]


def test_a_header_row_that_is_told_and_none_at_all(tmp_path: Path):
    path = workbook(tmp_path / "l.xlsx", lambda book: sheet(book, "A", ["x", "y"], ["a", "b"], ROW, column=2))
    assert read(path, header_row=2).rows.columns[:4] == ["a", "b", "column 5", "column 6"]
    bare = read(path, header_row=0)
    assert bare.rows.columns[:4] == ["column 3", "column 4", "column 5", "column 6"]
    assert bare.rows["column 3"].to_list() == ["x", "a", "P1"]


def test_repeated_headings_and_notes_are_set_aside_with_their_place(tmp_path: Path):
    rows = [HEADINGS, ROW, ["Page 2"], HEADINGS, ROW, ["2 rows"]]
    batch = read(workbook(tmp_path / "l.xlsx", lambda book: sheet(book, "Ledger", *rows)))
    assert batch.numbers.to_list() == [1, 4]
    assert batch.malformed.select("row_number", "reason", "raw_row").rows() == [
        (2, "note_line", "Ledger, row 3: Page 2"),
        (3, "repeated_heading", "Ledger, row 4: patient_id\tservice_date\tcode\ttooth"),
        (5, "note_line", "Ledger, row 6: 2 rows"),
    ]


def two_years(book: xlsxwriter.Workbook) -> None:
    sheet(book, "2020", HEADINGS, ROW, ROW)
    sheet(book, "2021", [*reversed(HEADINGS), "fee"], [*reversed(ROW), "9"])
    sheet(book, "Summary", ["Total", "3"])
    sheet(book, "Blank")


def test_all_sheets_with_the_headings_are_read_and_numbered_on(tmp_path: Path):
    batch = read(workbook(tmp_path / "l.xlsx", two_years))
    assert batch.numbers.to_list() == [1, 2, 3]
    assert batch.rows.select("patient_id", "tooth", "fee", "(sheet)").rows() == [
        ("P1", "3", None, "2020"),
        ("P1", "3", None, "2020"),
        ("P1", "3", "9", "2021"),
    ]
    assert batch.malformed.select("row_number", "reason").rows() == [(4, "sheet_not_read")]


def test_named_sheets_only(tmp_path: Path):
    path = workbook(tmp_path / "l.xlsx", two_years)
    batch = read(path, sheets=("2021",))
    assert batch.numbers.to_list() == [1]
    assert batch.malformed.is_empty()
    with pytest.raises(DataError, match=r'no sheet "2022".*"2020", "2021"'):
        read(path, sheets=("2022",))
    with pytest.raises(DataError, match='"Blank" is empty'):
        read(path, sheets=("Blank",))


def test_a_sheet_with_some_of_the_headings_and_a_hidden_one_are_asked_about(tmp_path: Path):
    def half(book: xlsxwriter.Workbook) -> None:
        sheet(book, "2020", HEADINGS, ROW)
        sheet(book, "2021", ["Chart", *HEADINGS[1:]], ROW)

    def hidden(book: xlsxwriter.Workbook) -> None:
        sheet(book, "2020", HEADINGS, ROW)
        sheet(book, "Old", HEADINGS, ROW)
        book.get_worksheet_by_name("Old").hide()

    with pytest.raises(DataError, match='"2021" has only some'):
        read(workbook(tmp_path / "half.xlsx", half))
    path = workbook(tmp_path / "hidden.xlsx", hidden)
    with pytest.raises(DataError, match='hidden sheet "Old"'):
        read(path)
    assert read(path, sheets=("2020", "Old")).numbers.to_list() == [1, 2]


def test_rows_are_the_same_a_second_time_and_columns_can_be_chosen(tmp_path: Path):
    source = open_excel(workbook(tmp_path / "l.xlsx", two_years), ReadOptions())
    first, again = (pl.concat([b.rows for b in source.batches(["tooth"])]) for _ in range(2))
    assert first.equals(again)
    assert first.columns == ["tooth"]


def test_a_worksheet_line_counts_once_something_is_filled_in(tmp_path: Path):
    headings = ["patient_id", "tooth", "seat_date", "material", "already_known"]
    rows = [
        ["007", "3", "2020-03-01", None, "seat_date 2020-03-01"],
        ["007", "4", "2020-03-01", "zirconia", "seat_date 2020-03-01"],
        ["007", "5", "2020-03-02", None, "seat_date 2020-03-01"],
        ["007", "6", None, None, None],
    ]
    path = workbook(tmp_path / "w.xlsx", lambda book: sheet(book, "crown_details", headings, *rows))
    batch = read(path, table="crown_details")
    assert batch.rows["tooth"].to_list() == ["4", "5"]
    assert batch.malformed.select("row_number", "reason").rows() == [(1, "nothing_filled_in"), (4, "nothing_filled_in")]


def test_each_sheet_of_a_worksheet_is_read_as_the_table_that_it_is_named_for(tmp_path: Path):
    def write(book: xlsxwriter.Workbook) -> None:
        first = ["patient_id", "tooth"]
        sheet(book, "endo_details", [*first, "service_date", "sealer", "already_known"], ["1", "3", "x", "other"])
        sheet(book, "crown_details", [*first, "material", "already_known"], ["1", "3", "metal"])

    path = workbook(tmp_path / "w.xlsx", write)
    for table, filled in (("endo_details", "sealer"), ("crown_details", "material")):
        batch = read(path, table=table)
        assert batch.rows[filled].len() == 1
        assert batch.malformed.is_empty()


def test_what_is_no_workbook_is_refused(tmp_path: Path):
    cases = {
        "page.xls": (b"<html><table></table></html>", "without a table"),
        "page.xlsx": (b"\0\1\2\3\4", "no workbook"),
        "empty.xlsx": (b"", "empty"),
        "cut.xlsx": (b"PK\x03\x04 and no more", "damaged"),
        "ole.xls": (b"\xd0\xcf\x11\xe0 and no more", "damaged"),
        "locked.xlsx": (b"\xd0\xcf\x11\xe0" + "EncryptedPackage".encode("utf-16-le"), "password"),
    }
    for name, (content, message) in cases.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(DataError, match=message):
            open_excel(tmp_path / name, ReadOptions())
    with zipfile.ZipFile(tmp_path / "other.xlsx", "w") as packed:
        packed.writestr("letter.txt", "no sheets")
    with pytest.raises(DataError, match="no workbook"):
        open_excel(tmp_path / "other.xlsx", ReadOptions())


def test_a_bomb_is_refused_even_if_it_lies_about_its_size(tmp_path: Path):
    path = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b"0" * 20_000_000)
    with pytest.raises(DataError, match="unpacks to far more"):
        open_excel(path, ReadOptions())
    true, false = (20_000_000).to_bytes(4, "little"), (10).to_bytes(4, "little")
    path.write_bytes(path.read_bytes().replace(true, false))
    assert zipfile.ZipFile(path).infolist()[0].file_size == 10
    with pytest.raises(DataError, match="unpacks to far more"):
        open_excel(path, ReadOptions())


def test_an_old_workbook_that_claims_a_huge_part_is_refused_and_takes_nothing_down(tmp_path: Path):
    content = bytearray((Path(__file__).parents[1] / "corpus" / "excel_old_format" / "ledger.xls").read_bytes())
    content[44:48] = b"\xff\xff\xff\x7f"  # how many parts its table of contents has
    path = tmp_path / "ledger.xls"
    path.write_bytes(content)
    with pytest.raises(DataError, match="damaged"):
        open_excel(path, ReadOptions())


def test_a_sheet_too_wide_or_with_a_far_corner_is_refused(tmp_path: Path):
    def wide(book: xlsxwriter.Workbook) -> None:
        book.add_worksheet().write(0, 2_000, "x")

    def far(book: xlsxwriter.Workbook) -> None:
        page = book.add_worksheet()
        page.write(0, 0, "x")
        page.write(1_048_575, 1_999, "x")

    with pytest.raises(DataError, match="column 2,001"):
        open_excel(workbook(tmp_path / "wide.xlsx", wide), ReadOptions())
    with pytest.raises(DataError, match="row 1,048,576"):
        open_excel(workbook(tmp_path / "far.xlsx", far), ReadOptions())


@pytest.mark.one_in(3)
@pytest.mark.parametrize("place", [(1_048_000, 0), (1_048_575, 99), (5, 16_000)])
def test_a_cell_far_away_that_only_has_a_colour_is_none(tmp_path: Path, place: tuple[int, int]):
    def write(book: xlsxwriter.Workbook) -> None:
        sheet(book, "A", HEADINGS, ROW, [], [], ROW)
        page = book.get_worksheet_by_name("A")
        page.write_blank(*place, None, book.add_format({"bg_color": "#ff0000"}))
        page.set_row(900_000, 30)

    batch = read(workbook(tmp_path / "l.xlsx", write))
    assert batch.numbers.to_list() == [1, 2, 3, 4]  # blank rows between do not end the table
    assert batch.rows["patient_id"].to_list() == ["P1", None, None, "P1"]
    assert batch.rows.columns == [*HEADINGS, "(sheet)", "(row of the sheet)"]


@pytest.mark.parametrize("cell", ['<c r="ZZZ9" s="1"/>', '<c r="ZZZ9" s="1"></c>', "<c r='ZZZ9' s='1' />"])
def test_cells_are_weighed_whole_wherever_a_piece_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cell: str):
    path, filled = tmp_path / "l.xlsx", f"{cell[: cell.index(' s=')]}><v>1</v></c>"
    for size in range(60, 140):
        monkeypatch.setattr("pipeline.reading.sources.excel_safety._CHUNK", size)
        for text, is_far in ((cell, False), (filled, True)):
            with zipfile.ZipFile(path, "w") as packed:
                packed.writestr("xl/worksheets/s.xml", f'<row r="9"><c r="A9"><v>1</v></c>{text}</row></sheetData>')
            if is_far:
                with pytest.raises(DataError, match="more than 2,000 columns"):
                    check_workbook(path)
            else:
                check_workbook(path)


@pytest.mark.parametrize("command", ["suggest", "check", "ingest"])
def test_each_sheet_is_parsed_once_in_a_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str):
    counted: Counter[str] = Counter()
    whole, one = fastexcel.read_excel, fastexcel.ExcelReader.load_sheet

    def read_excel(source: Path) -> fastexcel.ExcelReader:
        counted["workbook"] += 1
        return whole(source)

    def load_sheet(reader: fastexcel.ExcelReader, name: str, **options: object) -> fastexcel.ExcelSheet:
        counted[name] += 1
        return one(reader, name, **options)

    monkeypatch.setattr(fastexcel, "read_excel", read_excel)
    monkeypatch.setattr(fastexcel.ExcelReader, "load_sheet", load_sheet)
    path = workbook(tmp_path / "ledger.xlsx", lambda b: [sheet(b, y, HEADINGS, ROW, ROW) for y in ("2020", "2021")])
    toml = tmp_path / "practice.toml"
    listed = "".join(f'\n[tables.{table}]\nfiles = ["ledger.xlsx"]\n' for table in ("procedures", "patients"))
    if command != "suggest":
        toml.write_text(f'[practice]\ntooth_notation = "universal"\n{listed}')
    arguments = [str(path), "--out", str(toml)] if command == "suggest" else [str(toml)]
    done = CliRunner().invoke(cli, [command, *arguments])
    assert done.exit_code == 0, done.output
    assert counted == {"workbook": 1, "2020": 1, "2021": 1}


def test_a_workbook_that_is_refused_is_looked_at_once_and_one_that_changed_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    looks: list[Path] = []

    def look(path: Path) -> None:
        looks.append(path)
        check_workbook(path)

    monkeypatch.setattr("pipeline.reading.sources.excel_book.check_workbook", look)
    path = tmp_path / "l.xlsx"
    path.write_bytes(b"PK\x03\x04 and no more")
    for _ in range(3):
        with pytest.raises(DataError, match="damaged"):
            open_excel(path, ReadOptions())
    workbook(path, lambda book: sheet(book, "A", HEADINGS, ROW))
    assert read(path).numbers.to_list() == read(path).numbers.to_list() == [1]
    assert len(looks) == 2


def test_an_old_workbook_does_not_say_where_its_days_begin():
    path = Path(__file__).parents[1] / "corpus" / "excel_old_format" / "ledger.xls"
    source = open_excel(path, ReadOptions())
    assert source.spoken.serial_dates is None
    (batch,) = source.batches()
    assert batch.rows["service_date"].to_list() == [dt.date(2020, 2, 29), dt.date(2020, 3, 1)]
    assert batch.rows["patient_id"].to_list() == ["0007", "8"]


def test_more_rows_than_a_batch_are_numbered_through(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.reading.sources.excel_file._BATCH_ROWS", 4)
    rows = [HEADINGS, *([f"{n:06d}", *ROW[1:]] for n in range(1, 10))]
    path = workbook(tmp_path / "long.xlsx", lambda book: sheet(book, "A", *rows))
    batches = list(open_excel(path, ReadOptions()).batches())
    assert [b.numbers.to_list() for b in batches] == [[1, 2, 3, 4], [5, 6, 7, 8], [9]]
    assert batches[2].rows.row(0) == ("000009", *ROW[1:], "A", "10")


def test_an_open_document_that_is_cut_short_is_refused(tmp_path: Path):
    path = tmp_path / "ledger.ods"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr("content.xml", '<?xml version="1.0"?><document><body><table')
    with pytest.raises(DataError, match="damaged"):
        open_excel(path, ReadOptions())
