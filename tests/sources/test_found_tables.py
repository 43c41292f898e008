"""Tables inside files of other kinds: what is read of them, and what hostile ones may not do."""

from __future__ import annotations

import sqlite3
import zipfile
from pathlib import Path

import pytest

from pipeline.machine.errors import DataError
from pipeline.reading.sources import ReadOptions, archive, found_tables, open_source, sqlite_tables
from pipeline.reading.sources.archive import members
from pipeline.reading.sources.excel_book import open_book
from pipeline.reading.sources.found_tables import SpanRows
from pipeline.reading.sources.nested_records import flat, tables_of

ROW = b"<tr><td>a</td><td>b</td></tr>"


def table(path: Path, name: str | None = None) -> list[list[str | None]]:
    book = open_book(path)
    cells, _ = book.sheet(name or book.names[0])  # type: ignore[union-attr]
    return [list(row) for row in cells.rows()]


def page(folder: Path, body: bytes, name: str = "page.html") -> Path:
    (folder / name).write_bytes(b"<html><body>" + body)
    return folder / name


def test_a_cell_stands_in_every_row_that_it_reaches_to(tmp_path: Path):
    body = b"<table><tr><td rowspan=3>P</td><td colspan=2>x</td></tr><tr><td>y<td>z</tr><tr><td>u</td></tr></table>"
    assert table(page(tmp_path, body)) == [["P", "x", None], ["P", "y", "z"], ["P", "u", None]]


def test_a_table_within_a_table_takes_nothing_from_it_nor_gives(tmp_path: Path):
    inner = b"<table>" + ROW * 2 + b"</table>"
    found = page(tmp_path, b"<table><tr><td>one" + inner + b"<td>two</tr>" + ROW + b"</table>")
    assert open_book(found).names == ["table 1", "table 2"]
    assert table(found, "table 1") == [["one", "two"], ["a", "b"]]
    assert table(found, "table 2") == [["a", "b"], ["a", "b"]]


def test_a_span_of_a_million_columns_makes_no_more_than_a_table_has(tmp_path: Path):
    body = b"<table><tr><td colspan=1000000 rowspan=1000000>a</td></tr>" + ROW + b"</table>"
    with pytest.raises(DataError, match="more than 2,000 columns"):
        open_book(page(tmp_path, body))
    title = b"<table><tr><td colspan=1000000>Ledger</td></tr>" + ROW + b"</table>"
    assert table(page(tmp_path, title, "title.html")) == [["Ledger", None], ["a", "b"]]


def test_wide_spans_over_many_rows_stop_at_the_bound(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.reading.sources.found_tables.MAX_CELLS", 5_000)
    rows = SpanRows("page.html")
    rows.begin()
    for _ in range(1_000):
        rows.add("a", down=1_000_000)
    with pytest.raises(DataError, match="too much for a file of this kind"):
        begin_often(rows)
    assert sum(map(len, rows.rows)) <= 7_000


def begin_often(rows: SpanRows) -> None:
    for _ in range(10):
        rows.begin()


def test_entities_are_refused_before_they_grow(tmp_path: Path):
    lines = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 12))
    for name in ("laughs.xml", "laughs.xls"):
        (tmp_path / name).write_text(f'<?xml version="1.0"?><!DOCTYPE r [<!ENTITY e0 "ha">{lines}]><r>&e11;</r>')
        with pytest.raises(DataError, match="document type"):
            open_book(tmp_path / name)


def test_nothing_outside_is_fetched_for_xml(tmp_path: Path):
    (tmp_path / "secret.txt").write_text("secret")
    text = f'<!DOCTYPE r [<!ENTITY s SYSTEM "file://{tmp_path}/secret.txt">]><r><a>&s;</a></r>'
    (tmp_path / "export.xml").write_text(f"<?xml version='1.0'?>{text}")
    with pytest.raises(DataError, match="document type"):
        open_book(tmp_path / "export.xml")


def test_elements_may_not_stand_within_one_another_without_end(tmp_path: Path):
    (tmp_path / "deep.xml").write_text("<?xml version='1.0'?>" + "<a>" * 100_000)
    with pytest.raises(DataError, match="elements within elements"):
        open_book(tmp_path / "deep.xml")


def database(folder: Path, *statements: str) -> Path:
    path = folder / "office.db"
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()
    return path


def test_views_and_columns_that_compute_are_never_run(tmp_path: Path):
    endless = "with recursive n(x) as (select 1 union all select x + 1 from n) select x from n"
    path = database(
        tmp_path,
        "create table work (Chart text, Th int, slow text as (hex(zeroblob(100000000))))",
        "insert into work (Chart, Th) values ('P1', 3)",
        f"create view everything as {endless}",
    )
    assert open_book(path).names == ["work"]
    assert table(path) == [["Chart", "Th"], ["P1", "3"]]


def test_a_reading_without_end_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    many = (
        "insert into work select x, x from (with recursive n(x) as (select 1 union all select x + 1 from n limit 9999)"
    )
    path = database(tmp_path, "create table work (Chart text, Th int)", f"{many} select x from n)")
    monkeypatch.setattr(sqlite_tables, "_STEPS", 1_000)
    monkeypatch.setattr(sqlite_tables, "_MOST_CALLS", 5)
    with pytest.raises(DataError, match="damaged"):
        table(path)


