"""Rule 5: which crown rows are one crown, what names it, and when it was seated."""

from __future__ import annotations

import datetime as dt

import polars as pl
from linking import assert_courses, assert_crowns, run

from pipeline.transforms.crowns import RECORDED, attach_details


def test_two_rows_of_which_exactly_one_has_no_fee_are_one_crown():
    # 16: 120 days apart; 17: 121. 26: both paid; 27: an empty fee is not 0. 37: the unpaid row first. 46: both unpaid.
    linked = run("""
        service_date | tooth_fdi | code  | fee
        2015-01-01   | 16        | CROWN | 900
        2015-05-01   | 16        | CROWN | 0
        2015-01-01   | 17        | CROWN | 900
        2015-05-02   | 17        | CROWN | 0
        2015-01-01   | 26        | CROWN | 900
        2015-05-01   | 26        | CROWN | 900
        2015-01-01   | 27        | CROWN | 900
        2015-05-01   | 27        | CROWN |
        2015-01-01   | 37        | CROWN | 0
        2015-05-01   | 37        | CROWN | 900
        2015-01-01   | 46        | CROWN | 0
        2015-05-01   | 46        | CROWN | 0
        2015-01-01   | 47        | CROWN | 900
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | failure_cause | remake_no_fee
        16        | 2015-05-01 |               | false
        17        | 2015-01-01 | replaced      | false
        17        | 2015-05-02 |               | true
        26        | 2015-01-01 | replaced      | false
        26        | 2015-05-01 |               | false
        27        | 2015-01-01 | replaced      | false
        27        | 2015-05-01 |               | false
        37        | 2015-05-01 |               | false
        46        | 2015-01-01 | replaced      | false
        46        | 2015-05-01 |               | true
        47        | 2015-01-01 |               | false
    """,
    )


def test_an_opening_between_two_rows_parts_them_or_leaves_the_order_uncertain():
    # 16: opened between rows 120 days apart, of which one is unpaid: a remake. 26: between rows at most 60 days apart:
    # one crown. 36: opened on the day of the first row, which is before that seat and not between.
    linked = run("""
        service_date | tooth_fdi | code  | fee
        2015-01-01   | 16        | CROWN | 900
        2015-03-01   | 16        | ENDO  | 700
        2015-05-01   | 16        | CROWN | 0
        2015-01-01   | 26        | CROWN | 900
        2015-02-01   | 26        | ENDO  | 700
        2015-02-20   | 26        | CROWN | 900
        2015-01-01   | 36        | ENDO  | 700
        2015-01-01   | 36        | CROWN | 900
        2015-05-01   | 36        | CROWN | 0
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | endo_timing   | access_date | order_uncertain | failure_cause | remake_no_fee | renewed_after_opening
        16        | 2015-01-01 | through_crown | 2015-03-01  | false           | replaced      | false         | true
        16        | 2015-05-01 | before_seat   |             | false           |               | true          | false
        26        | 2015-02-20 | before_seat   |             | true            |               | false         | false
        36        | 2015-05-01 | before_seat   |             | false           |               | false         | false
    """,
    )


def test_fees_say_nothing_where_most_crown_rows_have_none():
    linked = run("""
        service_date | tooth_fdi | code  | fee
        2015-01-01   | 16        | CROWN | 900
        2015-05-01   | 16        | CROWN | 0
        2015-01-01   | 26        | CROWN |
        2015-01-01   | 36        | CROWN |
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | failure_cause | remake_no_fee
        16        | 2015-01-01 | replaced      | false
        16        | 2015-05-01 |               | false
        26        | 2015-01-01 |               | false
        36        | 2015-01-01 |               | false
    """,
    )


def test_where_no_fee_is_above_0_fees_are_not_kept():
    # 16: two rows with 0, as an export writes where fees are not told.
    linked = run("""
        service_date | tooth_fdi | code  | fee
        2015-01-01   | 16        | CROWN | 0
        2017-01-01   | 16        | CROWN | 0
    """)
    assert linked.crowns["remake_no_fee"].to_list() == [False, False]


def test_in_a_ledger_of_two_rows_a_fee_of_0_says_something():
    linked = run("""
        service_date | tooth_fdi | code  | fee
        2015-01-01   | 16        | CROWN | 900
        2015-05-01   | 16        | CROWN | 0
    """)
    assert linked.crowns["seat_date"].cast(str).to_list() == ["2015-05-01"]


