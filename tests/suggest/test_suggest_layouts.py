"""Layouts of reports: seen from the lines, proposed with masked samples, and right once the proposal is loaded."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline.machine.errors import DataError
from pipeline.practice.tables import PROCEDURES
from pipeline.reading.config import load_settings
from pipeline.reading.doubts.signs import SIGNS
from pipeline.reading.sources import ReadOptions
from pipeline.reading.suggest.layouts import find_layout_of
from pipeline.reading.suggest.propose import suggest
from pipeline.stages.ingest import ingest
from pipeline.storing.store import open_store

ROWS = [
    (f"{1001 + p}", f"20{10 + v:02}-0{1 + p % 9}-1{v}", code, str(tooth), fee)
    for p in range(12)
    for v in range(3)
    for code, tooth, fee in [("D2740", 3 + p, "1200.00"), ("D3330", 14 + p, "900.00")][: 1 + (p + v) % 2]
]
HEADINGS = ("Chart", "Date", "Code", "Tooth", "Fee")


def filled_down() -> str:
    lines, last = [",".join(HEADINGS)], ("", "")
    for chart, day, *rest in ROWS:
        shown = ("" if chart == last[0] else chart, "" if (chart, day) == last else day)
        lines.append(",".join([*shown, *rest]))
        last = (chart, day)
    return "\n".join(lines)


def group_lines() -> str:
    lines, last = [",".join(HEADINGS[1:])], ""
    for chart, *rest in ROWS:
        above = [*["Patient total 2100.00"] * bool(last), f"Patient: {chart} Moor"]
        lines += above * (chart != last) + [",".join(rest)]
        last = chart
    return "\n".join(lines)


def fixed() -> str:
    return "\n".join("{:<8}{:<12}{:<8}{:>5}{:>10}".format(*row) for row in (HEADINGS, *ROWS))


def names() -> str:
    called = ("Moor, Hazel", "Lane")
    lines = [f"{row[0]},{called[n % 2]},{','.join(row[1:])}" for n, row in enumerate(ROWS)]
    return "\n".join(["Chart,Patient name,Date,Code,Tooth,Fee", *lines])


def last_column() -> str:
    texts = ("crown, porcelain, shade A2", "done")
    return "\n".join([f"{','.join(HEADINGS)},Remark", *(f"{','.join(r)},{texts[n % 2]}" for n, r in enumerate(ROWS))])


def stacked() -> str:
    half = len(ROWS) // 2
    first = [",".join(row) for row in (HEADINGS, *ROWS[:half])]
    other = ["", "Date,Chart,Amount,Method,Note", "2019-01-01,1001,100,card,x", ""]
    turned = [",".join((r[1], r[0], r[3], r[2], r[4])) for r in (HEADINGS, *ROWS[half:])]
    return "\n".join([*first, *other, *turned])


CASES = {
    "fill_down": (filled_down, '["patient_id", "service_date"]'),
    "group_lines": (group_lines, '["Patient: {patient_id} {*}"]'),
    "fixed_width": (fixed, "[1, 9, 21, 29, 37]"),
    "names": (names, '["Patient name"]'),
    "last": (last_column, '["Remark"]'),
    "stacked_tables": (stacked, "true"),
}


@pytest.mark.parametrize("case", CASES)
def test_a_layout_is_seen(case: str, tmp_path: Path):
    write, value = CASES[case]
    (tmp_path / "x.csv").write_text(write() + "\n", encoding="utf-8")
    _, lines = find_layout_of(tmp_path / "x.csv", ReadOptions())
    key = case if case.endswith(("down", "lines", "width", "tables")) else "loose_columns"
    assert [(line.key, line.value) for line in lines] == [(key, value)]
    assert "1001" not in lines[0].why
    assert "Moor" not in lines[0].why


def test_several_codes_in_a_cell_under_a_plural_are_codes(tmp_path: Path):
    codes = ((1, "0010, 1040"), (2, "2080"))
    rows = [f"{p}|14.0{m}.2015|{10 + p % 8}|{code}|150,00" for p in range(12) for m, code in codes]
    text = "\n".join(["Patient|Datum|Zahn|Leistungsnummern|Summe EUR", *rows])
    (tmp_path / "x.txt").write_text(text + "\n", encoding="utf-8")
    assert 'columns.code = "Leistungsnummern"' in suggest([tmp_path / "x.txt"], folder=tmp_path).text


@pytest.mark.parametrize("cells", [("", ""), ("", "2020-01-01")])
def test_an_ordinary_ledger_with_a_few_gaps_has_none(cells: tuple[str, str], tmp_path: Path):
    rows = [*(",".join(row) for row in ROWS), f"{cells[0]},{cells[1]},D2740,3,1.00"]
    (tmp_path / "x.csv").write_text("\n".join([",".join(HEADINGS), *rows]) + "\n", encoding="utf-8")
    assert find_layout_of(tmp_path / "x.csv", ReadOptions())[1] == ()


@pytest.mark.thorough
@pytest.mark.parametrize("case", CASES)
def test_the_proposal_loads_every_row_as_it_was_meant(case: str, tmp_path: Path):
    (tmp_path / "x.csv").write_text(CASES[case][0]() + "\n", encoding="utf-8")
    text = suggest([tmp_path / "x.csv"], folder=tmp_path).text.replace('crown_date = "ask"', 'crown_date = "seat"')
    text = text.replace("[practice]", f"[practice]\naccepted = {[s.id for s in SIGNS]}")
    (tmp_path / "practice.toml").write_text(text, encoding="utf-8")
    settings = load_settings(tmp_path / "practice.toml")
    ingest(settings, today=dt.date(2026, 1, 1), say=lambda _: None, keep_ids=True)
    with open_store(settings.practice.database) as store:
        found = store.read(PROCEDURES).select("patient_id", "service_date", "code", "tooth", "fee").rows()
    assert sorted((p, str(d), c, t, f"{fee:.2f}") for p, d, c, t, fee in found) == sorted(ROWS)


def test_a_report_with_two_lines_a_piece_of_work_is_refused_with_what_was_seen(tmp_path: Path):
    lines = ["Cedar Lane - Procedure listing", ""]
    for n in range(40):
        lines += [f"Patient {1002 + n}  Wren, Evan"] if n % 5 == 0 else []
        lines += [f"  0{1 + n % 9}/{10 + n % 18}/2019  D{2391 + n % 3}  {3 + n % 12:>2}    {55 + n}.00"]
        lines += [f"       by {('CV', 'HY')[n % 2]}: {('Periodic exam', 'Adult cleaning')[n % 2]}"]
    path = tmp_path / "listing.txt"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(DataError) as refusal:
        suggest([path], folder=tmp_path)
    assert "columns seen" in str(refusal.value)
    assert "may be written over two lines" in str(refusal.value)


@pytest.mark.parametrize(("left_out", "told"), [("KN", ', "provider_id"'), ("", "")])
def test_what_is_merged_with_the_patient_is_filled_down_with_it(left_out: str, told: str, tmp_path: Path):
    lines, last = ["OPD No,Patient,Date,Code,Tooth,Dr"], ""
    for chart, day, code, tooth, _ in [row for row in ROWS for _ in range(2)]:
        who = left_out if chart == "1005" else "SH"
        said = f"{chart},Moor {chart},{day}" if chart + day != last else ",,"
        lines.append(f"{said},{code},{tooth},{'' if said == ',,' else who}")
        last = chart + day
    lines[1] = lines[1].removesuffix("SH") + "KN"
    (tmp_path / "x.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = suggest([tmp_path / "x.csv"], folder=tmp_path).text
    assert f'fill_down = ["patient_id", "service_date"{told}]' in text


def test_names_that_come_back_are_no_work(tmp_path: Path):
    work = ("RCT", "S&P", "PBC fit", "XLA", "PA", "Exam", "Core")
    lines = ["Day,Ref,Surname,Work,Tooth"]
    for n in range(140):
        who, did = n % 12, work[n % 7]
        tooth = "" if did in ("S&P", "PA", "Exam") else f"UR{1 + n % 8}"
        lines.append(
            f"2019-0{1 + n % 9}-1{n % 5},HL{who:03},{('Moorland', 'Hazelwood', 'Lanefield')[who % 3]},{did},{tooth}"
        )
    (tmp_path / "book.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert 'columns.code = "Work"' in suggest([tmp_path / "book.csv"], folder=tmp_path).text
