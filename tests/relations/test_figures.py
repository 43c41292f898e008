"""The comparer of two runs, on figures that can be checked by eye."""

from __future__ import annotations

import pytest
from figures import MISSING, add_at, gaps, in_order_of_names, leaves
from relations import adds_up

FIGURES = {
    "counts": {"crowns": 4, "share": 0.25},
    "rows": [{"name": "a", "teeth": 3, "low": None}, {"name": "b", "teeth": 1, "low": 0.5}],
    "notes": ["one", "two"],
    "empty": [],
}


def paths(**changes: object) -> list[str]:
    return [gap.path for gap in gaps(FIGURES, FIGURES | changes)]


def test_every_figure_has_a_path():
    assert [path for path, _ in leaves(FIGURES)] == [
        "/counts/crowns", "/counts/share", "/rows/0/name", "/rows/0/teeth", "/rows/0/low", "/rows/1/name",
        "/rows/1/teeth", "/rows/1/low", "/notes/0", "/notes/1", "/empty",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, []),
        ({"counts": {"crowns": 4.0, "share": 0.25}}, []),  # JSON has one kind of number
        ({"counts": {"crowns": 5, "share": 0.25}}, ["/counts/crowns"]),
        ({"counts": {"crowns": 4, "share": 0.25000000000000006}}, ["/counts/share"]),
        ({"counts": {"crowns": 4}}, ["/counts/share"]),
        ({"counts": {"crowns": 4, "share": True}}, ["/counts/share"]),
        ({"notes": ["two", "one"]}, ["/notes/0", "/notes/1"]),
        ({"notes": ["one"]}, ["/notes/1"]),
        ({"notes": ["one", "two", "three"]}, ["/notes/2"]),
        ({"empty": None}, ["/empty"]),
        ({"empty": [0]}, ["/empty", "/empty/0"]),
        ({"more": 1}, ["/more"]),
    ],
)
def test_what_differs_is_told_by_its_path(changes: dict[str, object], told: list[str]):
    assert paths(**changes) == told


def test_what_is_worked_out_in_one_run_alone_is_told_whatever_the_slack():
    other = FIGURES | {"rows": [{"name": "a", "teeth": 3, "low": 0.0}, FIGURES["rows"][1]]}
    (gap,) = gaps(FIGURES, other, near=1e-9)
    assert (gap.path, gap.expected, gap.found) == ("/rows/0/low", None, 0.0)
    (gap,) = gaps({"a": 1}, {})[:1]
    assert gap.found == MISSING


def test_slack_is_relative_and_never_for_counts():
    assert not gaps({"p": 1e6}, {"p": 1e6 * (1 + 9e-10)}, near=1e-9)
    assert gaps({"p": 1e6}, {"p": 1e6 * (1 + 2e-9)}, near=1e-9)
    assert not gaps({"p": 0.0}, {"p": 9e-13}, near=1e-9)
    assert gaps({"p": 0.0}, {"p": 2e-12}, near=1e-9)
    assert gaps({"n": 10**12}, {"n": 10**12 + 1}, near=1e-9)


def test_only_the_paths_that_may_differ_are_let_be():
    other = FIGURES | {"counts": {"crowns": 5, "share": 0.3}}
    assert [gap.path for gap in gaps(FIGURES, other, may=("/counts/c*",))] == ["/counts/share"]


def test_a_list_in_the_order_of_names_is_matched_by_them():
    turned = FIGURES | {"rows": FIGURES["rows"][::-1]}
    assert gaps(FIGURES, turned)
    assert not gaps(*(in_order_of_names(figures, ["/rows"]) for figures in (FIGURES, turned)))


def test_what_is_to_be_added_must_have_a_place():
    assert add_at(FIGURES, {"/rows/(b)/teeth": 2})["rows"][1]["teeth"] == 3
    with pytest.raises(AssertionError, match="no such figures"):
        add_at(FIGURES, {"/rows/(c)/teeth": 2})


def test_accounts_that_do_not_add_up_are_told():
    load = {"file": "f", "table": "procedures", "rows_read": 5, "loaded": 3, "duplicate": 1, "reversed": 0}
    figures = {
        "counts": {"procedures": 3, "quarantined": 1},
        "quality": {"loads": [load | {"quarantined": 1}], "flow": [{"left": 5}], "quarantine": [{"rows": 1}]},
    }
    assert adds_up(figures) == []
    figures["counts"]["procedures"] = 4
    assert adds_up(figures) == ["3 is not 4"]
