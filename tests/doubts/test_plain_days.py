"""Columns of plain days are passed over; none of the doubts about days could have risen on them."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.reading.doubts.days import (
    _beyond_doubt,
    late_stamps,
    months_from_zero,
    other_days,
    other_order,
    swapped,
)

PATTERNS = ("auto", "%m/%d/%Y", "%d/%m/%Y", "%Y-%m-%d")
FORMS = ("%m/%d/%Y", "%d/%m/%Y", "%d-%m-%Y", "%Y-%m-%d", "%Y-00-%d", "%d.%m.%Y", "%Y-%m-%d 23:00", "%d/%m/%y")
# Few numbers, so that days above 12 are now rare and now many.
DAYS = st.builds(dt.date, st.integers(1990, 2024), st.integers(1, 12), st.sampled_from([1, 2, 11, 12, 13, 28]))


@given(
    st.lists(st.tuples(DAYS, st.integers(0, 1)), max_size=12),
    st.lists(st.sampled_from(FORMS), min_size=2, max_size=2),
    st.sampled_from(PATTERNS),
    st.booleans(),
)
def test_what_is_passed_over_has_no_doubt(days, forms, pattern, mixed):
    written = {day.strftime(forms[which and mixed]) for day, which in days}
    texts = pl.Series("day", sorted(written), dtype=pl.String)
    if _beyond_doubt(texts, pattern):
        found = [look("", "procedures", texts) for look in (swapped, late_stamps, other_days, months_from_zero)]
        assert [*found, other_order("", "procedures", texts, pattern)] == [[]] * 5


@pytest.mark.parametrize(("form", "passed"), [("%m/%d/%Y", True), ("%d/%m/%Y", False), ("%Y-%m-%d", True)])
def test_plain_days_of_the_told_order_are_passed_over(form, passed):
    texts = pl.Series([dt.date(2020, 1, day).strftime(form) for day in range(1, 29)])
    assert _beyond_doubt(texts, "%m/%d/%Y") is passed
