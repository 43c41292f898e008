"""Days that a dump writes with their form; what is not sure to be one is none."""

from __future__ import annotations

import pytest

from pipeline.reading.sources.sql_dump import day_in_form


@pytest.mark.parametrize(
    ("text", "form", "day"),
    [
        ("05-03-2019", "DD-MM-YYYY", "2019-03-05"),
        ("03/05/2019", "MM/DD/RRRR", "2019-03-05"),
        ("05-MAR-2019", "DD-MON-YYYY", "2019-03-05"),
        ("2019-03-05 14:30:00", "YYYY-MM-DD HH24:MI:SS", "2019-03-05 14:30:00"),
        ("05-03-19", "DD-MM-RR", None),  # of which century
        ("2019-31-05", "YYYY-MM-DD", None),
        ("03-2019", "MM-YYYY", None),
        ("05-03-2019", "DD-MM-YYYY AD", None),
    ],
)
def test_a_day_with_its_form(text: str, form: str, day: str | None):
    assert day_in_form(text, form) == day