def test_a_huge_text_in_a_database_is_refused_and_a_huge_picture_left(tmp_path: Path):
    path = database(
        tmp_path, "create table work (Chart text, Film)", "insert into work values ('P1', zeroblob(2000000))"
    )
    assert table(path) == [["Chart", "Film"], ["P1", None]]
    connection = sqlite3.connect(path)
    connection.execute("insert into work values ('P2', printf('%.*c', 2000000, 'x'))")
    connection.commit()
    connection.close()
    with pytest.raises(DataError, match="text of more than 1 MB"):
        table(path)


def test_a_database_stays_as_it_is(tmp_path: Path):
    path = database(tmp_path, "create table work (Chart text)", "insert into work values ('P1')")
    before = path.read_bytes()
    table(path)
    assert path.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["office.db"]


def packed(folder: Path, **files: bytes) -> Path:
    with zipfile.ZipFile(folder / "export.zip", "w", zipfile.ZIP_DEFLATED) as inside:
        for name, content in files.items():
            inside.writestr(name.replace("__", "/").replace("_dot_", "."), content)
    return folder / "export.zip"


def test_nothing_of_an_archive_is_written_outside_its_own_folder(tmp_path: Path):
    inner = tmp_path / "practice"
    inner.mkdir()
    with zipfile.ZipFile(inner / "export.zip", "w") as inside:
        for name in ("../out.csv", "/tmp/out-of-archive.csv", "..\\..\\out.csv", "a/../../out.csv", ".."):
            inside.writestr(name, "Chart,Date\n")
    found = members(inner / "export.zip")
    folder = next(iter(found.values())).parent.parent
    assert all(path.resolve().is_relative_to(folder.resolve()) for path in found.values())
    assert [p.name for p in tmp_path.iterdir()] == ["practice"]
    assert not Path("/tmp/out-of-archive.csv").exists()
    assert folder.stat().st_mode & 0o077 == 0


def test_a_link_in_an_archive_is_only_a_text(tmp_path: Path):
    with zipfile.ZipFile(tmp_path / "export.zip", "w") as inside:
        link = zipfile.ZipInfo("ledger.csv")
        link.external_attr = 0o120777 << 16
        inside.writestr(link, "/etc/passwd")
    assert next(iter(members(tmp_path / "export.zip").values())).read_text(encoding="utf-8") == "/etc/passwd"


def test_an_archive_is_read_no_further_than_its_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(archive, "MAX_UNPACKED", 3 << 20)
    path = packed(tmp_path, ledger_dot_csv=bytes(50_000_000))
    read = 0
    plain = zipfile.ZipExtFile.read

    def counted(self: zipfile.ZipExtFile, n: int | None = -1) -> bytes:
        nonlocal read
        piece = plain(self, n)
        read += len(piece)
        return piece

    monkeypatch.setattr(zipfile.ZipExtFile, "read", counted)
    with pytest.raises(DataError, match="unpacks to far more"):
        open_source(path, ReadOptions())
    assert read <= 4 << 20


def test_more_cells_or_text_than_a_table_has_are_refused(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(found_tables, "MAX_CELLS", 100)
    with pytest.raises(DataError, match="too much"):
        found_tables.cells_frame((["a"] * 9 for _ in range(20)), file="x")
    monkeypatch.setattr(found_tables, "_MOST_TEXT", 50)
    with pytest.raises(DataError, match="too much"):
        found_tables.cells_frame([["a" * 60]], file="x")


def test_records_within_records_carry_what_stands_around_them():
    tree = {"p": [{"id": 1, "v": [{"day": "a", "w": [{"c": "x"}, {"c": "y"}]}]}, {"id": 2, "v": []}]}
    found = {name: [list(row) for row in rows] for name, rows in tables_of(tree, file="x").items()}
    assert found["p"] == [["id"], ["1"], ["2"]]
    assert found["p.v.w"] == [["c", "p.id", "v.day"], ["x", "1", "a"], ["y", "1", "a"]]


def test_fields_of_one_name_keep_their_whole_path():
    assert flat({"a": {"b": {"id": 1}}, "c": {"b": {"id": 2}}, "t": {"n": True}}) == {
        "a.b.id": "1",
        "c.b.id": "2",
        "t.n": "true",
    }


def test_json_within_json_without_end_is_refused_or_set_aside(tmp_path: Path):
    path = tmp_path / "deep.json"
    path.write_text('{"a": [{"b": 1}], "c": ' + '[{"d": ' * 60 + "1" + "}]" * 60 + "}")
    with pytest.raises(DataError, match="too often"):
        open_source(path, ReadOptions())
    path.write_text('{"a": [{"b": 1}], "c": ' + '[{"d": ' * 100_000 + "1" + "}]" * 100_000 + "}")
    batches = list(open_source(path, ReadOptions()).batches())
    assert [(len(b.numbers), b.malformed.height) for b in batches] == [(0, 1)]
