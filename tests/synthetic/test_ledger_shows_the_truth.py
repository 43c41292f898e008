"""What the written ledger must show of what happened, checked row by row against the book, without any linking."""

import dataclasses
import datetime as dt
from collections import defaultdict

import pytest
from plain_reader import read_practice

from synthetic_data import generate
from synthetic_data.truth import DEFAULT

ROOT_CANALS = {"D3310", "D3320", "D3330", "D3346", "D3347", "D3348"}
OPENS = ROOT_CANALS | {"D3220", "D3221"}
CROWNS = {"D2644", "D2710", "D2740", "D2750", "D2752", "D2790", "D2931", "D6750"}
FILLINGS, REPAIR = {"D2391", "D2140", "D2330"}, "D2980"
EXTRACTIONS, SIGNS = {"D7140", "D7210"}, {"D6010", "D6245"}


def days(first, second):
    return (second - first).days


@dataclasses.dataclass
class Practice:
    """Rows by tooth and by patient, the days on which patients were seen, and the book of crowns and courses."""

    teeth: dict
    table: dict
    details: dict
    seen: dict
    crowns: list
    courses: dict


@pytest.fixture(scope="module")
def practice(tmp_path_factory):
    folder = tmp_path_factory.mktemp("practice")
    renewals = {"replaced": 0.5, "redone": 0.2, "retainer": 0.05, "removed": 0.05, "extracted": 0.2}
    truth = dataclasses.replace(
        DEFAULT, referred=0.3, lost_elsewhere=0.4, cause_vital=renewals, false_hint_per_year=0.003
    )
    generate.simulate(folder, crowns=3000, seed=9, truth=truth)
    tables, *_ = read_practice(folder)
    teeth, table, details, seen = (defaultdict(list) for _ in range(4))
    for r in tables["procedures"]:
        teeth[r["patient_id"], r["fdi"]].append(r)
        if r["status"] == "completed" and not (r["fee"] or "").startswith("-"):
            seen[r["patient_id"]].append(r["service_date"])
    for r in tables["findings"]:
        seen[r["patient_id"]].append(r["exam_date"])
    for r in tables["elsewhere"]:
        table[r["patient_id"], r["fdi"]].append(r)
    for r in tables["crown_details"]:
        details[r["patient_id"], r["fdi"]].append(r)
    courses = defaultdict(list)
    for c in book(folder / "truth" / "courses.csv"):
        courses[c["patient_id"], c["tooth_fdi"]].append(c)
    return Practice(teeth, table, details, seen, book(folder / "truth" / "crowns.csv"), courses)


def book(path):
    """The book's rows with dates, numbers and flags as such."""
    import csv

    def value(name, text):
        if text in ("true", "false"):
            return text == "true"
        if text.count("/") == 2:
            return dt.datetime.strptime(text, "%m/%d/%Y").date()  # noqa: DTZ007
        return int(text) if name == "tooth_fdi" else text or None

    with path.open(encoding="utf-8", newline="") as stream:
        return [{k: value(k, v) for k, v in row.items()} for row in csv.DictReader(stream)]


def key(c):
    return c["patient_id"], c["tooth_fdi"]


def ours(practice, **wanted):
    found = [c for c in practice.crowns if c["made_here"] and all(c[k] == v for k, v in wanted.items())]
    assert found, wanted
    return found


def done(practice, c, codes, status="completed"):
    rows = [r for r in practice.teeth[key(c)] if r["status"] == status and r["code"] in codes]
    return [r for r in rows if not (r["fee"] or "").startswith("-")]


@pytest.mark.thorough
def test_the_state_of_the_pulp_agrees_with_the_course_of_events(practice):
    """A pulp that was hyperemic or dead at the preparation was there; a root-filled tooth had been filled by then."""
    between = after = never = 0
    for c in ours(practice):
        begun, prep, seat = c["root_canal_on"], c["prep_date"], c["seat_date"]
        assert prep <= seat
        state = c["pulp_status_at_prep"]
        if state == "root_filled":
            assert begun <= prep
            assert c["true_endo_timing"] == "before_seat"
        elif state == "necrotic":
            assert prep < begun <= seat, "a dead pulp is not crowned over"
        elif begun is not None:
            assert begun > prep
        if state == "hyperemic":
            between += begun is not None and begun <= seat
            after += begun is not None and begun > seat
            never += begun is None
    assert min(between, after, never) > 30


