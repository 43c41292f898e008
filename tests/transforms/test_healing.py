"""Rule 9, healing: three ways to count the latest film, and which reading of a film counts."""

import polars as pl
import pytest
from drawn import frame, table

from pipeline.practice.tables import ENDO_DETAILS, FINDINGS
from pipeline.transforms.healing import STATES, healing_at_recall
from pipeline.transforms.readings import films_read, paired_readings

RULES = {"recall_months": 12, "uncertain_years": 4, "gap_days": 180}
NO_DETAILS = table("patient_id | tooth_fdi | service_date | preop_pai", ENDO_DETAILS)
ONE_COURSE = frame("""
    course_id | patient_id | tooth_fdi | started    | completed  | exit_date
    E1        | p1         | 16        | 2019-12-15 | 2020-01-01 | 2029-01-01
""")


def told(courses, findings, details=NO_DETAILS, **rules):
    rows = healing_at_recall(courses, findings, details, **(RULES | rules)).to_dicts()
    return {r["course_id"]: r for r in rows}


def one(findings, details=NO_DETAILS, courses=ONE_COURSE):
    return told(courses, table(findings, FINDINGS), details)["E1"]


def recorded(preop: int):
    return table(f"patient_id | tooth_fdi | service_date | preop_pai\np1 | 16 | 2019-12-15 | {preop}", ENDO_DETAILS)


CASES = [
    (5, 1, "false", "2021-01-01", True, True, "healed"),
    (5, 2, "false", "2021-01-01", True, True, "healed"),
    # Smaller and not gone: healing before four years, on the anniversary no more.
    (5, 3, "false", "2021-01-01", False, True, "uncertain"),
    (5, 4, "false", "2023-12-31", False, True, "uncertain"),
    (5, 4, "false", "2024-01-01", False, True, "not_healed"),
    # The same size, or larger.
    (4, 4, "false", "2021-01-01", False, False, "not_healed"),
    (3, 4, "false", "2021-01-01", False, False, "not_healed"),
    # Symptoms undo all three.
    (5, 1, "true", "2021-01-01", False, False, "not_healed"),
    (5, 3, "true", "2021-01-01", False, False, "not_healed"),
    # Without a lesion before: it stays away, or it came.
    (1, 2, "false", "2021-01-01", True, True, "healed"),
    (2, 3, "false", "2021-01-01", False, False, "not_healed"),
    # A film that does not tell of symptoms: only what it refutes by itself.
    (5, 1, "", "2021-01-01", None, None, None),
    (5, 3, "", "2021-01-01", False, None, None),
    (3, 5, "", "2021-01-01", False, False, None),
]


@pytest.mark.parametrize("case", CASES)
def test_three_ways_to_count_the_latest_film(case):
    preop, pai, symptomatic, day, strict, loose, state = case
    found = one(
        f"patient_id | tooth_fdi | exam_date | pai | symptomatic\np1 | 16 | {day} | {pai} | {symptomatic}",
        recorded(preop),
    )
    assert (found["strict"], found["loose"], found["state"]) == (strict, loose, state)
    assert found["lesion_before"] == ("yes" if preop >= 3 else "no")


@pytest.mark.parametrize(
    ("pai", "strict", "loose", "state"),
    [(2, True, True, "healed"), (3, False, None, "not_healed"), (5, False, False, "not_healed")],
)
def test_what_can_be_told_without_an_index_before_treatment(pai, strict, loose, state):
    found = one(f"patient_id | tooth_fdi | exam_date | pai | symptomatic\np1 | 16 | 2021-02-01 | {pai} | false")
    assert (found["preop_pai"], found["lesion_before"]) == (None, None)
    assert (found["strict"], found["loose"], found["state"]) == (strict, loose, state)


def test_an_index_that_falls_from_recall_to_recall_is_no_failure():
    falling = """
        patient_id | tooth_fdi | exam_date  | pai | symptomatic
        p1         | 16        | 2020-07-01 | 5   | false
        p1         | 16        | 2021-01-15 | 4   | false
        p1         | 16        | 2022-01-15 | 3   | false
    """
    assert one(falling)["state"] == "uncertain"
    # Also where it rose above the index before treatment first: strict and loose hold to that one.
    found = one(falling, recorded(3))
    assert (found["strict"], found["loose"], found["state"]) == (False, False, "uncertain")
    # One that rises is a failure, and only the latest film counts.
    rising = falling.replace("| 5 ", "| 3 ").replace("2022-01-15 | 3", "2022-01-15 | 4")
    assert one(rising)["state"] == "not_healed"
    assert one(f"{falling}\n p1 | 16 | 2024-06-01 | 2 | false")["state"] == "healed"


def test_a_film_of_the_day_on_which_the_course_began_is_none_since():
    # The recorded index goes before that film; the recall is above it, and below the film.
    films = """
        patient_id | tooth_fdi | exam_date  | pai | symptomatic
        p1         | 16        | 2019-12-15 | 5   | true
        p1         | 16        | 2021-02-01 | 4   | false
    """
    assert one(films, recorded(3))["state"] == "not_healed"
    assert one(films.replace("2019-12-15", "2019-12-16"), recorded(3))["state"] == "uncertain"
    # Nor is one after the end of follow-up, of which nothing counts.
    later = films.replace("2019-12-15", "2023-01-01")
    ended = ONE_COURSE.with_columns(exit_date=pl.date(2022, 1, 1))
    assert one(later, recorded(3), ended)["state"] == "not_healed"


