"""The linking rules once more, row by row in plain Python: slow, independent of the pipeline, a judge of the truth.

Reads a practice folder through its practice.toml and gives crowns and courses as dictionaries.
"""

from __future__ import annotations

import csv
import datetime as dt
import tomllib
from collections import defaultdict
from pathlib import Path

DAY = dt.timedelta(days=1)
CROWN = {"D2710", "D2740", "D2750", "D2752", "D2790"}
INITIAL, REPEAT, PULP = {"D3310", "D3320", "D3330"}, {"D3346", "D3347", "D3348"}, {"D3221"}
EXTRACTION = {"D7140", "D7210", "D7240"}
SURGERY, RETAINER, REMOVED = {"D3410", "D3421", "D3425"}, {"D6750"}, {"OFF01"}
COMPLICATION, STANDS_FOR_A_TOOTH = {"D2920", "D2980"}, {"D6010", "D6058", "D6240"}
ABOUT_A_TOOTH = ("D2", "D3", "D6", "D7", "OFF")
QUADRANTS = [*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)]


def read_practice(folder):
    """Rows of each table under our field names and words, duplicates and faulty rows taken out and counted."""
    told = tomllib.loads((folder / "practice.toml").read_text())
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


def link_plainly(folder: Path):
    """Crowns and courses by the rules, with counts of rows set aside on reading and on linking, and duplicates."""
    tables, faults, duplicates, cutoff = read_practice(folder)
    done = _without_reversed([r for r in tables["procedures"] if r["status"] == "completed"])
    done, impossible = _without_impossible(done)
    patients = {r["patient_id"]: r for r in tables["patients"]}
    seen = defaultdict(list)
    for r in done:
        seen[r["patient_id"]].append(r["service_date"])
    for r in tables["findings"]:
        seen[r["patient_id"]].append(r["exam_date"])
    told = [p[f] for p in patients.values() for f in ("last_contact_date", "deceased_date") if p[f]]
    cutoff = cutoff or max([*told, *(d for days in seen.values() for d in days)])
    teeth, history, details = defaultdict(list), {}, defaultdict(list)
    for r in done:
        if isinstance(r["fdi"], int):
            teeth[r["patient_id"], r["fdi"]].append(r)
    for r in tables["procedures"]:
        if r["status"] == "existing" and r["code"] in CROWN:
            history[r["patient_id"], r["fdi"]] = r
            teeth[r["patient_id"], r["fdi"]] += []
    for r in tables["crown_details"]:
        details[r["patient_id"], r["fdi"]].append(r)
    crowns, courses = [], []
    for (patient, fdi), rows in sorted(teeth.items()):
        days = seen[patient]
        end = _followup(patients[patient], days, cutoff)
        c, e = _tooth(rows, history.get((patient, fdi)), details[patient, fdi], days, end)
        crowns += [{"patient_id": patient, "tooth_fdi": fdi} | x for x in c]
        courses += [{"patient_id": patient, "tooth_fdi": fdi} | x for x in e]
    return {
        "crowns": crowns,
        "courses": courses,
        "faults": faults,
        "duplicates": duplicates,
        "impossible": impossible,
        "patients": len(seen),
        "rows": len(tables["procedures"]) - impossible,
    }


def _without_reversed(rows):
    out = sorted((r for r in rows if not _negative(r)), key=lambda r: (r["service_date"], r["procedure_id"]))
    for undo in sorted((r for r in rows if _negative(r)), key=lambda r: r["service_date"]):
        like = [
            r
            for r in out
            if all(r[k] == undo[k] for k in ("patient_id", "code", "fdi"))
            and float(r["fee"]) == -float(undo["fee"])
            and r["service_date"] <= undo["service_date"]
        ]
        if like:
            out.remove(like[-1])
    return out


def _negative(row):
    return row["fee"] is not None and float(row["fee"]) < 0


def _without_impossible(rows):
    gone = {}
    for r in rows:
        if r["code"] in {*EXTRACTION, "D7111"}:
            key = r["patient_id"], r["fdi"]
            gone[key] = min(gone.get(key, r["service_date"]), r["service_date"])

    def possible(r):
        lost = gone.get((r["patient_id"], r["fdi"]))
        return r["fdi"] is None or lost is None or r["service_date"] <= lost or r["code"] in STANDS_FOR_A_TOOTH

    kept = [r for r in rows if possible(r)]
    return kept, len(rows) - len(kept)


def _followup(patient, days, cutoff):
    end = max([*days, *([patient["last_contact_date"]] if patient["last_contact_date"] else [])])
    why = "last_contact"
    if end >= cutoff:
        end, why = cutoff, "cutoff"
    if patient["deceased_date"] and patient["deceased_date"] <= end:
        end, why = patient["deceased_date"], "death"
    return end, why


def _dates(rows, codes):
    return sorted(r["service_date"] for r in rows if r["code"] in codes)


