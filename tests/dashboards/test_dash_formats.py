"""Numbers, plurals, dates and lists are written one way."""

import math

import pytest

from dashboards import formats, theme


@pytest.mark.parametrize(
    ("n", "noun", "text"),
    [
        (1, "crown", "1 crown"),
        (0, "crown", "0 crowns"),
        (2, "tooth", "2 teeth"),
        (1200, "procedure row", "1,200 procedure rows"),
        (2, "root canal", "2 root canals"),
        (2, "analysis", "2 analyses"),
        (3, "day", "3 days"),
        (2, "study", "2 studies"),
    ],
)
def test_counts_agree_with_their_noun(n: int, noun: str, text: str) -> None:
    assert formats.count(n, noun) == text


@pytest.mark.parametrize(("n", "verb"), [(1, "was"), (2, "were"), (0, "were")])
def test_verbs_agree_too(n: int, verb: str) -> None:
    assert formats.plural(n, "was") == verb


@pytest.mark.parametrize("survival", [0.0, 0.004, 0.125, 0.5, 0.875, 0.905, 0.995, 1.0])
def test_in_place_and_failed_add_to_a_hundred(survival: float) -> None:
    assert formats.in_place(survival) + formats.failed(survival) == 100


def test_halves_go_up() -> None:
    assert [formats.in_place(s) for s in (0.125, 0.135, 0.5)] == [13, 14, 50]


def test_a_figure_that_could_not_be_worked_out_is_a_dash() -> None:
    for value in (None, math.nan, math.inf):
        assert formats.ratio(value) == formats.decimal(value) == formats.DASH


def test_minus_is_a_minus_and_never_stands_before_zero() -> None:
    assert formats.decimal(-1.26) == "−1.3"
    assert formats.decimal(-0.04) == "0.0"


def test_months_hide_days_and_refuse_other_text() -> None:
    assert formats.month("2025-12-31") == "December 2025"
    assert formats.month("Dr Ashby") == ""
    assert formats.day("2025-12-31") == "31 December 2025"


def test_lists() -> None:
    assert formats.listing([]) == ""
    assert formats.listing(["a"]) == "a"
    assert formats.listing(["a", "b", "c"]) == "a, b and c"


def test_percent_of_nothing_is_a_dash() -> None:
    assert formats.percent(0, 0) == formats.DASH
    assert formats.percent(1, 3) == "33 %"
    assert formats.percent(1, 300) == "0.3 %"
    assert formats.percent(299, 300) == "99.7 %"


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_text_and_line_colours_have_enough_contrast_on_white() -> None:
    # WCAG 2.1, success criterion 1.4.3: 4.5 to 1 for text.
    colours = [theme.INK, theme.MUTED, theme.ACCENT, *(look.colour for look in theme.LOOKS)]
    assert {c: 1.05 / (_luminance(c) + 0.05) for c in colours if 1.05 / (_luminance(c) + 0.05) < 4.5} == {}


def test_groups_differ_in_line_as_well_as_in_colour() -> None:
    assert len({look.dash for look in theme.LOOKS}) == len({look.svg_dash for look in theme.LOOKS}) == len(theme.LOOKS)
