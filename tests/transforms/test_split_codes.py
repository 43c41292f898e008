"""Courses of root canal treatment where opening, shaping and filling are posted under codes of their own."""

from __future__ import annotations

import pytest
from drawn import frame, procedures, table
from polars.testing import assert_frame_equal

from pipeline.practice.codes import built_in
from pipeline.practice.tables import CROWN_DETAILS, ELSEWHERE, ENDO_COURSES, FINDINGS, PATIENTS
from pipeline.transforms.link import Linked, LinkInput, link
from pipeline.transforms.rules import LinkRules

# Which list each practice below posts by; where it is not the name of the list itself.
SYSTEM = {"bema": "de", "bema names": "de", "goz": "de"}
# Australian schedule; BEMA by number and by short name; GOZ.
LISTS = {
    "ada_au": {"OPEN": "419", "SHAPE": "415", "SHAPE+": "416", "FILL": "417", "FILL+": "418", "EXAM": "012"},
    "bema": {"OPEN": "31", "SHAPE": "32", "SHAPE+": "32", "FILL": "35", "FILL+": "35", "EXAM": "01"},
    "bema names": {"OPEN": "TREP1", "SHAPE": "WK", "SHAPE+": "VITE", "FILL": "WF", "FILL+": "WF", "EXAM": "01"},
    "goz": {"OPEN": "2390", "SHAPE": "2410", "SHAPE+": "2360", "FILL": "2440", "FILL+": "2440", "EXAM": "01"},
}
EVERY_LIST = pytest.mark.parametrize("name", LISTS)
DRESSING = {"ada_au": "458", "bema": "34", "bema names": "MED", "goz": "2430"}


def linked(name: str, ledger: str, *, elsewhere: str = "") -> Linked:
    """Link a ledger of tooth 36 in which words stand for the codes of a list."""
    words = LISTS.get(name, {}) | {"DRESS": DRESSING.get(name, "")}
    for word in sorted(words, key=len, reverse=True):
        ledger = ledger.replace(f" {word}\n", f" {words[word]}\n")
    rows = procedures(ledger)
    codes = built_in(SYSTEM.get(name, name))
    assert set(rows["code"]) <= set(codes["code"])
    empty = (t.empty().lazy() for t in (PATIENTS, CROWN_DETAILS, FINDINGS))
    told = table(elsewhere, ELSEWHERE) if elsewhere else ELSEWHERE.empty()
    return link(LinkInput(rows.lazy(), *empty, told.lazy()), codes, LinkRules())


def check(name: str, ledger: str, expected: str) -> None:
    """Link such a ledger and compare its courses."""
    found = linked(name, ledger)
    ENDO_COURSES.check(found.endo_courses)
    wanted = frame(expected)
    assert_frame_equal(found.endo_courses.select(wanted.columns).cast(wanted.schema), wanted)  # type: ignore[arg-type]


@EVERY_LIST
def test_three_canals_on_one_day_are_one_course_of_one_visit(name: str):
    check(
        name,
        """
        service_date | tooth_fdi | code
        2021-03-01   | 36        | SHAPE
        2021-03-01   | 36        | SHAPE+
        2021-03-01   | 36        | SHAPE+
        2021-03-01   | 36        | FILL
        2021-03-01   | 36        | FILL+
        2021-03-01   | 36        | FILL+
        2024-01-01   |           | EXAM
        """,
        """
        started    | completed  | visits | kind    | coded_as_initial | failure
        2021-03-01 | 2021-03-01 | 1      | initial | false            | false
        """,
    )


@EVERY_LIST
def test_opened_shaped_dressed_and_filled_at_four_visits(name: str):
    """A dressing is no row of the course: the days counted are those of opening, shaping and filling."""
    check(
        name,
        """
        service_date | tooth_fdi | code
        2021-03-01   | 36        | OPEN
        2021-03-10   | 36        | SHAPE
        2021-03-10   | 36        | SHAPE+
        2021-03-24   | 36        | DRESS
        2021-04-07   | 36        | FILL
        2021-04-07   | 36        | FILL+
        2024-01-01   |           | EXAM
        """,
        """
        started    | completed  | visits | kind
        2021-03-01 | 2021-04-07 | 3      | initial
        """,
    )


