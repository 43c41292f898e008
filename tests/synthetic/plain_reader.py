"""Reads a practice folder through its practice.toml in plain Python, apart from the pipeline, to judge what is written.

Rows come as dictionaries under our field names and words; what a reader must set aside is counted by its reason.
"""

from __future__ import annotations

import csv
import datetime as dt
import tomllib
from collections import defaultdict

ABOUT_A_TOOTH = ("D2", "D3", "D6", "D7", "OFF")
QUADRANTS = [*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)]


def read_practice(folder):
    """Rows of each table under our field names and words, duplicates and faulty rows taken out and counted."""
    told = tomllib.loads((folder / "practice.toml").read_text(encoding="utf-8"))
    pattern = told["practice"]["date_format"]
    pattern = "%Y-%m-%d" if pattern == "auto" else pattern
    tables = {}
    for name, table in told["tables"].items():
        rows = []
        for path in sorted(p for g in table["files"] for p in folder.glob(g)):
            for source in csv.DictReader(path.open(encoding="utf-8")):
                row = {ours: source[theirs] or None for ours, theirs in table["columns"].items()}
                for field, words in table.get("values", {}).items():
                    row[field] = words.get(row[field], row[field])
                for field, text in row.items():
                    if field.endswith("_date") and text:
                        row[field] = _date(text, pattern)
                row["fdi"] = _fdi(row.get("tooth"))
                rows.append(row)
        tables[name] = rows
    seen, good, faults, duplicates = set(), [], defaultdict(int), 0
    for row in tables["procedures"]:
        if row["procedure_id"] in seen:
            duplicates += 1
            continue
        seen.add(row["procedure_id"])
        fault = _fault(row)
        if fault:
            faults[fault] += 1
        else:
            good.append(row)
    tables["procedures"] = good
    return tables, dict(faults), duplicates, told.get("rules", {}).get("data_cutoff")


def _date(text, pattern):
    if text.isdigit() and len(text) == 4:  # what others did may be known by its year
        return int(text)
    try:
        return dt.datetime.strptime(text, pattern).date()  # noqa: DTZ007
    except ValueError:
        return "unreadable"


def _fdi(tooth):
    # Primary teeth as their letter, supernumerary ones as their number from 51: never mistaken for a permanent tooth.
    if tooth is None or (len(tooth) == 1 and "A" <= tooth <= "T"):
        return tooth
    if tooth.isdigit() and 1 <= int(tooth) <= 32:
        return QUADRANTS[int(tooth) - 1]
    return f"extra {tooth}" if tooth.isdigit() and 51 <= int(tooth) <= 82 else "unknown"


def _fault(row):
    if row["patient_id"] is None:
        return "patient_missing"
    if row["code"] is None:
        return "code_missing"
    if row["service_date"] is None and row["status"] != "existing":
        return "date_missing"
    if row["service_date"] == "unreadable":
        return "date_unreadable"
    if row["fdi"] == "unknown":
        return "tooth_unknown"
    return "tooth_missing" if row["fdi"] is None and row["code"].startswith(ABOUT_A_TOOTH) else None
