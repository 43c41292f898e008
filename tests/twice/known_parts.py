"""What is said of the main comparison where one part of it is another, or not known: `known_parts.txt` has it.

Beside the whole page, whose every figure R has: which texts go and which come, without their figures. Whoever changes
words reads the file anew and renews it by `python tests/twice/test_known_practice.py looks`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

from dashboards.pages import comparison as page
from dashboards.theme import Chart
from dashboards.words import answers
from pipeline.practice.outcomes import TOOTH_LOSS
from pipeline.results import Choice, Choices, Comparison, Group, Results

KEPT = Path(__file__).with_name("known_parts.txt")
NUMBER = re.compile(r"\d+(?:[.,]\d+)*")


def parts(results: Results, main: Comparison) -> list[str]:
    """For each change a line with its name, then what is no longer said and what is said instead."""
    whole = _said(results, main)
    lines = []
    for name, other in _others(main):
        said = _said(results, other)
        gone, new = ({NUMBER.sub("#", text) for text in one - two} for one, two in ((whole, said), (said, whole)))
        lines += [name, *(f"- {text[:60]}" for text in sorted(gone)), *(f"+ {text}" for text in sorted(new))]
    return lines


def _others(main: Comparison) -> Iterator[tuple[str, Comparison]]:
    robustness, steady, d, first = main.robustness, main.steady, main.difference, main.groups[0]
    assert robustness is not None
    assert steady is not None
    assert d is not None
    yield "without doubts", replace(main, robustness=None)
    for name in ("detectable_per_100", "e_value", "e_value_limit", "leaving"):
        yield f"without {name}", replace(main, robustness=replace(robustness, **{name: None}))
    yield "nothing found beforehand", replace(main, robustness=replace(robustness, detectable_per_100=0.3))
    yield "without balance", replace(main, robustness=replace(robustness, balance=()))
    yield "balance of one", replace(main, robustness=replace(robustness, balance=robustness.balance[:1]))
    for name in ("naive", "difference", "crude_difference", "steady", "mean_years", "within_patient"):
        yield f"without {name}", replace(main, **{name: None})
    for name in ("estimates", "flow", "missing"):
        yield f"without {name}", replace(main, **{name: ()})
    yield "open whether steady", replace(main, steady=replace(steady, steady=None))
    yield "not steady", replace(main, steady=replace(steady, steady=False, overall=(2.0, 1.0, 3.0)))
    yield "from the start", replace(main, difference=replace(d, from_days=0))
    for name, numbers in _RANGES.items():
        apart = replace(d, **dict(zip(("per_100", "ci_low", "ci_high"), numbers, strict=True)))
        yield name, replace(main, difference=apart, crude_difference=apart)
    for code in ("cannot_tell", "little_difference", "too_early", "depends_on_how_we_count"):
        yield code, replace(main, verdict=replace(main.verdict, code=code))
    lost = replace(main, outcome=TOOTH_LOSS.id, difference=replace(d, per_100=1.2, ci_low=0.6, ci_high=1.8))
    yield "of teeth", lost
    yield "of teeth, open", replace(lost, verdict=replace(main.verdict, code="cannot_tell"))
    for clock in ("since_opening_or_seat", "since_landmark"):
        yield clock, replace(main, clock=clock)
    for name, ranges in _WAYS.items():
        ways = tuple(_way(*numbers, is_main=not n) for n, numbers in enumerate(ranges))
        codes = {way.verdict: sum(one.verdict == way.verdict for one in ways) for way in ways}
        yield name, replace(main, choices=Choices({"crown_date": ["seat", "post"]}, ways, codes, False, "Counted."))
    others = main.groups[1:]
    yield "one without a curve", replace(main, groups=(replace(first, curve=()), *others))
    yield "none with a curve", replace(main, groups=tuple(replace(g, curve=()) for g in main.groups))
    yield "one that ends before", replace(main, groups=(_short(first), *others))
    yield "none by the horizon", replace(main, groups=tuple(_short(g) for g in main.groups))
    yield "by seven years and a half", replace(main, horizon_years=7.5, difference=replace(d, years=7.5))


_RANGES = {
    "fewer": (-12.0, -20.0, -4.0),
    "one": (1.2, 0.6, 1.8),
    "as many": (0.3, -6.0, 6.0),
    "a little more": (0.2, 0.1, 0.4),
    "up to none": (-3.0, -9.0, -0.2),
}


# Difference with its range by each way to count, the main one first.
_WAYS: dict[str, tuple[tuple[float | None, float | None, float | None], ...]] = {
    "no other way": (),
    "one way": ((4.0, 1.0, 7.0),),
    "some more and one fewer": ((4.0, 1.0, 7.0), (6.0, 2.0, 9.0), (-5.0, -8.0, -1.0), (1.0, -2.0, 4.0)),
    "ways that cannot tell": ((1.0, -2.0, 4.0), (0.2, 0.0, 3.0), (-2.0, -6.0, 0.0), (None, None, None)),
}


def _way(per_100: float | None, low: float | None, high: float | None, *, is_main: bool) -> Choice:
    says = "differs" if low is not None and high is not None and (low > 0 or high < 0) else "cannot_tell"
    crowns = (("before_seat", 170), ("through_crown", 128))
    return Choice({"crown_date": "seat"}, per_100, low, high, None, None, None, crowns, crowns, says, is_main)


def _short(group: Group) -> Group:
    none = {"survival": None, "ci_low": None, "ci_high": None}
    return replace(group, milestones=tuple(replace(m, **none) if m.years >= 5 else m for m in group.milestones))


def _said(results: Results, main: Comparison) -> set[str]:
    """Every text of the section of the main comparison and of what pages open with."""
    shown = page.section(replace(results, comparisons=(main,)), main, "c0")
    shown |= {
        "c": None,
        "answer": answers.comparison_says(main),
        "short": answers.in_short(main, of="opened", than="treated before"),
    }
    return _texts(shown | {"sure": answers.how_sure(main), "heading of sure": answers.sure_heading(main)})


def _texts(value: Any) -> set[str]:
    if isinstance(value, str):
        return {value} - {""}
    if isinstance(value, Chart):
        value = (value.label, value.name, value.sheet.rows)
    elif isinstance(value, dict):
        value = list(value.values())
    elif is_dataclass(value):
        value = [getattr(value, field.name) for field in fields(value)]
    return set().union(*(_texts(one) for one in value)) if isinstance(value, list | tuple) else set()
