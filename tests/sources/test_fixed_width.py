"""Where fields begin is seen below the headings, not below a line with the time of printing."""

from __future__ import annotations

from pipeline.reading.sources.fixed_width import find_starts

HEAD = f"{'Chart':<7}{'Date':<11}{'Th':<4}{'Code':<7}{'Description':<14}{'Fee':>8}"
ROWS = [
    f"{n:<7}{'03/14/2019':<11}{tooth:<4}{'D3330':<7}{'Root canal':<14}{'1150.00':>8}"
    for n, tooth in ((1001, 14), (1002, 19), (1003, ""), (1004, 30))
]
STARTS = [1, 8, 19, 23, 30, 45]


def page(number: int, rows: list[str]) -> list[str]:
    return [
        f"Alder Row Dental    Page {number}",
        "Run 08/01/2022 14:03",
        HEAD,
        "-" * len(HEAD),
        *rows,
        "Page total 9.00",
    ]


def test_fields_begin_below_the_headings():
    assert find_starts([HEAD, *ROWS]) == STARTS


def test_a_time_of_printing_above_them_changes_nothing():
    assert find_starts(page(1, ROWS)) == STARTS


def test_nor_one_on_each_page():
    assert find_starts(page(1, ROWS[:2]) + page(2, ROWS[2:])) == STARTS
