"""Recorded technique goes to the course or crown that it describes; days drawn so that the nearest is plain."""

import datetime as dt

import polars as pl
import pytest

from pipeline.practice.tables import CROWN_DETAILS, CROWNS, ENDO_COURSES, ENDO_DETAILS, Table
from pipeline.transforms.course_details import course_details, crown_details_of

JANUARY = dt.date(2020, 1, 1)


def day(n: int) -> dt.date:
    return JANUARY + dt.timedelta(days=n)


def rows_of(table: Table, rows: list[dict[str, object]]) -> pl.DataFrame:
    filled = [{"patient_id": "p", "tooth_fdi": 36, "supernumerary": False, "load_id": 1, "row_number": i, **r}
              for i, r in enumerate(rows, start=1)]  # fmt: skip
    schema = {name: column.dtype for name, column in table.columns.items()}
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in filled], schema=schema)


def courses(*spans: tuple[str, int, int | None]) -> pl.DataFrame:
    return rows_of(
        ENDO_COURSES,
        [{"course_id": c, "started": day(a), "completed": None if b is None else day(b)} for c, a, b in spans],
    )


def details(*rows: tuple[int, str]) -> pl.DataFrame:
    return rows_of(ENDO_DETAILS, [{"service_date": day(d), "instrumentation": how} for d, how in rows])


def matched(*spans: tuple[str, int, int | None], recorded: pl.DataFrame, gap: int = 30) -> dict[str, str]:
    found = course_details(courses(*spans), recorded, gap_days=gap)
    return dict(found.select("course_id", "instrumentation").iter_rows())


@pytest.mark.parametrize(
    ("at", "is_its"), [(69, False), (70, True), (100, True), (120, True), (150, True), (151, False)]
)
def test_a_day_within_the_gap_of_the_course(at: int, is_its: bool) -> None:
    assert bool(matched(("a", 100, 120), recorded=details((at, "hand")))) is is_its


def test_each_row_goes_to_the_nearest_course() -> None:
    spans = (("a", 100, 110), ("b", 140, 150))
    assert matched(*spans, recorded=details((118, "hand"), (133, "reciprocating"))) == {
        "a": "hand",
        "b": "reciprocating",
    }


def test_a_course_takes_its_nearest_row_alone() -> None:
    assert matched(("a", 100, 110), recorded=details((90, "hand"), (105, "reciprocating"))) == {"a": "reciprocating"}


def test_an_unfinished_course_is_the_day_it_began() -> None:
    assert matched(("a", 100, None), recorded=details((131, "hand"))) == {}


def test_other_teeth_and_extra_teeth_have_no_part() -> None:
    other = details((100, "hand")).with_columns(tooth_fdi=pl.lit(37, pl.UInt8))
    extra = details((100, "hand")).with_columns(supernumerary=pl.lit(True))
    assert matched(("a", 100, 110), recorded=pl.concat([other, extra])) == {}


def test_the_order_of_rows_changes_nothing() -> None:
    one = details((105, "hand"), (105, "reciprocating"), (106, "rotary_sequence"))
    turned = one.reverse().with_columns(row_number=pl.Series([1, 2, 3], dtype=pl.Int64))
    span = ("a", 100, 110)
    assert matched(span, recorded=one) == matched(span, recorded=turned) == {"a": "rotary_sequence"}
    two = one.filter(pl.col("service_date") == day(105))
    assert matched(span, recorded=two) == matched(span, recorded=two.with_columns(pl.col("row_number").reverse()))


def test_crowns_by_preparation_or_seat() -> None:
    crowns = rows_of(
        CROWNS,
        [
            {"crown_id": "old", "prep_date": day(0), "seat_date": day(20)},
            {"crown_id": "new", "prep_date": None, "seat_date": day(400)},
        ],
    )
    recorded = rows_of(
        CROWN_DETAILS,
        [
            {"prep_date": day(2), "core": "amalgam", "ferrule_mm": 1.5},
            {"seat_date": day(395), "core": "composite"},
            {"seat_date": day(900), "core": "none"},
        ],
    )
    found = crown_details_of(crowns, recorded, tolerance_days=60)
    assert dict(found.select("crown_id", "core").iter_rows()) == {"old": "amalgam", "new": "composite"}
    assert found["ferrule_mm"].to_list() == [None, 1.5]
