"""Words on the ways to count by hand: every number in them is counted from rows that are drawn here."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from pipeline.questions import choice_options as ways
from pipeline.questions.choice_verdict import (
    beside_main,
    count_zero,
    hangs_on_choices,
    left_out,
    outvoted,
    with_choices,
)
from pipeline.results import Choice, Choices, Comparison, Verdict
from pipeline.transforms.rules import LinkRules

MAIN = ways.main_options(LinkRules())
SINGLE = {name: [option] for name, option in MAIN.items()}


def way(
    estimate: float | None, low: float | None, high: float | None, verdict: str, *, main: bool = False, **options: str
) -> Choice:
    return Choice(MAIN | options, estimate, low, high, None, None, None, (), (), verdict, main)


MORE = way(5, 1, 9, "differs", main=True)


def comparison() -> Comparison:
    verdict = Verdict("differs", "It differs.", "Five.", "One to nine.", "Not by chance.", "Look again.", 5.0)
    return Comparison("x", "", "", "", "", (), (), None, None, verdict, (), (), ("A note.",), 5.0)


def attached(rows: tuple[Choice, ...], **options: list[str]) -> Verdict:
    return with_choices(comparison(), Choices(SINGLE | options, rows, {}, True, "")).verdict


@pytest.mark.parametrize(
    ("other", "depends"),
    [
        # The other way, and a range that leaves out 5; on its edge 5 is within.
        (way(-5, -9, -1, "differs"), True),
        (way(0, -4, 4.9, "little_difference"), True),
        (way(0, -4, 5, "little_difference"), False),
        (way(9, 5, 13, "little_difference"), False),
        # What claims nothing contradicts nothing, wherever its range lies; nor does what has no range.
        (way(-5, -9, -1, "cannot_tell"), False),
        (way(-5, -9, None, "differs"), False),
        (way(-5, None, -1, "differs"), False),
        (way(9, 6, 12, "differs"), False),
    ],
)
def test_what_contradicts_a_verdict(other, depends):
    # Eight more agree, so that the other one is never outvoted.
    assert hangs_on_choices([MORE, *[way(5, 2, 8, "differs")] * 8, other]) is depends


@pytest.mark.parametrize("verdict", ["differs", "little_difference"])
def test_half_of_the_rows_that_adjust_alike_are_enough(verdict):
    main, unsure = way(0.5, 0.2, 4, verdict, main=True), way(1, -4, 6, "cannot_tell")
    assert not hangs_on_choices([main, unsure])
    assert hangs_on_choices([main, unsure, unsure])
    crude = way(1, -4, 6, "cannot_tell", adjustment=ways.CRUDE)
    assert not hangs_on_choices([main, *[crude] * 9])
    # A slight difference the other way is another claim, though its range holds the main estimate.
    fewer = way(-0.5, -6, 1, verdict)
    assert hangs_on_choices([main, fewer, fewer]) is (verdict == "differs")
    assert not hangs_on_choices([way(None, None, None, verdict, main=True), unsure, unsure])


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        ([MORE], "There is one reasonable way of counting; its range leaves out zero."),
        ([way(1, 0, 2, "cannot_tell")], "There is one reasonable way of counting; its range includes zero."),
        ([way(1, -2, 0, "cannot_tell")], "There is one reasonable way of counting; its range includes zero."),
        ([way(None, None, None, "too_early")], "There is one reasonable way of counting; no range can be given."),
        ([way(1, 1, None, "too_early")] * 2, "In none of 2 reasonable ways of counting can a range be given."),
        (
            [MORE, way(1, None, 1, "too_early")],
            "In none of 2 reasonable ways of counting does the range include zero. In 1 no range can be given.",
        ),
        (
            [MORE, way(1, -1, 1, "cannot_tell"), MORE],
            "In 1 of 3 reasonable ways of counting the range includes zero.",
        ),
    ],
)
def test_how_often_a_range_includes_zero(rows, sentence):
    assert count_zero(rows) == sentence


def test_the_sentence_counts_every_claim():
    rows = (
        MORE,
        way(6, 2, 10, "differs", adjustment=ways.CRUDE),
        way(-5, -9, -1, "differs"),
        *[way(0, -4, 4, "little_difference")] * 3,
        *[way(0, -9, 9, "cannot_tell")] * 4,
        *[way(None, None, None, "too_early")] * 5,
    )
    verdict = attached(rows, adjustment=[ways.ADJUSTED, ways.CRUDE])
    assert verdict.sentence.endswith(
        "depends on how we count: more in 2 of 15 reasonable ways of counting, fewer in 1, "
        "no difference above 5 per 100 in 3, no answer in 4, too few failures or years in 5."
    )
    assert verdict.range == ("One to nine. Over all ways of counting the estimate runs from 5 fewer to 6 more per 100.")
    assert (verdict.code, verdict.result) == ("depends_on_how_we_count", "Five.")


def test_the_choice_that_turns_the_verdict_most_often_is_named():
    # Of 2 x 3 ways: the adjustment turns 1 of 3 pairs, what was renewed turns 4 of 6.
    renewed, adjustment = [ways.FAILED, ways.GIVEN_UP, ways.PLANNED], [ways.ADJUSTED, ways.CRUDE]
    said = {
        (ways.FAILED, ways.ADJUSTED): MORE,
        (ways.FAILED, ways.CRUDE): MORE,
        (ways.GIVEN_UP, ways.ADJUSTED): way(-5, -9, -1, "differs"),
        (ways.GIVEN_UP, ways.CRUDE): way(0, -4, 4, "little_difference"),
        (ways.PLANNED, ways.ADJUSTED): MORE,
        (ways.PLANNED, ways.CRUDE): MORE,
    }
    rows = tuple(
        way(
            (found := said[r, a]).per_100,
            found.ci_low,
            found.ci_high,
            found.verdict,
            main=(r, a) == (ways.FAILED, ways.ADJUSTED),
            opened_and_renewed=r,
            adjustment=a,
        )
        for r, a in itertools.product(renewed, adjustment)
    )
    told = attached(rows, opened_and_renewed=renewed, adjustment=adjustment).next_step
    assert told.startswith("First agree what a crown is that was opened and renewed soon after: ")
    assert "(in 67% of changes of it alone)" in told
    # Combinations that were not made are no pairs: without the crude row of what is given up 2 of 4 pairs are left...
    told = attached((*rows[:3], *rows[4:]), opened_and_renewed=renewed, adjustment=adjustment).next_step
    # ...of what was renewed: failed or planned against given up, both adjusted; the two crude ones are alike.
    assert "(in 50% of changes of it alone)" in told


def test_a_verdict_that_hangs_on_nothing_stays_and_what_changes_nothing_is_said():
    kept = SINGLE | {"opened_and_renewed": [ways.FAILED, ways.PLANNED]}
    found = with_choices(comparison(), Choices(kept, (MORE,), {}, False, ""))
    assert found.verdict == comparison().verdict
    assert found.choices.options == kept
    notes = left_out(Choices(kept, (MORE,), {}, False, ""))
    assert found.notes == ("A note.", *notes)
    # All options of a choice gone are not listed; one of several is.
    assert (
        "It makes no difference in these records what a crown is that was opened and renewed soon after "
        "(given up at the opening)." in notes
    )
    assert len(notes) == len(ways.offered_options(LinkRules()))
    assert sum("(" in note for note in notes) == 1
    everything = left_out(Choices(ways.offered_options(LinkRules()), (MORE,), {}, False, ""))
    assert everything == ()


@pytest.mark.parametrize(
    ("others", "said"),
    [
        # Of five ways more than half must claim the same; the way in force, which claims nothing, is one of them.
        ([MORE] * 3 + [way(1, -4, 6, "cannot_tell")], "3 of 5 ways of counting that adjust alike find more failures."),
        ([way(-5, -9, -1, "differs")] * 3, "3 of 4 ways of counting that adjust alike find fewer failures."),
        (
            [way(0.5, -4, 4, "little_difference"), way(-0.5, -4, 4, "little_difference")],
            "2 of 3 ways of counting that adjust alike find a small difference at most.",
        ),
        # Half is no majority, nor are claims that contradict one another, nor ways that claim nothing themselves.
        ([way(5, 1, 9, "differs")], ""),
        ([way(5, 1, 9, "differs"), way(-5, -9, -1, "differs")] * 2, ""),
        ([way(5, -1, 9, "cannot_tell")] * 3, ""),
        # What adjusts otherwise has no vote.
        ([way(5, 1, 9, "differs", adjustment=ways.CRUDE)] * 9, ""),
    ],
)
def test_a_verdict_that_claims_nothing_is_outvoted(others, said):
    rows = [way(3, -1, 7, "cannot_tell", main=True), *[replace(row, is_main=False) for row in others]]
    told = said and f"This hangs on how we count: the way in force gives no answer, but {said}"
    assert outvoted(rows) == outvoted(rows[::-1]) == told
    # A verdict that claims something is never outvoted so.
    assert outvoted([MORE, *[way(-5, -9, -1, "differs")] * 9]) == ""
    assert outvoted([way(0, -4, 4, "little_difference", main=True), *[way(0, -4, 4, "little_difference")] * 9]) == ""


COUNTS = {"crowns_renewed_after_opening": 3, "crowns_opened": 40, "crowns_timing_unknown": 2}


def test_what_stands_beside_the_main_figure():
    rows = (
        MORE,
        way(-2.4, -6.4, 1.6, "cannot_tell", opened_and_renewed=ways.GIVEN_UP),
        way(0.4, -3.6, 4.4, "cannot_tell", undated_root_canal=ways.BEFORE),
        way(7, 3, None, "differs", undated_root_canal=ways.THROUGH),
        # Two changes at once stand for neither.
        way(9, 8, 10, "differs", opened_and_renewed=ways.GIVEN_UP, adjustment=ways.CRUDE),
    )
    renewed, undated = beside_main(rows, COUNTS, renewal_days=90)
    assert renewed == (
        "3 of 40 opened crowns were renewed within 90 days of the root canal. They count as opened, and as failed. Had "
        "they been given up at the opening, the difference would be 2 fewer per 100 (6 fewer to 2 more)."
    )
    assert undated == (
        "2 crowns had a root canal elsewhere on an unknown day: in neither group. Counted as done before the "
        "seat the difference would be no difference per 100 (4 fewer to 4 more); counted as done through the crown the "
        "difference would be one that cannot be given."
    )


def test_nothing_stands_beside_where_nothing_was_counted():
    assert beside_main((MORE,), dict.fromkeys(COUNTS, 0), renewal_days=90) == ()
    (none_renewed,) = beside_main((MORE,), dict.fromkeys(COUNTS, 0) | {"crowns_opened": 40}, renewal_days=90)
    assert none_renewed.startswith("None of 40 opened crowns was renewed within 90 days of the root canal")
    renewed, undated = beside_main((MORE,), COUNTS, renewal_days=90)
    assert renewed.endswith("They count as opened, and as failed.")
    assert undated.endswith(": in neither group.")


@pytest.mark.parametrize(
    ("figures", "said"),
    [
        ((5, 1, 9), "5 more per 100 (1 more to 9 more)"),
        ((None, 1, 9), "one that cannot be given"),
        ((5, None, 9), "one that cannot be given"),
        ((5, 1, None), "one that cannot be given"),
        ((0.3, -0.3, 0.4), "no difference per 100 (no difference to no difference)"),
    ],
)
def test_a_difference_in_words(figures, said):
    rows = (MORE, way(*figures, "differs", opened_and_renewed=ways.GIVEN_UP))
    assert beside_main(rows, COUNTS, renewal_days=90)[0].endswith(f"the difference would be {said}.")
