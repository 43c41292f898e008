"""Logs, days alone above tables, days of six digits, lists beside, and who treated: proposed, or asked."""

from __future__ import annotations

import datetime as dt
import json
import random
import tomllib
from pathlib import Path
from typing import Any

import pytest

from pipeline.reading.suggest.propose import Suggestion, suggest
from pipeline.reading.suggest.shapes import are_clinicians

CODES = ("D0120", "D1110", "D2740", "D3330", "D7140", "D2392")
FIRST = dt.date(2015, 1, 5)


def found(folder: Path, encoding: str = "utf-8", **files: list[str]) -> Suggestion:
    paths = [folder / name.replace("__", ".") for name in files]
    for path, lines in zip(paths, files.values(), strict=True):
        path.write_bytes(("\n".join(lines) + "\n").encode(encoding))
    return suggest(paths, folder=folder)


def ledger_of(suggestion: Suggestion) -> dict[str, Any]:
    table: dict[str, Any] = tomllib.loads(suggestion.text)["tables"]["procedures"]
    return table


def visits(n: int, seed: int = 1) -> list[tuple[int, dt.date, str, str]]:
    """Patient, day, code and tooth of some visits of two or three rows each."""
    draw, rows = random.Random(seed), []
    for visit in range(n):
        patient, day = 4000 + draw.randrange(25), FIRST + dt.timedelta(days=visit * 9 + draw.randrange(5))
        for code in draw.sample(CODES, draw.choice((2, 3))):
            rows.append((patient, day, code, "" if code < "D2" else str(draw.randrange(2, 31))))
    return rows


def test_days_under_headings_of_work_are_rows_of_their_own(tmp_path: Path):
    rows = [
        f"{100 + n % 9},#{2 + n % 29},{FIRST + dt.timedelta(days=n * 7)},{FIRST + dt.timedelta(days=n * 7 + 20)},"
        f"{'' if n % 3 else FIRST + dt.timedelta(days=n * 7 + 900)}"
        for n in range(60)
    ]
    table = ledger_of(found(tmp_path, log__csv=["Chart,Tooth,RCT date,Crown seated,Ext date", *rows]))
    assert table["repeated_columns"] == [["RCT date"], ["Crown seated"], ["Ext date"]]
    assert table["columns"]["code"] == "treatment"
    assert table["columns"]["service_date"] == "RCT date"


def test_a_day_alone_above_each_table_is_the_day(tmp_path: Path):
    html = ["<html><body>"]
    for n in range(12):
        day = FIRST + dt.timedelta(days=n * 30)
        rows = "".join(f"<tr><td>{70 + m % 5}</td><td>16</td><td>{CODES[m]}</td></tr>" for m in range(4))
        html.append(f"<h3>{day:%A}, {day:%B} {day.day}, {day.year}</h3><table><tr><th>Chart</th><th>Tooth</th>")
        html.append(f"<th>Code</th></tr>{rows}</table>")
    table = ledger_of(found(tmp_path, days__html=[*html, "</body></html>"]))
    assert table["group_lines"] == ["{service_date}"]


@pytest.mark.parametrize("order", ["%y%m%d", "%d%m%y", "%m%d%y"])
def test_days_of_six_digits_are_asked_with_the_likelier_order_first(tmp_path: Path, order: str):
    rows = [f"{p};{day:{order}};{code};{tooth}" for p, day, code, tooth in visits(90)]
    proposed = found(tmp_path, ledger__csv=["Chart;Date;Code;Tooth", *rows])
    assert ledger_of(proposed)["columns"]["service_date"] == "Date"
    assert ledger_of(proposed)["date_format"] == "ask"
    (line,) = (line for line in proposed.text.splitlines() if line.startswith("date_format"))
    likely = line.split('"')[3]
    assert likely == order if order != "%m%d%y" else likely in ("%d%m%y", "%m%d%y")
    assert tomllib.loads(proposed.text)["practice"]["two_digit_years_from"] == "ask"


def test_numbers_of_six_digits_elsewhere_are_no_days(tmp_path: Path):
    rows = [f"{p},{day},{day:%y%m%d},{code},{tooth}" for p, day, code, tooth in visits(60)]
    table = ledger_of(found(tmp_path, ledger__csv=["Chart,Date,Batch,Code,Tooth", *rows]))
    assert table["columns"]["service_date"] == "Date"
    assert "date_format" not in table


def test_a_short_list_is_read_in_the_encoding_of_the_ledger(tmp_path: Path):
    words = ("undersökning", "rengöring", "krona", "rotfyllning", "tand uttagen", "fyllning")
    rows = [f"{p};{day};{10 + CODES.index(code)};{tooth};J" for p, day, code, tooth in visits(60)]
    codes = [f"{10 + n};{word}" for n, word in enumerate(words)]
    head = "Patient;Datum;Åtgärd;Tand;Ers.berätt"
    proposed = found(tmp_path, "cp850", ledger__csv=[head, *rows], koder__csv=["Kod;Vad", *codes])
    table = ledger_of(proposed)
    assert table["encoding"] == "cp850"
    assert table["joined"] == [{"file": "koder.csv", "on": "Åtgärd", "key": "Kod"}]
    assert "KRONA" in (proposed.codes or "")