def _tooth(rows, existing, details, days, end):
    courses = _courses(rows)
    extracted = min(_dates(rows, EXTRACTION), default=None)
    stands = min(_dates(rows, STANDS_FOR_A_TOOTH), default=None)
    if stands and extracted is None:
        end = max((d for d in days if d < stands), default=None), "last_contact"
    crowns = _crowns(rows, existing, details, min(days))
    for course in courses:
        later = [c for c in crowns if c["posted"] and c["seat"] >= course["started"]]
        limit = (course["completed"] or course["started"]) + 120 * DAY
        course["new"] = later[0] if later and later[0]["seat"] <= limit else None
    _end_crowns(rows, crowns, courses, extracted, end)
    for crown in crowns:
        _name_timing(crown, courses)
    _end_courses(rows, crowns, courses, extracted, end)
    return [{k: v for k, v in c.items() if k not in ("posted", "since")} for c in crowns], [
        {k: v for k, v in c.items() if k != "new"} for c in courses
    ]


def _courses(rows):
    treated = sorted((r["service_date"], r["code"] in REPEAT) for r in rows if r["code"] in INITIAL | REPEAT)
    courses = []
    for day, repeat in treated:
        last = courses[-1] if courses else None
        if last and (day - last["completed"]).days <= 180 and not (repeat and not last["repeat"]):
            last["completed"] = day
            last["dates"].add(day)
        else:
            courses.append({"started": day, "completed": day, "repeat": repeat, "dates": {day}})
    for day in _dates(rows, PULP):
        first = next((c for c in courses if 0 <= (min(c["dates"]) - day).days <= 180), None)
        if first:
            first["started"] = min(first["started"], day)
            first["dates"].add(day)
        elif not any(c["started"] < day for c in courses):
            courses.append({"started": day, "completed": None, "repeat": False, "dates": {day}})
    courses.sort(key=lambda c: c["started"])
    out = []
    for n, c in enumerate(courses):
        as_initial = not c["repeat"] and c["completed"] is not None and any(o["completed"] for o in courses[:n])
        kind = "retreatment" if c["repeat"] or as_initial else "initial"
        visits = len(c["dates"])
        out.append({"started": c["started"], "completed": c["completed"], "visits": visits, "kind": kind,
                    "coded_as_initial": as_initial})  # fmt: skip
    return out


def _crowns(rows, existing, details, first_seen):
    runs = []
    for day in _dates(rows, CROWN):
        if runs and (day - runs[-1][-1]).days <= 60:
            runs[-1].append(day)
        else:
            runs.append([day])
    crowns = []
    if existing:
        dated = existing["service_date"]
        seat = dated if dated and dated < first_seen else None
        since = seat or first_seen - DAY
        crowns.append({"seat": seat, "posted": None, "since": since, "entry": first_seen, "recorded": False})
    taken = {}
    for d in details:
        about = d["seat_date"] or d["prep_date"]
        gap, nearest = min((max((r[0] - about).days, (about - r[-1]).days, 0), r[0]) for r in runs)
        if gap <= 60:
            taken[nearest] = d["seat_date"]
    for run in runs:
        seat = taken.get(run[0]) or run[-1]
        crowns.append({"seat": seat, "posted": run, "since": seat, "entry": seat, "recorded": bool(taken.get(run[0]))})
    return crowns


def _end_crowns(rows, crowns, courses, extracted, end):
    for n, crown in enumerate(crowns):
        since = crown["since"]
        ends = [(c["posted"][0], "replaced") for c in crowns[n + 1 : n + 2]]
        ends += [(d, "replaced") for d in _dates(rows, RETAINER) if d > since]
        ends += [(c["started"], "replaced") for c in courses if c["new"] in crowns[n + 1 :] and c["started"] > since]
        ends += [(d, "removed") for d in _dates(rows, REMOVED) if d > since]
        ends += [(extracted, "extracted")] if extracted and extracted >= since else []
        first = min(ends, default=None)
        failed = first is not None and first[0] <= end[0]
        crown |= {"failure": failed, "cause": first[1] if failed else None}
        crown |= {"exit": first[0] if failed else end[0], "why": "failed" if failed else end[1]}
        upsets = [d for d in _dates(rows, COMPLICATION) if since < d <= crown["exit"]]
        crown["complication"] = min(upsets, default=None)


def _name_timing(crown, courses):
    before = [c for c in courses if c["started"] <= crown["since"]]
    finished = [c for c in before if c["completed"] and c["completed"] <= crown["since"]]
    through = [
        c["started"]
        for c in courses
        if crown["since"] < c["started"] <= crown["exit"]
        and c["new"] is None
        and not (crown["failure"] and c["started"] == crown["exit"])
    ]
    crown["timing"] = "before_seat" if before else "through_crown" if through else "vital"
    crown["access"] = min(through) if through and not before else None
    crown["order_uncertain"] = bool(before) and not finished


def _end_courses(rows, crowns, courses, extracted, end):
    for n, course in enumerate(courses):
        on = [c for c in crowns if c["since"] < course["started"]]
        gone = not on or (on[-1]["failure"] and on[-1]["exit"] < course["started"])
        course["at_start"] = "none" if gone else "crowned" if on[-1]["seat"] else "crowned_unknown_age"
        after = course["completed"] or course["started"]
        course["retreatment"] = courses[n + 1]["started"] if n + 1 < len(courses) else None
        course["surgery"] = min((d for d in _dates(rows, SURGERY) if d > after), default=None)
        course["extraction"] = extracted
        kinds = ("retreatment", "surgery", "extraction")
        first = min(((course[k], k) for k in kinds if course[k]), default=None)
        failed = first is not None and first[0] <= end[0]
        course |= {"failure": failed, "cause": first[1] if failed else None, "exit": first[0] if failed else end[0]}