def test_what_was_recorded_of_a_crown_is_what_it_was(practice):
    recorded = 0
    by_tooth = defaultdict(list)
    for c in ours(practice):
        by_tooth[key(c)].append(c)
    for tooth, crowns in by_tooth.items():
        for d in practice.details[tooth]:
            about = d["seat_date"] or d["prep_date"]
            if about is None:
                continue
            c = min(crowns, key=lambda c: abs(days(c["seat_date"], about)))
            if d["pulp_status_at_prep"]:
                assert d["pulp_status_at_prep"] == c["pulp_status_at_prep"]
            if d["post"] not in (None, "none"):
                assert c["true_endo_timing"] == "before_seat"
                recorded += 1
    assert recorded > 50


@pytest.mark.parametrize("charted", ["dated", "year", "on_visit", "undated", "not"])
def test_a_root_canal_elsewhere_stands_in_the_files_as_it_is_charted(practice, charted):
    for c in ours(practice, root_canal_charted=charted):
        begun, seen = c["root_canal_on"], practice.seen[c["patient_id"]]
        rows = done(practice, c, ROOT_CANALS, "existing")
        told = [r for r in practice.table[key(c)] if r["event"] == "root_canal"]
        initial = [r for r in done(practice, c, OPENS) if r["code"] in {"D3310", "D3320", "D3330", "D3220", "D3221"}]
        dates = [r["service_date"] for r in rows if r["code"] < "D3346"] + [r["event_date"] for r in told]
        if charted != "dated":
            assert not done(practice, c, OPENS) or not initial, "no row of ours"
        if charted == "dated":
            assert dates == [begun]
            assert begun not in seen
        elif charted == "year":
            assert dates == [begun.year]
            assert begun.year != c["seat_date"].year
        elif charted == "on_visit":
            assert len(dates) == 1
            assert dates[0] in seen
            assert dates[0] > begun
        else:
            assert dates == ([None] if charted == "undated" else [])


@pytest.mark.parametrize("charted", ["dated", "on_visit", "undated", "sign", "not"])
def test_a_tooth_lost_elsewhere_stands_in_the_files_as_it_is_charted(practice, charted):
    for c in ours(practice, failure_charted=charted, true_failure_cause="extracted"):
        lost, seen = c["true_failure_date"], practice.seen[c["patient_id"]]
        assert not [r for r in done(practice, c, EXTRACTIONS) if r["service_date"] >= lost]
        rows = done(practice, c, EXTRACTIONS, "existing")
        told = [r for r in practice.table[key(c)] if r["event"] == "extraction"]
        dates = [r["service_date"] for r in rows] + [r["event_date"] for r in told]
        signs = [r["service_date"] for r in done(practice, c, SIGNS)]
        if charted == "dated":
            assert dates == [lost]
            assert lost not in seen
        elif charted == "on_visit":
            assert len(dates) == 1
            assert dates[0] > lost
            assert dates[0] in seen
        elif charted == "sign":
            assert not dates
            assert len(signs) == 1
            assert signs[0] > lost
        else:
            assert dates == ([None] if charted == "undated" else [])
        needing = [r for r in done(practice, c, OPENS | FILLINGS | CROWNS | {REPAIR}) if r["service_date"] > lost]
        assert not needing, "what is gone is not treated"