def test_the_index_before_treatment_is_the_recorded_one_else_a_film_shortly_before():
    films = """
        patient_id | tooth_fdi | exam_date  | pai | symptomatic
        p1         | 16        | 2019-12-15 | 4   | true
        p1         | 16        | 2021-02-01 | 3   | false
    """
    assert one(films)["preop_pai"] == 4
    assert one(films)["state"] == "uncertain"
    assert one(films, recorded(5))["preop_pai"] == 5
    # 180 days before the course began, and a day more.
    assert one(films.replace("2019-12-15", "2019-06-18"))["preop_pai"] == 4
    assert one(films.replace("2019-12-15", "2019-06-17"))["preop_pai"] is None
    # A film taken between the visits shows the tooth under treatment.
    assert one(films.replace("2019-12-15", "2019-12-16"))["preop_pai"] is None


def test_which_film_is_the_recall():
    courses = frame("""
        course_id | patient_id | tooth_fdi | started    | completed  | exit_date
        # Just in time, a day early; none by the end of follow-up; never completed; a leap day.
        E1        | p1         | 16        | 2020-01-01 | 2020-01-01 | 2022-01-01
        E2        | p2         | 16        | 2020-01-01 | 2020-01-01 | 2022-01-01
        E3        | p3         | 16        | 2020-01-01 | 2020-01-01 | 2021-06-01
        E4        | p4         | 16        | 2020-01-01 |            | 2022-01-01
        E5        | p5         | 16        | 2020-02-29 | 2020-02-29 | 2022-01-01
    """)
    findings = table(
        """
        patient_id | tooth_fdi | exam_date  | pai | symptomatic
        p1         | 16        | 2021-01-01 | 1   | false
        p2         | 16        | 2020-12-31 | 1   | false
        p3         | 16        | 2021-06-02 | 1   | false
        p4         | 16        | 2021-06-01 | 1   | false
        p5         | 16        | 2021-02-28 | 1   | false
        # Another tooth, and a supernumerary one beside it.
        p2         | 17        | 2021-06-01 | 1   | false
        """,
        FINDINGS,
    )
    beside = table(
        "patient_id | tooth_fdi | exam_date | pai | symptomatic\np2 | 16 | 2021-06-01 | 1 | false",
        FINDINGS,
        supernumerary=True,
    )
    found = told(courses, pl.concat([findings, beside]))
    assert list(found) == ["E1", "E2", "E3", "E5"]
    assert [name for name, row in found.items() if row["state"] == "healed"] == ["E1", "E5"]
    assert found["E2"]["recall_date"] is None


READ_TWICE = """
    patient_id | tooth_fdi | exam_date  | pai | symptomatic | reader | reading
    # A reader twice; a second reading alone; two readers' first readings; readers not named; no number is a first one.
    p1         | 16        | 2021-01-01 | 2   |             | ann    | 1
    p1         | 16        | 2021-01-01 | 3   |             | ann    | 2
    p2         | 16        | 2021-01-01 | 4   |             | bea    | 2
    p3         | 16        | 2021-01-01 | 2   |             | bea    | 1
    p3         | 16        | 2021-01-01 | 3   |             | ann    | 1
    p4         | 16        | 2021-01-01 | 5   |             |        | 1
    p4         | 16        | 2021-01-01 | 4   |             |        | 2
    p5         | 16        | 2021-01-01 | 1   |             | ann    |
    p5         | 16        | 2021-01-01 | 2   |             | bea    | 2
    # Two roots of one film, one reader; a word on symptoms in a row without a film.
    p6         | 16        | 2021-01-01 | 2   |             | ann    | 1
    p6         | 16        | 2021-01-01 | 4   |             | ann    | 1
    p6         | 16        | 2021-01-01 |     | true        |        |
    # Two first readings, one of a reader not named, who read the film again: the highest of the first.
    p7         | 16        | 2021-01-01 | 2   |             | ann    | 1
    p7         | 16        | 2021-01-01 | 4   |             |        | 1
    p7         | 16        | 2021-01-01 | 5   |             |        | 2
    # Two readers, one of whom read it again: the first readings are the pair.
    p8         | 16        | 2021-01-01 | 2   |             | ann    | 1
    p8         | 16        | 2021-01-01 | 5   |             | ann    | 2
    p8         | 16        | 2021-01-01 | 3   |             | bea    | 1
"""


def test_first_readings_count_and_of_several_the_worst():
    found = films_read(table(READ_TWICE, FINDINGS)).sort("patient_id")
    assert dict(found.select("patient_id", "pai").iter_rows()) == {
        "p1": 2,
        "p2": 4,
        "p3": 3,
        "p4": 5,
        "p5": 1,
        "p6": 4,
        "p7": 4,
        "p8": 3,
    }
    assert found["symptomatic"].to_list() == [None] * 5 + [True, None, None]


def test_pairs_of_readings_by_who_read():
    found = paired_readings(table(READ_TWICE, FINDINGS)).drop("who")
    ordered = {
        ("same_reader", "p1", 2, 3),
        ("same_reader", "p8", 2, 5),
        ("reader_not_told", "p4", 5, 4),
        ("reader_not_told", "p7", 4, 5),
    }
    assert {r for r in found.iter_rows() if r[0] != "two_readers"} == ordered
    two = found.filter(pl.col("kind") == "two_readers")
    assert {(p, frozenset((a, b))) for _, p, a, b in two.iter_rows()} == {
        ("p3", frozenset((2, 3))),
        ("p5", frozenset((1, 2))),
        ("p8", frozenset((2, 3))),
    }
    assert found.height == 7


def test_every_state_is_told():
    assert {case[-1] for case in CASES} == {*STATES, None}


def test_row_order_changes_nothing():
    findings = table(READ_TWICE, FINDINGS)
    shuffled = findings.sample(fraction=1, shuffle=True, seed=3)
    assert films_read(findings).sort("patient_id").equals(films_read(shuffled).sort("patient_id"))
    assert paired_readings(findings).equals(paired_readings(shuffled))
