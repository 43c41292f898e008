"""Rows that technique questions are asked of, on a few teeth that can be followed by eye."""

import datetime as dt

import polars as pl

from pipeline.practice.tables import (
    CROWN_DETAILS,
    CROWNS,
    ENDO_COURSES,
    ENDO_DETAILS,
    FINDINGS,
    PATIENTS,
    TOOTH_FOLLOWUP,
    Table,
)
from pipeline.questions.techniques.question import ENDO_FAILURE, HEALED, TOOTH_LOSS
from pipeline.questions.techniques.rows import rows_of_courses, rows_of_crowns
from pipeline.transforms.coded_details import CODED_SCHEMA, Coded

START = dt.date(2015, 1, 1)


def day(n: int) -> dt.date:
    return START + dt.timedelta(days=n)


def rows_of(table: Table, *rows: dict[str, object]) -> pl.DataFrame:
    schema = {name: column.dtype for name, column in table.columns.items()}
    filled = [{"patient_id": "p", "tooth_fdi": 36, "tooth_group": "molar", "supernumerary": False, **r} for r in rows]
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in filled], schema=schema)


PEOPLE = rows_of(PATIENTS, {"birth_year": 1970, "sex": "female"})
# A first course that is done again after 400 days; the tooth is lost on day 1000.
COURSES = rows_of(
    ENDO_COURSES,
    {
        "course_id": "first", "started": day(0), "completed": day(10), "kind": "initial", "visits": 2,
        "exit_date": day(400), "failure": True, "crown_at_start": "none",
    },
    {
        "course_id": "again", "started": day(400), "completed": day(420), "kind": "retreatment", "visits": 1,
        "exit_date": day(1000), "failure": True, "crown_at_start": "none",
    },
)  # fmt: skip
TEETH = rows_of(TOOTH_FOLLOWUP, {"followed_to": day(1000), "end_reason": "failed", "extracted": day(1000)})
DETAILS = rows_of(ENDO_DETAILS, {"service_date": day(5), "preop_pai": 3, "visits": 4, "load_id": 1, "row_number": 1})
FILMS = rows_of(FINDINGS, {"exam_date": day(390), "pai": 2, "symptomatic": False})


def course_rows(outcome: str, *, every: bool = False) -> list[dict[str, object]]:
    rows = rows_of_courses(COURSES, TEETH, DETAILS, PEOPLE, outcome=outcome, gap_days=30, findings=FILMS, every=every)
    return rows.select("row_id", "exit_days", "event", "lesion", "course_visits").to_dicts()


def test_the_first_course_stands_for_its_tooth() -> None:
    (row,) = course_rows(TOOTH_LOSS)
    assert row == {"row_id": "first", "exit_days": 990, "event": True, "lesion": "yes", "course_visits": 4}
    (row,) = course_rows(ENDO_FAILURE)
    assert (row["exit_days"], row["event"]) == (390, True)


def test_of_every_course_a_lost_tooth_counts_once() -> None:
    again, first = course_rows(TOOTH_LOSS, every=True)
    assert (first["row_id"], first["exit_days"], first["event"]) == ("first", 390, False)
    assert (again["row_id"], again["exit_days"], again["event"]) == ("again", 580, True)
    assert (again["lesion"], again["course_visits"]) == (None, 1)


def test_healed_at_recall_is_no_event() -> None:
    (row,) = course_rows(HEALED)
    assert row["event"] is False


def test_a_tooth_due_that_did_not_come_back_is_kept_without_an_outcome() -> None:
    rows = rows_of_courses(
        COURSES, TEETH, DETAILS, PEOPLE, outcome=HEALED, gap_days=30, findings=FILMS.clear(), every=True
    )
    # Both were followed for a year without further treatment: days 10 to 400, and 420 to 1000.
    assert rows.select("row_id", "recalled", "event").rows() == [("again", False, None), ("first", False, None)]
    late = COURSES.with_columns(completed=pl.when(pl.col("course_id") == "first").then(day(50)).otherwise("completed"))
    rows = rows_of_courses(
        late, TEETH, DETAILS, PEOPLE, outcome=HEALED, gap_days=30, findings=FILMS.clear(), every=True
    )
    assert rows["row_id"].to_list() == ["again"]


