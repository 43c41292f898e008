"""How counts are written, and that none is written beside a noun of many by hand where one may be meant."""

from __future__ import annotations

import pytest

from pipeline.practice.counts import count, plural, years


@pytest.mark.parametrize(
    ("n", "noun", "verb", "said"),
    [
        (1, "row", "is", "1 row is"),
        (2, "row", "is", "2 rows are"),
        (0, "hyperemic tooth", "", "0 hyperemic teeth"),
        (1, "copy", "", "1 copy"),
        (1200, "copy", "lies", "1,200 copies lie"),
        (1, "survey", "stands", "1 survey stands"),
        (3, "survey", "stands", "3 surveys stand"),
        (-2, "crown", "", "−2 crowns"),
    ],
)
def test_noun_and_verb_follow_the_number(n: int, noun: str, verb: str, said: str) -> None:
    assert count(n, noun, verb) == said


def test_years_and_what_stands_alone() -> None:
    assert [years(1), years(2.5), plural(1, "has"), plural(0, "has")] == ["1 year", "2.5 years", "has", "have"]