def test_a_remake_without_a_fee_is_a_replacement():
    linked = run("""
        service_date | tooth_fdi | code  | fee
        2015-01-01   | 16        | CROWN | 900
        2017-01-01   | 16        | CROWN | 0
        2015-01-01   | 26        | CROWN | 0
        2015-01-01   | 36        | CROWN | 900
    """)
    # 26: unpaid, but the first crown of its tooth.
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | failure_cause | exit_date  | remake_no_fee
        16        | 2015-01-01 | replaced      | 2017-01-01 | false
        16        | 2017-01-01 |               | 2017-01-01 | true
        26        | 2015-01-01 |               | 2017-01-01 | false
        36        | 2015-01-01 |               | 2017-01-01 | false
    """,
    )


def test_of_several_materials_on_one_day_the_highest_fee_names_the_crown():
    # 16: a benefit posted as the cheaper material beside the crown made; 17: the other way round. 26: a tie. 27: a tie
    # of one material. 36, 37: no fees to tell by. 46: a fee of 0 tells more than none.
    linked = run("""
        service_date | tooth_fdi | code  | fee | provider_id
        2015-01-01   | 16        | CROWN | 700 | a
        2015-01-01   | 16        | CERAM | 900 | b
        2015-01-01   | 17        | CROWN | 900 | a
        2015-01-01   | 17        | CERAM | 0   | b
        2015-01-01   | 26        | CROWN | 900 | a
        2015-01-01   | 26        | CERAM | 900 | a
        2015-01-01   | 27        | CERAM | 900 | a
        2015-01-01   | 27        | CERAM | 900 | a
        2015-01-01   | 36        | CROWN |     | a
        2015-01-01   | 36        | CERAM |     | a
        2015-01-01   | 37        | CROWN |     | a
        2015-01-01   | 46        | CROWN | 0   | a
        2015-01-01   | 46        | CERAM |     | b
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | material      | provider_id | remake_no_fee
        16        | glass_ceramic | b           | false
        17        | metal         | a           | false
        26        |               | a           | false
        27        | glass_ceramic | a           | false
        36        |               | a           | false
        37        | metal         | a           | false
        46        | metal         | a           | false
    """,
    )


def test_only_a_crown_of_one_row_is_shifted_from_preparation_to_seat():
    # 16: two rows tell preparation and seat. 26: one row, and a root canal between preparation and derived seat: what
    # comes first hangs on the shift. 36: the root canal is before either.
    linked = run(
        """
        service_date | tooth_fdi | code
        2020-01-01   | 16        | CROWN
        2020-01-25   | 16        | CROWN
        2020-01-01   | 26        | CROWN
        2020-01-10   | 26        | ENDO
        2019-12-01   | 36        | ENDO
        2020-01-01   | 36        | CROWN
        2021-01-01   |           | EXAM
        """,
        posted_at_prep=True,
    )
    assert_crowns(
        linked,
        """
        tooth_fdi | prep_date  | seat_date  | endo_timing | order_uncertain
        16        | 2020-01-01 | 2020-01-25 | vital       | false
        26        | 2020-01-01 | 2020-01-22 | before_seat | true
        36        | 2020-01-01 | 2020-01-22 | before_seat | false
    """,
    )
    assert_courses(
        linked,
        """
        tooth_fdi | days_to_crown
        26        | 12
        36        | 52
    """,
    )


def test_where_each_crown_is_posted_twice_one_posted_once_was_not_seated():
    # What is no single crown is posted once all the same.
    ledger = """
        service_date | tooth_fdi | code
        2020-01-01   | 16        | CROWN
        2020-01-25   | 16        | CROWN
        2020-01-01   | 26        | CROWN
        2020-01-01   | 36        | RETAIN
        2021-01-01   |           | EXAM
    """
    for times, told in ((2, ["single", "retainer"]), (1, ["single", "single", "retainer"])):
        assert run(ledger, crown_rows=times).crowns.sort("tooth_fdi")["crown_kind"].to_list() == told


def test_details_belong_to_the_nearest_crown_and_without_a_date_to_an_only_one():
    # 16: ten days from the crown, thirty from the onlay. 26: no date, two crowns; 36: no date, one crown.
    linked = run(
        """
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        2015-02-10   | 16        | ONLAY
        2015-01-01   | 26        | CROWN
        2016-01-01   | 26        | CROWN
        2015-01-01   | 36        | CROWN
        2020-01-01   |           | EXAM
        """,
        details="""
        tooth_fdi | seat_date  | material
        16        | 2015-01-11 | zirconia
        26        |            | zirconia
        36        |            | zirconia
        """,
    )
    assert_crowns(
        linked,
        """
        tooth_fdi | crown_kind | seat_date  | material
        16        | single     | 2015-01-11 | zirconia
        16        | onlay      | 2015-02-10 |
        26        | single     | 2015-01-01 | metal
        26        | single     | 2016-01-01 | metal
        36        | single     | 2015-01-01 | zirconia
    """,
    )


def test_of_several_kinds_on_one_day_with_one_fee_the_crown_names_kind_and_material():
    # 16: the cheaper row is a crown too, but the onlay was made. 26, 27: a tie, in either order of the rows.
    linked = run("""
        service_date | tooth_fdi | code  | fee | provider_id
        2015-01-01   | 16        | CROWN | 700 | a
        2015-01-01   | 16        | ONLAY | 900 | b
        2015-01-01   | 26        | CROWN | 900 | a
        2015-01-01   | 26        | ONLAY | 900 | b
        2015-01-01   | 27        | ONLAY | 900 | b
        2015-01-01   | 27        | CROWN | 900 | a
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | crown_kind | material | provider_id
        16        | onlay      |          | b
        26        | single     | metal    | a
        27        | single     | metal    | a
    """,
    )


def test_the_last_of_two_postings_names_material_clinician_and_clinic():
    linked = run("""
        service_date | tooth_fdi | code  | provider_id | site_id
        2015-01-01   | 16        | CROWN | a           | north
        2015-02-01   | 16        | CERAM | b           | south
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | material      | provider_id | site_id
        16        | 2015-02-01 | glass_ceramic | b           | south
    """,
    )


def test_a_recorded_preparation_goes_before_the_day_of_posting():
    linked = run(
        """
        service_date | tooth_fdi | code
        2020-01-10   | 16        | CROWN
        2020-01-10   | 26        | CROWN
        2021-01-01   |           | EXAM
        """,
        details="""
        tooth_fdi | prep_date
        16        | 2020-01-08
        """,
        posted_at_prep=True,
    )
    assert_crowns(
        linked,
        """
        tooth_fdi | prep_date  | seat_date
        16        | 2020-01-08 | 2020-01-31
        26        | 2020-01-10 | 2020-01-31
    """,
    )


def test_a_crown_takes_the_details_nearest_to_its_rows_then_those_of_the_later_seat() -> None:
    posted = pl.LazyFrame(
        {
            "patient_id": "P1",
            "tooth_fdi": tooth,
            **dict.fromkeys(("posted_first", "posted_last"), dt.date(2020, 3, day)),
        }
        for tooth, day in ((16, 1), (16, 20), (26, 10), (36, 10))
    )
    # By tooth: the first crown of 16 lies 3 and 5 days from two rows, its second 1 and 4; that of 26 lies 4 from both;
    # that of 36 has a row two days away, and one without a day.
    told = {16: (4, 6, 16, 21), 26: (6, 14), 36: (None, 12)}
    for order in (1, -1):
        seats = [(tooth, day) for tooth, days in told.items() for day in days][::order]
        details = pl.LazyFrame(
            {
                "patient_id": "P1", "tooth_fdi": tooth, "load_id": 1, "row_number": n, "prep_date": None,
                "seat_date": day and dt.date(2020, 3, day), **dict.fromkeys(RECORDED),
            }
            for n, (tooth, day) in enumerate(seats)
        ).cast({"prep_date": pl.Date})  # fmt: skip
        found = attach_details(posted, details, tolerance_days=60).sort("tooth_fdi", "posted_first").collect()
        assert [day.day for day in found["recorded_seat"]] == [4, 21, 14, 12]
        near = attach_details(posted, details, tolerance_days=3).sort("tooth_fdi", "posted_first").collect()
        assert [day and day.day for day in near["recorded_seat"]] == [4, 21, None, 12]


def test_of_two_details_as_near_a_crown_takes_the_day_then_the_row_that_came_first() -> None:
    """A day between the rows of a crown is as near as can be, one the day after is not."""
    days = {"posted_first": dt.date(2020, 3, 1), "posted_last": dt.date(2020, 3, 20)}
    posted = pl.LazyFrame([{"patient_id": "P1", "tooth_fdi": tooth, **days} for tooth in (16, 26, 36)])
    details = pl.LazyFrame(
        {
            "patient_id": "P1", "tooth_fdi": tooth, "load_id": load, "row_number": row, **dict.fromkeys(RECORDED),
            "prep_date": dt.date(2020, 3, prep), "seat_date": seat and dt.date(2020, 3, seat), "margin": margin,
        }
        for tooth, load, row, prep, seat, margin in (
            (16, 1, 1, 1, 21, "after"), (16, 1, 2, 1, 20, "within"),
            (26, 1, 3, 7, None, "no seat"), (26, 2, 1, 1, 7, "seat"), (26, 3, 1, 1, 7, "later load"),
            (36, 2, 4, 1, 9, "row 4 of load 2"), (36, 2, 3, 1, 9, "row 3 of load 2"), (36, 1, 9, 1, 9, "load 1"),
            (36, 1, 10, 1, 9, "row 10"),
        )
    )  # fmt: skip
    for told in (details, details.reverse()):
        found = attach_details(posted, told, tolerance_days=60).sort("tooth_fdi").collect()
        assert found["margin"].to_list() == ["within", "seat", "load 1"]
