from __future__ import annotations

import polars as pl

from pipeline.practice.tables import CROWN_DETAILS, CROWNS, ENDO_COURSES, ENDO_DETAILS
from pipeline.reading.worksheets.technique import crowns_without_details, endo_without_details, technique_fields
from tests.drawn import frame, table

IDS = pl.DataFrame({"patient_id": ["p1", "p2"], "written_id": ["007", "0012"]})


def courses(text: str) -> pl.DataFrame:
    return table(text, ENDO_COURSES)


def test_courses_without_details_newest_first():
    drawn = courses("""
        course_id | patient_id | tooth_fdi | started    | completed  | provider_id | kind
        old       | p1         | 16        | 2019-01-01 | 2019-02-01 | A           | initial
        noted     | p1         | 26        | 2020-01-01 | 2020-01-15 | A           | initial
        other_day | p1         | 36        | 2020-01-01 | 2020-01-15 | B           | retreatment
        open      | p2         | 11        | 2020-06-01 |            |             | initial
        stranger  | p3         | 11        | 2020-06-01 |            |             | initial
    """)
    details = table(
        """
        patient_id | tooth_fdi | service_date | obturation
        p1         | 26        | 2020-01-15   | single_cone
        p1         | 36        | 2020-01-16   | single_cone
        p1         | 16        | 2019-01-15   |
        """,
        ENDO_DETAILS,
    )
    listing = endo_without_details(drawn, details, IDS, notation="universal")
    assert listing.without_id == 1
    shown = listing.rows.select("patient_id", "tooth", "service_date", "clinician", "kind", "already_known")
    expected = frame("""
        patient_id | tooth | service_date | clinician | kind        | already_known
        0012       | 8     | 2020-06-01   |           | initial     | service_date 2020-06-01
        007        | 19    | 2020-01-15   | B         | retreatment | service_date 2020-01-15
        007        | 3     | 2019-02-01   | A         | initial     | service_date 2019-02-01
    """)
    assert shown.rows() == [(f"{a:0>4}" if a == 12 else f"{a:0>3}", *b) for a, *b in _as_text(expected)]
    assert all(listing.rows[name].null_count() == 3 for name in technique_fields("endo_details"))


def _as_text(drawn: pl.DataFrame) -> list[tuple[object, ...]]:
    return drawn.with_columns(pl.col("tooth").cast(pl.String), pl.col("patient_id").cast(pl.Int64)).rows()


def test_crowns_without_details_and_what_is_known_of_them():
    drawn = table(
        """
        crown_id  | patient_id | tooth_fdi | prep_date  | seat_date  | seat_recorded
        posted    | p1         | 16        |            | 2020-03-01 | false
        prepared  | p1         | 26        | 2020-02-01 | 2020-02-22 | false
        recorded  | p1         | 36        | 2020-01-01 | 2020-01-20 | true
        noted     | p1         | 46        |            | 2020-03-01 | false
        elsewhere | p1         | 11        |            |            | false
        first     | p2         | 16        |            | 2010-03-01 | false
        second    | p2         | 16        |            | 2020-03-01 | false
        alone     | p2         | 17        |            | 2020-03-01 | false
        """,
        CROWNS,
    )
    details = table(
        """
        patient_id | tooth_fdi | prep_date | seat_date  | material
        p1         | 46        |           | 2020-02-28 | zirconia
        p1         | 16        |           | 2020-03-01 |
        p2         | 16        |           | 2020-03-02 | metal
        p2         | 17        |           |            | metal
        """,
        CROWN_DETAILS,
    )
    rows = crowns_without_details(drawn, details, IDS, notation="fdi").rows
    assert [(r["tooth"], str(r["prep_date"]), str(r["seat_date"]), r["already_known"]) for r in rows.to_dicts()] == [
        ("16", "None", "2020-03-01", "seat_date 2020-03-01"),
        ("26", "2020-02-01", "None", "prep_date 2020-02-01"),
        ("36", "2020-01-01", "2020-01-20", "prep_date 2020-01-01; seat_date 2020-01-20"),
        ("16", "None", "2010-03-01", "seat_date 2010-03-01"),
    ]
    assert rows["patient_id"].to_list() == ["007", "007", "007", "0012"]


def test_row_order_changes_nothing():
    drawn = courses("""
        course_id | patient_id | tooth_fdi | started    | completed
        a         | p1         | 16        | 2019-01-01 | 2019-02-01
        b         | p1         | 26        | 2019-01-01 | 2019-02-01
        c         | p2         | 16        | 2019-01-01 | 2019-02-01
    """)
    empty = ENDO_DETAILS.empty()
    there = endo_without_details(drawn, empty, IDS, notation="palmer").rows
    back = endo_without_details(drawn.reverse(), empty, IDS.reverse(), notation="palmer").rows
    assert there.equals(back)
    assert there["tooth"].to_list() == ["UR6", "UR6", "UL6"]


def test_no_courses_no_rows():
    assert endo_without_details(ENDO_COURSES.empty(), ENDO_DETAILS.empty(), IDS, notation="fdi").rows.is_empty()