def test_visits_that_name_a_list_of_patients_are_joined_all_the_same(tmp_path: Path):
    rows = visits(60)
    days = list(dict.fromkeys((p, day) for p, day, _, _ in rows))
    visit = [days.index((p, day)) for p, day, _, _ in rows]
    lines = [f"{n},{visit[n]},{code},{tooth and 'S' + tooth}" for n, (_, _, code, tooth) in enumerate(rows)]
    table = ledger_of(
        found(
            tmp_path,
            lines__csv=["line_key,visit_key,code,site", *lines],
            visits__csv=["visit_key,person_key,arrived", *(f"{n},{p},{day}" for n, (p, day) in enumerate(days))],
            sites__csv=["site_id,label", *(f"S{n},{n}" for n in range(1, 33))],
            people__csv=["person_key,born,sex", *(f"{4000 + n},19{40 + n}-02-03,{'MF'[n % 2]}" for n in range(25))],
        )
    )
    joined = {one["file"]: (one["on"], one.get("key", one["on"])) for one in table["joined"]}
    assert joined == {"visits.csv": ("visit_key", "visit_key"), "sites.csv": ("site", "site_id")}
    assert table["columns"]["patient_id"] == "visits.person_key"
    assert table["columns"]["tooth"] == "sites.label"


@pytest.mark.parametrize("by_visit", [True, False])
def test_a_column_that_goes_through_visits_may_say_who_treated(tmp_path: Path, by_visit: bool):
    draw = random.Random(7)
    who = {}
    rows = []
    for patient, day, code, tooth in visits(90):
        hand = who.setdefault((patient, day) if by_visit else len(rows), draw.choice(("ab", "cd")))
        rows.append(f"{patient},{day},{code},{tooth},{'dh' if code == 'D1110' else hand}")
    table = ledger_of(found(tmp_path, ledger__csv=["Chart,Date,Code,Tooth,Zq", *rows]))
    assert table["columns"].get("provider_id") == ("ask" if by_visit else None)


def test_a_crown_that_is_cemented_beside_other_crowns_is_asked(tmp_path: Path):
    texts = {"D2740": "porcelain crown", "D2392": "crown cemented", "D3330": "root canal", "D0120": "exam"}
    rows = [f"{p},{day},{texts.get(code, 'cleaning')},{tooth}" for p, day, code, tooth in visits(60)]
    head = "Chart,Date,Treatment,Tooth"
    both = found(tmp_path, ledger__csv=[head, *rows]).codes or ""
    assert '"CROWNCEMENTED","ask"' in both
    assert '"PORCELAINCROWN","crown_placement"' in both
    alone = found(tmp_path, ledger__csv=[head, *(row.replace("porcelain crown", "exam") for row in rows)]).codes or ""
    assert '"CROWNCEMENTED","crown_placement"' in alone


def test_names_of_sheets_with_titles_are_those_of_clinicians():
    assert are_clinicians(["Dr Ash", "Dra. Moor", "Room 3"])
    assert not are_clinicians(["Dr Ash", "March", "April", "May"])
    assert not are_clinicians(["Drafts", "Draw"])


def test_a_printed_ledger_is_cut_below_its_known_headings_and_not_below_a_title(tmp_path: Path):
    lines = ["             FAMILY LEDGER REPORT", "THRU 12/31/19          PAGE 1", ""]
    lines += ["DATE       CHART  CODE   TOOTH  DR"]
    lines += [f"{d:%m/%d/%Y} {p:<7}{code:<7}{tooth:<7}{'AH' if p % 2 else 'BM'}" for p, d, code, tooth in visits(40)]
    table = ledger_of(found(tmp_path, ledger__prn=lines))
    assert set(table["columns"]) >= {"patient_id", "service_date", "code", "tooth"}
    assert table["columns"]["service_date"] == "DATE"


def test_patients_with_visits_within_are_not_joined_to_themselves(tmp_path: Path):
    records: dict[int, dict[str, Any]] = {}
    for patient, day, code, tooth in visits(80):
        of = records.setdefault(patient, {"chart": f"c{patient}", "born": f"19{patient % 60 + 30}-05-06", "visits": []})
        of["visits"].append({"on": f"{day}T09:30:00", "work": [{"cdt": code, "tooth": {"number": tooth}, "fee": 9}]})
    path = tmp_path / "charts.jsonl"
    path.write_text("\n".join(json.dumps(one) for one in records.values()) + "\n", encoding="utf-8")
    table = ledger_of(suggest([path], folder=tmp_path))
    assert "joined" not in table
    assert table["sheets"] == ["visits.work"]
    assert table["columns"]["service_date"] == "visit.on"


def test_numbers_of_patients_with_a_year_behind_a_stroke_are_no_months(tmp_path: Path):
    words = ("ตรวจ", "ขูดหินปูน", "ครอบฟัน", "รักษาราก", "ถอนฟัน", "PA")
    rows = [f"{p % 100:04}/{40 + p % 25},{d},{words[CODES.index(code)]},{tooth}" for p, d, code, tooth in visits(90)]
    table = ledger_of(found(tmp_path, ledger__csv=["HN,วันที่,การรักษา,ซี่", *rows]))
    assert table["columns"]["patient_id"] == "HN"
    assert table["columns"]["code"] == "การรักษา"