@EVERY_LIST
def test_shaped_and_never_filled_is_a_course_without_an_end(name: str):
    check(
        name,
        """
        service_date | tooth_fdi | code
        2021-03-01   | 36        | OPEN
        2021-03-10   | 36        | SHAPE
        2024-01-01   |           | EXAM
        """,
        """
        started    | completed | visits | kind
        2021-03-01 |           | 2      | initial
        """,
    )


@EVERY_LIST
def test_filled_again_years_later_is_a_repeat_though_no_code_says_so(name: str):
    check(
        name,
        """
        service_date | tooth_fdi | code
        2015-03-01   | 36        | SHAPE
        2015-03-15   | 36        | FILL
        2020-06-01   | 36        | SHAPE
        2020-06-20   | 36        | FILL
        2024-01-01   |           | EXAM
        """,
        """
        started    | completed  | visits | kind        | coded_as_initial | failure | failure_cause
        2015-03-01 | 2015-03-15 | 2      | initial     | false            | true    | retreatment
        2020-06-01 | 2020-06-20 | 2      | retreatment | true             | false   |
        """,
    )


@EVERY_LIST
def test_shaped_again_after_a_filling_and_not_filled_is_no_completed_repeat(name: str):
    check(
        name,
        """
        service_date | tooth_fdi | code
        2015-03-01   | 36        | SHAPE
        2015-03-01   | 36        | FILL
        2020-06-01   | 36        | SHAPE
        2024-01-01   |           | EXAM
        """,
        """
        started    | completed  | visits
        2015-03-01 | 2015-03-01 | 1
        2020-06-01 |            | 1
        """,
    )


def test_removal_of_the_old_filling_makes_it_a_repeat_in_the_australian_schedule():
    check(
        "ada_au",
        """
        service_date | tooth_fdi | code
        2021-03-01   | 36        | 451
        2021-03-01   | 36        | 415
        2021-03-20   | 36        | 417
        2024-01-01   |           | EXAM
        """,
        """
        started    | completed  | visits | kind        | coded_as_initial
        2021-03-01 | 2021-03-20 | 2      | retreatment | false
        """,
    )


def test_an_old_filling_removed_and_no_new_one_placed_is_not_completed():
    check(
        "ada_au",
        """
        service_date | tooth_fdi | code
        2021-03-01   | 36        | 451
        2021-03-01   | 36        | 415
        2024-01-01   |           | EXAM
        """,
        """
        started    | completed | visits | kind
        2021-03-01 |           | 1      | retreatment
        """,
    )


def test_the_filling_of_a_root_end_at_surgery_is_no_new_course():
    """BEMA posts the filling from the root end under the code of the canal filling, with the surgery."""
    check(
        "bema",
        """
        service_date | tooth_fdi | code
        2015-03-01   | 36        | 32
        2015-03-01   | 36        | 35
        2020-06-01   | 36        | 54B
        2020-06-01   | 36        | 35
        2024-01-01   |           | EXAM
        """,
        """
        started    | completed  | failure | failure_cause
        2015-03-01 | 2015-03-01 | true    | surgery
        """,
    )


def test_a_canal_filled_for_the_first_time_at_surgery_is_a_course():
    check(
        "bema",
        """
        service_date | tooth_fdi | code
        2020-06-01   | 36        | 32
        2020-06-01   | 36        | 54B
        2020-06-01   | 36        | 35
        2024-01-01   |           | EXAM
        """,
        """
        started    | completed  | kind
        2020-06-01 | 2020-06-01 | initial
        """,
    )


