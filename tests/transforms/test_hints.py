"""Rule 3, last sentence: which fillings hint at an opening elsewhere, and which answers end a question."""

from __future__ import annotations

import polars as pl
import pytest
from drawn import frame

from pipeline.transforms.hints import access_fillings, elsewhere_hints, fillings_on_crowns


@pytest.mark.parametrize(
    ("event", "detail", "surface", "is_access"),
    [
        # Where one opens a crown: from the top, or from behind; whatever the code says of surfaces.
        ("direct_restoration", "one_surface", "O", True),
        ("direct_restoration", "one_surface", "L", True),
        ("direct_restoration", "one_surface", "P", True),
        ("direct_restoration", None, "I", True),
        ("direct_restoration", None, "O", True),
        # Elsewhere on the tooth, or more than that.
        ("direct_restoration", "one_surface", "B", False),
        ("direct_restoration", "one_surface", "MO", False),
        # Not named: the code must say that it is one.
        ("direct_restoration", "one_surface", None, True),
        ("direct_restoration", "two_surfaces", None, False),
        ("direct_restoration", None, None, False),
        ("crown_repair", "one_surface", "O", False),
    ],
)
def test_a_filling_of_one_surface_where_a_crown_is_opened(event, detail, surface, is_access):
    row = frame("patient_id | tooth_fdi | service_date\np1 | 16 | 2016-01-01").with_columns(
        event=pl.lit(event), detail=pl.lit(detail, pl.String), surface=pl.lit(surface, pl.String)
    )
    assert access_fillings(row).height == is_access


def on_crown(
    day: str, *, course: str = "", pulpotomy: str = "", is_failed: str = "false", hint_days: int = 400
) -> bool:
    """Whether a filling that day hints at an opening of a crown in place from 2015-01-01 to 2020-01-01."""
    crowns = frame(f"""
        patient_id | tooth_fdi | crown_id | in_place_from | followed_to | is_failed
        p1         | 16        | C1       | 2015-01-01    | 2020-01-01  | {is_failed}
    """).with_columns(pl.col("followed_to").str.to_date())
    fillings = frame(f"patient_id | tooth_fdi | day\np1 | 16 | {day}")
    courses = frame(f"patient_id | tooth_fdi | started | last_row\np2 | 16 | 2016-01-01 | 2016-01-01\n{course}")
    pulpotomies = frame(f"patient_id | tooth_fdi | opened\np2 | 16 | 2016-01-01\n{pulpotomy}")
    found = fillings_on_crowns(crowns, fillings, courses, pulpotomies, hint_days=hint_days)
    assert found.height == 0 or found["crown_id"].to_list() == ["C1"]
    return found.height == 1


@pytest.mark.parametrize(
    ("day", "is_failed", "hints"),
    [
        ("2015-01-01", "false", False),
        ("2015-01-02", "false", True),
        ("2020-01-01", "false", True),
        ("2020-01-02", "false", False),
        # On the last day of a crown that failed then; before that day.
        ("2020-01-01", "true", False),
        ("2019-12-31", "true", True),
    ],
)
def test_only_a_filling_on_a_standing_crown_hints(day: str, is_failed: str, hints: bool):
    assert on_crown(day, is_failed=is_failed) == hints


def test_a_course_or_a_pulpotomy_near_a_filling_explains_it():
    course = "p1 | 16 | 2017-01-01 | 2017-03-01"
    assert [on_crown(f"2017-{day}", course=course, hint_days=0) for day in ("01-01", "02-01", "03-01", "03-02")] == [
        False,
        False,
        False,
        True,
    ]
    assert [on_crown(day, course=course, hint_days=31) for day in ("2016-11-30", "2016-12-01")] == [True, False]
    assert [on_crown(day, course=course, hint_days=31) for day in ("2017-04-01", "2017-04-02")] == [False, True]
    pulpotomy = "p1 | 16 | 2017-01-01"
    assert [on_crown(day, pulpotomy=pulpotomy, hint_days=31) for day in ("2017-02-01", "2017-02-02")] == [False, True]


def test_what_is_asked_and_which_answers_end_a_question():
    # Of each tooth a filling and a late refund. An answer on the root canal ends the one, any answer the other.
    teeth = {14: "nothing", 15: "root_canal", 16: "retreatment", 17: "surgery", 24: "crown", 25: None}
    rows = pl.DataFrame({"patient_id": ["p1"] * 6, "tooth_fdi": list(teeth)}, schema_overrides={"tooth_fdi": pl.UInt8})
    days = rows.with_columns(day=pl.date(2016, 1, 1))
    answered = rows.with_columns(what=pl.Series(list(teeth.values()))).drop_nulls()
    # Undated root canals: under a crown of ours, under one of others, under one of ours whose timing is known.
    crowns = frame("""
        patient_id | tooth_fdi | endo_timing | done_elsewhere | in_place_from
        p1         | 35        |             | false          | 2015-01-01
        p1         | 36        |             | true           | 2015-01-01
        p1         | 37        | vital       | false          | 2015-01-01
        p1         | 34        |             | false          | 2015-01-01
    """)
    found = elsewhere_hints(days, crowns, days, answered)
    assert found.select("tooth_fdi", "kind", pl.col("seen_date").cast(pl.String)).rows() == [
        (24, "filling_on_crown", "2016-01-01"),
        (25, "filling_on_crown", "2016-01-01"),
        (25, "late_refund", "2016-01-01"),
        (34, "undated_root_canal", "2015-01-01"),
        (35, "undated_root_canal", "2015-01-01"),
    ]
