"""Every sentence of a shared comparison, of figures made up for it: a word, a side or an edge that moves is seen."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from dashboards.charts.released_curve import released_curves
from dashboards.release.count import ReleasedCount
from dashboards.release.curve import ReleasedPoint
from dashboards.release.rates import ReleasedRate, ReleasedRates
from dashboards.release.released import (
    Released,
    ReleasedComparison,
    ReleasedDifference,
    ReleasedEstimate,
    ReleasedGroup,
    ReleasedNaive,
)
from dashboards.release.trial import ReleasedChoices, ReleasedIncidence, ReleasedIncidencePoint, ReleasedOutcome
from dashboards.words import shared
from pipeline.results.trial_words import NOT_COMPARED

MANY, HIDDEN = ReleasedCount(300), ReleasedCount(None)


def point(years: float, failed: int) -> ReleasedPoint:
    return ReleasedPoint(round(12 * years), failed, failed - 2, failed + 3, MANY)


def group(name: str, *points: ReleasedPoint, failures: ReleasedCount = MANY) -> ReleasedGroup:
    return ReleasedGroup(name, f"Kind {name}", MANY, MANY, failures, points)


A, B = group("a", point(0, 2), point(5, 12), point(6, 14)), group("b", point(0, 2), point(5, 5), point(6, 8))
UP = ReleasedDifference("a", "b", 5.0, 6, 1, 11, True, True)
DOWN = dataclasses.replace(UP, per_100=-6, low=-11, high=-1)
WIDE = dataclasses.replace(UP, per_100=2, low=-4, high=9)
LATE = dataclasses.replace(UP, from_start=False)
BY = ReleasedEstimate("a vs b", "cox", (), 1.9, 1.2, 3.0)
FOR_AGE = dataclasses.replace(BY, adjusted_for=("age_at_seat",), hazard_ratio=1.6, low=1.1, high=2.2)
NAIVE = ReleasedNaive("a vs b", "immortal time", 0.8, (("a", 4), ("b", 9)))


def said(code: str = "differs", d: ReleasedDifference | None = UP, **changes: Any) -> ReleasedComparison:
    made = ReleasedComparison(
        "crown_longevity_by_endo_timing", "Crowns: kept", "", "crown_survival", "since_seat", 5.0, 5.0, code, (A, B), d,
        (BY, FOR_AGE), NAIVE, ReleasedChoices(12, -3, 8, sample=False),
    )  # fmt: skip
    return dataclasses.replace(made, **changes)


FEW_A = (dataclasses.replace(A, failures=HIDDEN, points=()), B)
FEW = (dataclasses.replace(A, failures=HIDDEN, points=()), dataclasses.replace(B, failures=HIDDEN, points=()))
OPEN = "We cannot tell yet: it could be "


@pytest.mark.parametrize(
    ("comparison", "verdict"),
    [
        (said(), "More crowns failed with “Kind a” in these records"),
        (said(d=dataclasses.replace(UP, per_100=1)), "More crowns failed with “Kind a” in these records"),
        (said(d=DOWN), "Fewer crowns failed with “Kind a” in these records"),
        (said(outcome="tooth_loss"), "More teeth were lost with “Kind a” in these records"),
        (said("little_difference", WIDE), "Any difference is probably smaller than 5 per 100"),
        (said("depends_on_how_we_count", WIDE), "The answer depends on how we count"),
        (said("cannot_tell", WIDE), OPEN + "4 fewer to 9 more failures per 100, adjusted"),
        (
            said("cannot_tell", dataclasses.replace(UP, adjusted=False)),
            OPEN + "1 to 11 more failures per 100, but chance is not ruled out",
        ),
        (said("cannot_tell", dataclasses.replace(UP, low=0)), OPEN + "0 to 11 more failures per 100, adjusted"),
        (said("cannot_tell", dataclasses.replace(DOWN, high=0)), OPEN + "11 fewer to 0 failures per 100, adjusted"),
        (said("too_early"), "Too few crowns are followed so far for a difference to be shown"),
        (said(d=None), "Too few crowns are followed so far for a difference to be shown"),
        (said("too_early", None, groups=FEW_A), "Too few failures so far with “Kind a” to be shown"),
        (said("too_early", None, groups=FEW), "Too few failures so far to be shown"),
    ],
)
def test_the_verdict(comparison: ReleasedComparison, verdict: str) -> None:
    assert shared.verdict(comparison) == verdict
    assert shared.asked_and_said(comparison) == f"Crowns: kept: {verdict[0].lower()}{verdict[1:]}"
    beside = verdict.removeprefix("We cannot tell yet: ").removesuffix(" in these records")
    assert shared.beside_verdict(comparison) == beside[0].upper() + beside[1:]


@pytest.mark.parametrize(
    ("comparison", "heading"),
    [
        (said(), "Crowns: kept: 6 more of 100 failed with kind a"),
        (said(d=DOWN, id="own"), "Crowns: kept: 6 fewer of 100 failed with kind a"),
        (said(d=None), "Crowns: kept: not known yet"),
        (said("cannot_tell"), "Crowns: kept: not known yet"),
        (said("too_early"), "Crowns: kept: too few failures to be shown"),
    ],
)
def test_the_heading(comparison: ReleasedComparison, heading: str) -> None:
    assert shared.heading(comparison) == heading


def test_a_ratio_says_what_it_allows_for() -> None:
    found = [shared.how(names) for names in ((), ("age_at_seat",), ("age_at_seat", "sex"))]
    assert found == ["unadjusted", "adjusted for age at seat alone", "adjusted"]


def test_the_result_and_its_range() -> None:
    more = "By 5 years, 6 more of 100 crowns failed with “Kind a” than with “Kind b”"
    assert shared.result(said()) == f"{more}."
    assert shared.result(said(d=LATE)) == f"{more}, counted from when both groups are followed."
    assert shared.result(said(d=DOWN)) == f"{more.replace('more', 'fewer')}."
    assert shared.result(said(d=None)) == "No difference is shown: too few are followed for 5 years."
    few = said(d=None, groups=FEW_A)
    assert shared.result(few) == "No difference is shown: too few failures stand behind at least one group."
    fits = "These records fit anything from 1 to 11 more per 100."
    assert shared.reach(said()) == fits
    assert shared.reach(said(d=None)) == ""
    assert shared.reach(said("cannot_tell")) == f"{fits} {shared.NOT_BY_RANGE_ALONE}"
    assert shared.reach(said("cannot_tell", WIDE)) == "These records fit anything from 4 fewer to 9 more per 100."


def test_what_would_help_and_what_is_too_small() -> None:
    assert "other practices’ records" in shared.next_step(said())
    assert shared.next_step(said("cannot_tell")).startswith("More teeth followed for longer")
    assert shared.zone(said()) == "Fixed beforehand as too small to matter: 5 per 100 either way."


def test_ways_to_count() -> None:
    def told(low: int, high: int, *, sample: bool = False, say: tuple[int, int] = (0, 0)) -> str:
        return shared.choices(said(choices=ReleasedChoices(12, low, high, sample, *say)))

    text, none = (
        "Counted in 12 defensible ways, the difference ",
        "None of 12 ways to count these teeth shows a difference.",
    )
    assert told(-3, 8) == f"{text}runs from 3 fewer to 8 more failures per 100. {none}"
    assert told(4, 4, say=(2, 1)) == (
        f"{text}is 4 more failures per 100. 2 of 12 ways to count these teeth say more failures; 1 of 12 "
        "ways to count these teeth says fewer failures; 9 cannot tell."
    )
    assert told(0, 2, sample=True) == (
        "Counted in 12 defensible ways, on a sample of the patients, the difference runs from 0 to 2 more failures "
        f"per 100. {none}"
    )
    with pytest.raises(ValueError, match="more ways"):
        told(0, 2, say=(9, 4))
    assert shared.choices(said(choices=None)) == ""


def test_the_everyday_need_is_that_of_the_last_year_shown() -> None:
    def told(*points: tuple[int, int]) -> str:
        made = tuple(ReleasedIncidencePoint(at, n, n - 1, n + 2, MANY) for at, n in points)
        return shared.everyday(ReleasedIncidence("normal", MANY, MANY, made))

    teeth = "teeth of normal pulp crowned vital"
    assert told((0, 1), (1, 4), (3, 9)) == (
        f"Of 100 {teeth}, about 9 had a root canal recorded within 3 years (8 to 11)."
    )
    assert told((0, 1), (1, 4)) == f"Of 100 {teeth}, about 4 had a root canal recorded within 1 year (3 to 6)."
    none = f"Too few {teeth} to show how many came to need a root canal."
    assert told() == told((0, 1)) == none


def test_curves_at_the_horizon_and_why_there_is_no_figure() -> None:
    told = "By 5 years, of 100 crowns, about 12 (10 to 15) with “Kind a” and 5 (3 to 8) with “Kind b” had failed"
    assert shared.curves(said()) == f"{told}."
    ends = dataclasses.replace(B, points=(point(0, 2), point(3, 4)))
    begins = dataclasses.replace(B, points=(point(6, 7), point(8, 9)))
    one = "By 5 years, of 100 crowns, about 12 (10 to 15) with “Kind a” had failed"
    assert shared.curves(said(groups=(A, ends))) == (
        f"{one}; the curve of “Kind b” ends at 3 years, while enough are followed to be shown."
    )
    assert shared.curves(said(groups=(A, begins))) == (
        f"{one}; the curve of “Kind b” begins at 6 years, when enough have failed to be shown: about 7 (5 to 10) by "
        "then."
    )
    none = "too few failures stand behind “Kind a” and “Kind b” for a curve since the crown was seated"
    assert shared.curves(said(groups=FEW)) == f"Crowns: kept: no figure by 5 years may be shown; {none}."
    assert shared.no_curve(said()) == []
    assert shared.no_curve(said(groups=FEW)) == [f"{none[0].upper()}{none[1:]}."]
    lone = dataclasses.replace(B, points=(point(5, 5),))
    assert len(shared.no_curve(said(groups=(A, lone)))) == 1


def test_the_title_over_the_curves() -> None:
    assert shared.curves_title(said()) == (
        "Of 100 crowns, about 5 with “Kind b” failed by 5 years, 12 with “Kind a”, unadjusted"
    )
    opened = said(clock="since_opening_or_seat", groups=(A, dataclasses.replace(B, points=(point(0, 2), point(6, 8)))))
    assert shared.curves_title(opened) == (
        "Of 100 crowns, about 8 with “Kind b” failed by 6 years from the opening, 14 with “Kind a”, unadjusted; "
        "the first year that tells both"
    )
    third = group("c", point(0, 3), point(5, 30))
    assert shared.curves_title(said(groups=(third, A, B))) == shared.curves_title(said())
    assert shared.curves_title(said(d=None)).startswith("Of 100 crowns, about 12 with “Kind a” failed")
    early = tuple(dataclasses.replace(g, points=(point(0, 2), point(3, 4))) for g in (A, B))
    assert shared.curves_title(said(groups=early)) == (
        "How many of 100 crowns had failed, and when; no figure by 5 years may be shown"
    )
    assert shared.curves_title(said(groups=FEW)) == "Too few crowns had failed for curves to be shown"
    for points in ((), (point(0, 2),)):
        bare = tuple(dataclasses.replace(g, points=points) for g in (A, B))
        assert shared.curves_title(said(groups=bare)) == (
            "No curve of these crowns may be shown: its steps would tell single crowns"
        )


def test_a_middle_that_may_be_off_is_not_put_in_words() -> None:
    line = dataclasses.replace(B, points=tuple(dataclasses.replace(p, told=False) for p in B.points))
    one = said(groups=(A, line))
    assert "about 12 (10 to 15) with “Kind a” and 3 to 8 with “Kind b” had failed" in shared.curves(one)
    assert shared.curves_title(one) == (
        "Of 100 crowns, 3 to 8 with “Kind b” failed by 5 years, 10 to 15 with “Kind a”, unadjusted"
    )
    assert shared.bands_alone(one) == ["Range only: no middle may be told."]
    assert shared.bands_alone(said()) == []
    chart = released_curves(one, id="x")
    assert chart is not None
    drawn = {t.get("name"): t for t in chart.spec["data"]}
    assert set(drawn) == {None, "Kind a", "Kind b (range only)"}
    assert "fill" not in drawn["Kind a"]
    assert (drawn["Kind b (range only)"]["fill"], list(drawn["Kind b (range only)"]["y"])) == (
        "tonexty",
        [p.high for p in line.points],
    )
    assert all(row[2] is None for row in chart.sheet.rows if row[0] == "Kind b")


@pytest.mark.parametrize(("first", "month"), [(5, 60), (6, 72), (10, 120), (11, 60)])
def test_both_groups_are_told_by_the_first_year_up_to_twice_the_horizon(first: int, month: int) -> None:
    begins = dataclasses.replace(B, points=(point(0, 2), point(first, 5)))
    reaches = dataclasses.replace(A, points=tuple(point(y, y + 2) for y in range(13)))
    assert said(groups=(reaches, begins)).month == month
    assert said(d=None, groups=(reaches, begins)).month == 60
    assert said(groups=(reaches, group("c"), begins)).month == month
    assert said(groups=(reaches,)).month == 60


def test_how_many_were_counted() -> None:
    assert shared.counted_title(said()) == "About 300 with “Kind a” and 300 with “Kind b”: the crowns counted"
    one = said(clock="since_opening_or_seat", groups=(A, dataclasses.replace(B, crowns=HIDDEN)))
    assert shared.counted_title(one) == "About 300 with “Kind a”: all opened crowns, from the opening"
    none = said(groups=tuple(dataclasses.replace(g, crowns=HIDDEN) for g in (A, B)))
    assert shared.counted_title(none) == "Too few crowns to show how many were counted"


def test_the_ratio_in_words() -> None:
    ranged, groups = "Failures came 1.6 times as fast (1.1 to 2.2) with ", "“Kind a” as with “Kind b”, "
    assert shared.model_title(said()) == f"{ranged}{groups}adjusted"
    assert shared.model_title(said("little_difference")) == f"{ranged}{groups}adjusted"
    assert shared.model_title(said("cannot_tell")) == f"{ranged}{groups}adjusted; chance is not ruled out"
    crude = "Failures came 1.9 times as fast (1.2 to 3) with “Kind a” as with “Kind b”, unadjusted"
    assert shared.model_title(said(estimates=(BY,))) == crude
    for low, high in ((0.7, 2.2), (1.0, 2.2), (0.7, 1.0)):
        open_ = said(estimates=(dataclasses.replace(BY, low=low, high=high),))
        assert shared.model_title(open_) == (
            f"Failures may have come anywhere from {low:g} to {high:g} times as fast with {groups}unadjusted"
        )


def test_how_sure_a_ratio_is_hangs_on_its_own_contrast() -> None:
    # The verdict is on a against b; c against b has another p, on which it says nothing.
    other = dataclasses.replace(BY, contrast="c vs b", adjusted_for=("sex",), hazard_ratio=1.8, low=1.3, high=2.5)
    wide = dataclasses.replace(BY, adjusted_for=("sex",), low=0.6, high=3.2)
    assert shared.model_title(said("cannot_tell", estimates=(other, wide))).startswith(
        "Failures may have come anywhere"
    )
    alone = shared.model_title(said("cannot_tell", estimates=(other,)))
    assert alone.endswith("adjusted; not what was asked")


def test_the_misleading_count() -> None:
    assert shared.naive(said()) == (
        "Counted by label from the seat, of 100 crowns 4 with “Kind a” and 9 with “Kind b” failed within 5 "
        "years: a misleading picture"
    )
    none = said(naive=None)
    assert shared.naive(none) == "A count by label from the seat flatters the teeth that changed group later"
    assert "still in place (immortal time). Counted" in shared.naive_why(said())
    assert "still in place. Counted" in shared.naive_why(none)


RATE = ReleasedRate("whole practice", MANY, MANY, 5.0, 92, 90, 94)
OF_NONE = dataclasses.replace(RATE, in_place=None, low=None, high=None)


def told(*rates: ReleasedRates, decision: tuple[ReleasedOutcome, ...] = ()) -> Released:
    return Released(None, "2005", "2024", MANY, MANY, MANY, (said(),), rates, (), (), decision=decision)


def test_the_whole_practice() -> None:
    text = "About 92 of 100 crowns were still in place after 5 years; the range is 90 to 94"
    too_few = "Too few to show how many crowns were still in place after 5 years"
    whole = ReleasedRates("crown_survival", "overall", (RATE,))
    hidden, empty = (dataclasses.replace(whole, rows=rows) for rows in ((OF_NONE,), ()))
    by_year = ReleasedRates("crown_survival", "year", (dataclasses.replace(RATE, name="2010", in_place=50),))
    assert shared.overall(told(by_year, empty, whole, hidden)) == [f"{text}.", f"{too_few}."]
    short = ["92 of 100 crowns still in place after 5 years"]
    assert shared.overall_short(told(by_year, empty, hidden, whole, whole)) == short
    assert shared.overall_short(told(hidden)) == []


def test_the_decision_ends_with_the_way_that_is_not_compared() -> None:
    one = ReleasedOutcome("crown_failure", 5.0, True, (MANY, MANY), 3, -1, 7)
    assert shared.decision(told(decision=(one,))) == [one.sentence, NOT_COMPARED]
    assert shared.decision(told()) == []


def test_the_papers_are_those_of_what_is_shown() -> None:
    def papers(**changes: Any) -> int:
        return len(shared.references(dataclasses.replace(told(), comparisons=(said(**changes),))))

    bare = papers(naive=None, choices=None, estimates=())
    for one in ({"naive": NAIVE}, {"choices": ReleasedChoices(12, -3, 8, sample=False)}, {"estimates": (BY,)}):
        assert papers(**{"naive": None, "choices": None, "estimates": (), **one}) > bare, one
    need = dataclasses.replace(told(), everyday=(ReleasedIncidence("normal", MANY, MANY, ()),))
    assert set(shared.references(need)) > set(shared.references(told()))


def test_the_span_and_the_size_of_the_records() -> None:
    whole = dataclasses.replace(told(), endo_courses=ReleasedCount(150), patients=ReleasedCount(200))
    held = "about 300 crowns and about 150 root canals"
    assert shared.scope(whole) == f"Records of one practice with about 200 patients, 2005 to 2024: {held}."
    named = dataclasses.replace(whole, practice="Alder Row Dental", first_year="", endo_courses=HIDDEN)
    assert shared.scope(named) == "Records of Alder Row Dental with about 200 patients, 2024: about 300 crowns."
    bare = dataclasses.replace(named, crowns=HIDDEN, patients=HIDDEN)
    assert shared.scope(bare) == "Records of Alder Row Dental, 2024: too few teeth to show a count."