def test_which_fillings_at_surgery_are_of_the_root_end():
    # 16: filled before, and operated twice. 17: filled before by a row alone. 26: never filled before. 27, 37: filled
    # before, and shaped again 180 and 181 days earlier.
    check(
        "bema",
        """
        service_date | tooth_fdi | code
        2015-03-01   | 16        | 32
        2015-03-01   | 16        | 35
        2020-06-01   | 16        | 54B
        2020-06-01   | 16        | 35
        2022-06-01   | 16        | 54B
        2022-06-01   | 16        | 35
        2015-03-01   | 17        | 35
        2020-06-01   | 17        | 54B
        2020-06-01   | 17        | 35
        2020-06-01   | 26        | 54B
        2020-06-01   | 26        | 35
        2015-03-01   | 27        | 35
        2020-01-01   | 27        | 32
        2020-06-29   | 27        | 54B
        2020-06-29   | 27        | 35
        2015-03-01   | 37        | 35
        2020-01-01   | 37        | 32
        2020-06-30   | 37        | 54B
        2020-06-30   | 37        | 35
        2024-01-01   |           | EXAM
        """,
        """
        tooth_fdi | started    | completed  | kind
        16        | 2015-03-01 | 2015-03-01 | initial
        17        | 2015-03-01 | 2015-03-01 | initial
        26        | 2020-06-01 | 2020-06-01 | initial
        27        | 2015-03-01 | 2015-03-01 | initial
        27        | 2020-01-01 | 2020-06-29 | retreatment
        37        | 2015-03-01 | 2015-03-01 | initial
        37        | 2020-01-01 |            | initial
        """,
    )


def test_a_filling_at_surgery_on_a_tooth_that_others_filled_is_of_the_root_end():
    found = linked(
        "bema",
        """
        service_date | tooth_fdi | code
        2019-06-01   | 16        | 32
        2019-06-01   | 16        | 35
        2020-06-01   | 36        | 54B
        2020-06-01   | 36        | 35
        2024-01-01   |           | EXAM
        """,
        elsewhere="""
        tooth_fdi | event      | event_date
        36        | root_canal | 2010-06-01
        """,
    )
    assert found.endo_courses.select("tooth_fdi", "done_elsewhere").rows() == [(16, False), (36, True)]


def test_in_the_dutch_list_a_course_is_opened_in_an_emergency_and_filled_by_the_number_of_canals():
    check(
        "nl",
        """
        service_date | tooth_fdi | code
        2021-03-01   | 36        | E77
        2021-03-01   | 36        | E78
        2021-03-22   | 36        | E16
        2021-03-22   | 36        | E85
        2024-01-01   |           | C002
        """,
        """
        started    | completed  | visits | kind    | coded_as_initial
        2021-03-01 | 2021-03-22 | 2      | initial | false
        """,
    )


def test_in_the_dutch_list_the_old_filling_taken_out_makes_it_a_repeat():
    check(
        "nl",
        """
        service_date | tooth_fdi | code
        2021-03-01   | 36        | E54
        2021-03-22   | 36        | E16
        2024-01-01   |           | C002
        """,
        """
        started    | completed  | visits | kind        | coded_as_initial
        2021-03-01 | 2021-03-22 | 2      | retreatment | false
        """,
    )


def test_a_crown_lifted_off_for_a_root_canal_is_not_lost_in_the_dutch_list():
    """E51 is for a crown that goes back on; R77 takes an old one off."""
    ledger = """
        service_date | tooth_fdi | code
        2018-03-01   | 36        | R24
        2021-03-01   | 36        | {removed}
        2024-01-01   |           | C002
        """
    crowns = {code: linked("nl", ledger.format(removed=code)).crowns for code in ("E51", "R77")}
    assert {code: rows["failure"].to_list() for code, rows in crowns.items()} == {"E51": [False], "R77": [True]}


def test_what_a_filling_post_or_root_canal_says_is_never_the_material_of_the_crown():
    found = linked(
        "cdt",
        """
        service_date | tooth_fdi | code
        2021-03-01   | 36        | D3330
        2021-03-01   | 36        | D2391
        2021-04-01   | 36        | D2952
        2021-04-01   | 36        | D2740
        2021-04-01   | 46        | D2954
        2021-04-01   | 46        | D2790
        2024-01-01   |           | D0120
        """,
    )
    assert found.crowns.select("tooth_fdi", "material").rows() == [(36, None), (46, "metal")]
