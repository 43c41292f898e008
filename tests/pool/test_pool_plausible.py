"""What no practice can have, by hand: each limit at the last value that it allows and the first that it refuses."""

from __future__ import annotations

import dataclasses
import math

import pytest
from pool_practices import MAIN

from pipeline.release.pool.agreed import DEFINITIONS, NOTE, SCHEMA
from pipeline.release.pool.contribution import MARKS, Contrast, Contribution, Gap, Line, Side
from pipeline.release.pool.plausible import _rate, impossible, unmarked

CROWNED = "tooth_survival_by_crown_after_endo"
NO_TIME = "tooth-years do not fit the numbers followed"


def contribution(*contrasts: Contrast, marks: tuple[int, ...] = ()) -> Contribution:
    rules = (("horizon_years", "5"),)
    return Contribution(
        SCHEMA, DEFINITIONS, "toothyears 0.1.0", NOTE, "a" * 16, "2024-12", rules, contrasts, marks=marks
    )


def table(followed: int, years: list[int], last_failures: int | None = None) -> tuple[Line, ...]:
    """So many followed on each line, `years` of tooth-years from each to the next, failures told on the last alone."""
    sums = [sum(years[:i]) for i in range(len(years) + 1)]
    lines = [Line(6 * i, followed, total, None) for i, total in enumerate(sums)]
    return (*lines[:-1], dataclasses.replace(lines[-1], failures=last_failures))


def main(table: tuple[Line, ...] = (), *, teeth: int = 500, gap: Gap | None = None) -> Contrast:
    """The main question with a table of the opened crowns, which may enter late."""
    group = Side("through_crown", teeth, teeth, 100, (), table)
    reference = Side("before_seat", 500, 500, 100, (), ())
    return Contrast(MAIN, "crown_failure", "since_seat", group, reference, None, None, gap)


@pytest.mark.parametrize(("years", "fault"), [(1820, False), (1825, True), (580, False), (575, True)])
def test_time_of_those_who_enter_late(years: int, fault: bool) -> None:
    # 200 followed for six years are 1,200 tooth-years: from half as many less 24 to half as many again and 24.
    steps = [5 * (years // 60)] * 11
    said = impossible(contribution(main(table(200, [*steps, years - sum(steps)]))))
    assert (said or "").endswith(NO_TIME) == fault
    assert bool(said) == fault


@pytest.mark.parametrize(("teeth", "fault"), [(200, True), (205, False)])
def test_time_of_a_half_year_where_all_are_there_from_the_start(teeth: int, fault: bool) -> None:
    # 200 in half a year: 88 to 112 with the rounding of three counts. Where 5 more come later, it may be less.
    said = impossible(contribution(main(table(200, [100, 85, 100]), teeth=teeth)))
    assert (said or "").endswith(NO_TIME) == fault


@pytest.mark.parametrize(("years", "fault"), [(85, True), (90, False), (110, False), (115, True)])
def test_time_of_a_half_year_where_nobody_enters_late(years: int, fault: bool) -> None:
    # Without a crown so far are all root-filled teeth from the start, and nobody joins.
    reference = Side("not_crowned", 500, 500, 100, (), table(200, [100, years, 100]))
    one = Contrast(CROWNED, "tooth_loss", "since_completion", Side("crowned", 500, 500, 100, (), ()), reference,
                   None, None, None)  # fmt: skip
    said = impossible(contribution(one))
    assert (said or "").endswith(NO_TIME) == fault
    assert bool(said) == fault


def test_a_table_of_one_line_has_no_rate() -> None:
    one = main(table(200, []))
    assert _rate(one.group) is None
    assert impossible(contribution(one)) is None


def test_the_rate_is_of_the_last_line() -> None:
    found = _rate(main(table(200, [100, 100, 100], last_failures=15)).group)
    assert found == (math.log(15 / 300), math.sqrt(1 / 15))


def test_a_difference_without_tables_is_held_against_no_rate() -> None:
    assert impossible(contribution(main(gap=Gap(4, 2, 5.0, True, True)))) is None


def test_marks_are_of_as_many_patients_as_there_are() -> None:
    # Noise alone has squares of 400 on average. 60 marks of 32 have 240, which six tenths of that are.
    least = (32,) * 60 + (0,) * (MARKS - 60)
    assert sum(m * m for m in least) == 240 * MARKS
    assert impossible(contribution(marks=least)) is None
    assert "marks" in (impossible(contribution(marks=(31, *least[1:]))) or "")
    # With 500 patients half of them and the noise have 650: six tenths are 390, which marks of 20 (400) reach.
    assert impossible(contribution(main(), marks=(20,) * MARKS)) is None
    assert "marks" in (impossible(contribution(main(), marks=(19,) * MARKS)) or "")
    assert impossible(contribution(main())) is None


def test_only_a_file_with_a_table_needs_marks() -> None:
    with_table = main(table(200, [100, 100]))
    assert unmarked(contribution(with_table))
    assert not unmarked(contribution(main()))
    assert not unmarked(contribution(with_table, marks=(20,) * MARKS))