def test_a_later_crown_of_a_tooth_and_what_was_recorded_of_it() -> None:
    crown = {"endo_timing": "vital", "failure": False}
    crowns = rows_of(
        CROWNS,
        {**crown, "crown_id": "b", "seat_date": day(900), "entry_date": day(900), "exit_date": day(1500)},
        {**crown, "crown_id": "a", "seat_date": day(0), "entry_date": day(0), "exit_date": day(900), "failure": True},
        {**crown, "crown_id": "seen", "tooth_fdi": 46, "entry_date": day(5), "exit_date": day(50)},
        {
            **crown, "crown_id": "c", "tooth_fdi": 46, "seat_date": day(50), "entry_date": day(50),
            "exit_date": day(99), "endo_timing": "before_seat",
        },
    )  # fmt: skip
    details = rows_of(CROWN_DETAILS, {"seat_date": day(905), "core": "composite", "load_id": 1, "row_number": 1})
    rows = rows_of_crowns(crowns, details, PEOPLE, tolerance_days=60)
    assert rows.select("row_id", "crown_number", "core", "endo_before_seat", "exit_days", "event").rows() == [
        ("a", "first", None, False, 900, True),
        ("b", "later", "composite", False, 600, False),
        ("c", "later", None, True, 49, False),  # after one that was there before the records began
    ]


def test_a_lesion_on_its_way_is_no_event_and_one_as_large_as_before_is() -> None:
    def of(before: int) -> object:
        details = rows_of(ENDO_DETAILS, {"service_date": day(5), "preop_pai": before, "load_id": 1, "row_number": 1})
        films = rows_of(FINDINGS, {"exam_date": day(390), "pai": 4, "symptomatic": False})
        rows = rows_of_courses(COURSES, TEETH, details, PEOPLE, outcome=HEALED, gap_days=30, findings=films)
        return rows.select("recalled", "event").row(0)

    assert of(5) == (True, False)
    assert of(4) == (True, True)


def test_what_codes_tell_stands_where_nothing_is_recorded() -> None:
    crown = {"endo_timing": "vital", "failure": False, "done_elsewhere": False, "exit_date": day(900)}
    crowns = rows_of(
        CROWNS,
        {**crown, "crown_id": "a", "tooth_fdi": 36, "seat_date": day(100), "entry_date": day(100)},
        {**crown, "crown_id": "b", "tooth_fdi": 37, "seat_date": day(100), "entry_date": day(100)},
        {**crown, "crown_id": "c", "tooth_fdi": 38, "seat_date": day(100), "entry_date": day(100)},
    )
    details = rows_of(CROWN_DETAILS, {"seat_date": day(100), "post": "fiber", "load_id": 1, "row_number": 1})
    posts = [("p", tooth, day(90), "post_core", "cast") for tooth in (36, 37)]
    coded = Coded(pl.DataFrame(posts, schema=CODED_SCHEMA, orient="row"))
    rows = rows_of_crowns(crowns, details, PEOPLE, tolerance_days=60, coded=coded)
    assert rows.select("row_id", "post", "post_from", "core", "post_placed", "crown_lengthening").rows() == [
        ("a", "fiber", "recorded", "cast", True, None),
        ("b", "cast", "coded", "cast", True, None),
        ("c", "none", "coded", "none", False, None),
    ]


def test_visits_say_whether_they_were_recorded_and_films_that_they_were_coded() -> None:
    courses = COURSES.with_columns(done_elsewhere=pl.lit(False))
    film = Coded(pl.DataFrame([("p", None, day(0), "radiograph_3d", None)], schema=CODED_SCHEMA, orient="row"))
    rows = rows_of_courses(
        courses, TEETH, DETAILS, PEOPLE, outcome=TOOTH_LOSS, gap_days=30, findings=FILMS, every=True, coded=film
    )
    assert rows.select("row_id", "course_visits", "course_visits_from", "film_3d", "film_3d_from").rows() == [
        ("again", 1, "coded", False, "coded"),
        ("first", 4, "recorded", True, "coded"),
    ]


def test_a_diagnosis_in_other_words_is_not_known() -> None:
    said = [("necrosis", "apical_periodontitis"), ("K04.1", None)]
    for pulpal, apical in said:
        details = DETAILS.with_columns(pulpal_diagnosis=pl.lit(pulpal), apical_diagnosis=pl.lit(apical, pl.String))
        rows = rows_of_courses(COURSES, TEETH, details, PEOPLE, outcome=TOOTH_LOSS, gap_days=30)
        known = "necrosis" if pulpal == "necrosis" else None
        assert rows.select("pulpal_diagnosis", "apical_diagnosis").rows() == [(known, apical)]