def test_the_days_between_which_a_tooth_was_lost_hold_the_true_day(practice):
    """Where the first sign was seen when the patient next came; an undated one counts as seen at the last contact."""
    found = 0
    for c in ours(practice, failure=True, failure_cause="extracted"):
        if c["failure_charted"] in ("sign", "on_visit"):
            found += 1
            width = int(c["loss_interval_days"])
            first = c["exit_date"] - dt.timedelta(days=width // 2)
            assert first <= c["true_failure_date"] <= first + dt.timedelta(days=width)
        elif c["failure_charted"] in ("here", "dated"):
            assert c["exit_date"] == c["true_failure_date"]
            assert c["loss_interval_days"] is None
    assert found > 20


def test_a_renewal_that_was_planned_shows_it_and_the_others_do_not(practice):
    told = {True: 0, False: 0}
    for c in ours(practice, true_endo_timing="through_crown"):
        gave_up = c["true_given_up_on"]
        if gave_up is None:
            continue
        planned = [r["service_date"] for r in done(practice, c, CROWNS, "planned")]
        ahead = [d for d in planned if c["seat_date"] < d and 0 < days(d, gave_up) <= 30]
        assert bool(ahead) == c["renewal_planned"]
        assert c["true_opening"] == gave_up == c["access_date"]
        assert c["renewed_after_opening"]
        last = max(r["service_date"] for r in done(practice, c, OPENS))
        new = [r["service_date"] for r in done(practice, c, CROWNS) if r["service_date"] > gave_up]
        assert days(last, min(new)) <= 120
        assert min(new) == c["exit_date"] == c["true_failure_date"]
        told[c["renewal_planned"]] += 1
    assert min(told.values()) > 5


def test_an_opening_is_closed_by_a_filling_or_repair_that_is_no_complication(practice):
    closed = 0
    for c in ours(practice, opening_charted="here", root_canal_charted="here"):
        rows = sorted(r["service_date"] for r in done(practice, c, OPENS) if r["service_date"] >= c["true_opening"])
        course = [d for d in rows if days(c["true_opening"], d) <= 60]
        closing = [
            r
            for r in done(practice, c, FILLINGS | {REPAIR})
            if c["true_opening"] <= r["service_date"] and days(course[-1], r["service_date"]) <= 60
        ]
        closed += bool(closing)
        upset = c["first_complication_date"]
        assert all(r["service_date"] != upset for r in closing)
    assert closed > 0.6 * len(ours(practice, opening_charted="here"))


def test_a_hint_is_one_surface_on_a_standing_crown_far_from_any_course(practice):
    true = false = 0
    for c in ours(practice):
        if c["hint_date"] is None:
            continue
        (row,) = [r for r in done(practice, c, FILLINGS) if r["service_date"] == c["hint_date"]]
        assert row["surface"] in (None, "O", "L")
        assert c["seat_date"] < c["hint_date"]
        assert c["true_failure_date"] is None or c["hint_date"] < c["true_failure_date"]
        near = [r for r in done(practice, c, OPENS) if abs(days(r["service_date"], c["hint_date"])) <= 400]
        assert not near
        if c["hint_true"]:
            assert c["opening_charted"] == "not"
            assert 0 < days(c["true_opening"], c["hint_date"]) <= 60
            true += 1
        else:
            assert c["root_canal_on"] is None or c["root_canal_on"] > c["hint_date"]
            false += 1
    assert true > 3
    assert false > 3


def test_remakes_without_a_fee_and_late_refunds(practice):
    refunds = 0
    for c in ours(practice, crown_kind="single"):
        rows = done(practice, c, CROWNS)
        at_seat = [r for r in rows if r["service_date"] == c["seat_date"]]
        if c["remake_no_fee"]:
            assert [float(r["fee"]) for r in at_seat] == [0] * len(at_seat)
            before = [r["service_date"] for r in rows if r["service_date"] < c["seat_date"]]
            assert min(days(d, c["seat_date"]) for d in before) > 120
        if c["late_refund"]:
            (back,) = [
                r for r in practice.teeth[key(c)] if (r["fee"] or "") > "-" and r["service_date"] == c["late_refund"]
            ]
            paid = [r for r in rows if float(r["fee"]) == -float(back["fee"]) and r["code"] == back["code"]]
            assert min(days(r["service_date"], back["service_date"]) for r in paid) > 60
            refunds += 1
    assert ours(practice, remake_no_fee=True)
    assert refunds > 5


def test_a_row_is_taken_back_within_sixty_days(practice):
    late = {(*key(c), c["late_refund"]) for c in ours(practice)}
    back = 0
    for tooth, rows in practice.teeth.items():
        for undo in (r for r in rows if (r["fee"] or "").startswith("-")):
            if (*tooth, undo["service_date"]) in late:
                continue
            like = [
                days(r["service_date"], undo["service_date"])
                for r in rows
                if r["code"] == undo["code"] and r["fee"] == undo["fee"][1:] and r["status"] == "completed"
            ]
            assert min(d for d in like if d >= 0) <= 60
            back += 1
    assert back > 50


def test_films_read_twice_differ_by_a_grade_at_most(tmp_path):
    generate.simulate(tmp_path, crowns=400, seed=2)
    tables, *_ = read_practice(tmp_path)
    films = defaultdict(dict)
    for r in tables["findings"]:
        films[r["patient_id"], r["fdi"], r["exam_date"]][r["reading"]] = r
    twice = [f for f in films.values() if len(f) == 2]
    assert all("1" in f for f in films.values())
    assert 0.05 < len(twice) / len(films) < 0.2
    grades = [(int(f["1"]["pai"]), int(f["2"]["pai"])) for f in twice]
    assert all(abs(a - b) <= 1 for a, b in grades)
    assert any(a != b for a, b in grades)
    assert all(f["1"]["reader"] != f["2"]["reader"] for f in twice)
