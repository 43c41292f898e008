"""The gate by hand: each rule at the value where it begins to hold, beside the one where it does not yet."""

from __future__ import annotations

import dataclasses
import math

import pytest
from half_years import with_half_years
from plain_gate import plain_gate

from dashboards.release import words
from dashboards.release.count import ReleasedCount
from dashboards.release.curve import ReleasedPoint
from dashboards.release.healing import (
    STATES,
    ReleasedHealing,
    ReleasedLoss,
    ReleasedLosses,
    ReleasedShare,
    release_healing,
    release_losses,
)
from dashboards.release.methods import ReleasedFollowUp, ReleasedMethods, release_methods
from dashboards.release.percent import (
    borne_out,
    difference_on_step,
    outward,
    percent_step,
    ratio_range,
    round_ratio,
    share_range,
)
from dashboards.release.rates import ReleasedRate, ReleasedRates
from dashboards.release.released import Released, release
from dashboards.release.technique import (
    ReleasedContrast,
    ReleasedTechnique,
    ReleasedTechniqueGroup,
    ReleasedTechniques,
    release_techniques,
)
from dashboards.release.trial import (
    DECISION,
    ReleasedChoices,
    ReleasedIncidence,
    ReleasedIncidencePoint,
    ReleasedOutcome,
    release_choices,
    release_everyday,
    release_outcomes,
)
from pipeline.questions.techniques.grouping import OTHER
from pipeline.release.disclosure import Rounding, nearest_step
from pipeline.results import (
    Check,
    Choice,
    Choices,
    Comparison,
    Counts,
    CurvePoint,
    Difference,
    Estimate,
    FlowStep,
    FollowUp,
    Group,
    HalfYear,
    IncidenceCurve,
    IncidencePoint,
    Milestone,
    Naive,
    Quality,
    RateRow,
    RateTable,
    Results,
    Sample,
    Trial,
    TrialOutcome,
    Verdict,
)
from pipeline.results.gap import Gap
from pipeline.results.healing import CountedShare, LossByCause, LossGroup, LossTable, RecallRow
from pipeline.results.records import Records
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast, TechniqueGroup
from pipeline.results.unseen import Unseen


@pytest.fixture(autouse=True)
def _by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dashboards.release.released.gate_of", lambda results: plain_gate())


HIDDEN, FIFTEEN = ReleasedCount(None), ReleasedCount(15)
MAIN = "crown_longevity_by_endo_timing"


# Counts


def test_a_count_is_said_or_said_to_be_hidden() -> None:
    assert [str(c) for c in (HIDDEN, FIFTEEN, ReleasedCount(1235))] == ["hidden", "15", "1,235"]


@pytest.mark.parametrize("value", [0, 10, 14, 17, 15.0, True])
def test_a_count_that_was_not_rounded_is_refused(value: int) -> None:
    with pytest.raises(ValueError, match="at least 15 and a multiple of 5"):
        ReleasedCount(value)


# Shares, differences and ratios


def test_steps_of_percentages_are_worth_five_teeth() -> None:
    # A told count may stand for 4 fewer: 30 for 26, of which five are 19.2 %.
    found = {n: percent_step(n) for n in (None, 25, 30, 50, 55, 100, 105, 250, 255, 500, 505, 9000)}
    steps = {None: None, 25: None, 30: 20, 50: 20, 55: 10, 100: 10, 105: 5, 250: 5, 255: 2, 500: 2, 505: 1, 9000: 1}
    assert found == steps


def test_the_nearest_step_and_the_steps_around() -> None:
    assert [nearest_step(v, 5) for v in (2.4, 2.5, 7.4, 7.5, -2.5, -2.6)] == [0, 5, 5, 10, 0, -5]
    assert outward(2.1, 7.9, 2) == (2, 8)
    assert outward(4.0, 8.0, 2) == (4, 8)
    assert outward(-3.0, -1.0, 2) == (-4, 0)
    assert outward(100 * 0.29, 100 * 0.07, 1) == (29, 7)  # 28.999999999999996 and 7.000000000000001


def test_a_difference_stands_on_the_coarser_step() -> None:
    assert difference_on_step(3.4, -1.2, 7.9, [105, 505]) == (5, (-5, 10), 5)
    assert difference_on_step(3.4, -1.2, 7.9, [505, 600]) == (3, (-2, 8), 1)
    assert difference_on_step(3.4, -1.2, 7.9, [505, 25]) is None
    assert difference_on_step(3.4, -1.2, 7.9, [505, None]) is None
    assert difference_on_step(3.4, -1.2, 7.9, []) is None


@pytest.mark.parametrize(
    ("code", "figures", "said"),
    [
        ("differs", (4, 1, 9), "differs"),
        ("differs", (-4, -9, -1), "differs"),
        ("differs", (4, 0, 9), "cannot_tell"),
        ("differs", (-4, -9, 0), "cannot_tell"),
        ("differs", (0, 1, 9), "cannot_tell"),
        ("little_difference", (0, -5, 5), "little_difference"),
        ("little_difference", (0, -6, 5), "cannot_tell"),
        ("little_difference", (0, -5, 6), "cannot_tell"),
        ("too_early", (0, -50, 60), "too_early"),
    ],
)
def test_a_verdict_is_said_as_far_as_figures_bear_it_out(code: str, figures: tuple[int, int, int], said: str) -> None:
    assert borne_out(code, *figures, smallest=5) == said


def test_shares_stand_on_the_step_between_none_and_all() -> None:
    assert share_range(plain_gate(), 0.93, 0.91, 0.97, 5) == (95, 90, 100)
    assert share_range(plain_gate(), 0.02, -0.01, 0.05, 2) == (2, 0, 6)
    assert share_range(plain_gate(), 0.98, 0.95, 1.01, 2) == (98, 94, 100)
    assert share_range(plain_gate(), 0.51, 0.43, 0.57, 20) == (60, 40, 60)


def test_ratios_lose_their_third_figure() -> None:
    found = [round_ratio(v) for v in (0.62, 0.93, 0.99, 1.0, 1.04, 1.26, 12.34)]
    assert found == [0.6, 0.95, 1.0, 1.0, 1.0, 1.3, 12.3]
    with pytest.raises(ValueError, match="not known"):
        round_ratio(math.nan)


@pytest.mark.parametrize(
    ("exact", "told"),
    [
        ((1.27, 0.833, 1.926), (1.3, 0.8, 2.0)),
        ((1.276, 1.056, 1.542), (1.3, 1.0, 1.6)),
        ((0.73, 0.588, 0.906), (0.75, 0.55, 0.95)),
        ((0.81, 0.635, 1.032), (0.8, 0.6, 1.1)),
        ((0.9, 0.8, 0.95), (0.9, 0.8, 0.95)),
        ((1.5, 1.1, 2.3), (1.5, 1.1, 2.3)),
    ],
)
def test_ranges_of_ratios_cover_the_exact_ones(exact: tuple[float, float, float], told: tuple[float, ...]) -> None:
    assert ratio_range(*exact) == told


# Curves


def mile(years: float, followed: int, survival: float | None = 1.0) -> Milestone:
    return Milestone(years, followed, followed, 0, 0, survival)


def group(crowns: int = 500, failures: int = 50, name: str = "before_seat", **more: object) -> Group:
    return Group(name, "Before", crowns, crowns, failures, 400.0, 1.0, 1.0, 1.0, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("values", [(-6, 0, 0, 0), (0, 101, 0, 0), (0, 0, -1, 0), (0, 0, 0, 101)])
def test_points_out_of_bounds_are_refused(values: tuple[int, int, int, int]) -> None:
    with pytest.raises(ValueError, match="released curves"):
        ReleasedPoint(*values, FIFTEEN)
    with pytest.raises(ValueError, match="half-years"):
        ReleasedPoint(7, 1, 0, 2, FIFTEEN)
    assert ReleasedPoint(6, 100, 0, 100, FIFTEEN).failed == 100


# Healing and losses


def recalls(name: str = "all", recalled: int = 500, healed: int = 400, **more: object) -> RecallRow:
    share = healed / recalled
    return RecallRow(name, 600, 550, recalled, 300, healed, share, share - 0.03, share + 0.03, **more)  # type: ignore[arg-type]


STATED = {"uncertain": CountedShare(60, 500, 0.12, 0.1, 0.15), "not_healed": CountedShare(40, 500, 0.08, 0.06, 0.11)}


def test_healing_by_hand() -> None:
    lesion = recalls("before treatment: a lesion", 50, 39)
    others = [recalls(f"before treatment: {what}", 200, 150) for what in ("no lesion", "not recorded")]
    (whole, part, *_) = release_healing(plain_gate(), [recalls(**STATED), lesion, *others])
    assert (whole.judged.value, part.judged.value) == (500, 50)
    assert len(whole.states) == len(STATES)
    assert [(s.teeth.value, s.of_100, s.low, s.high) for s in whole.states] == [
        (400, 80, 76, 84), (60, 12, 10, 16), (40, 8, 6, 12),
    ]  # fmt: skip
    # 39 of 50 healed and 11 did not, in steps of 20: 75 to 81.
    assert [(s.teeth.value, s.of_100, s.low, s.high) for s in part.states] == [(40, 80, 60, 100)]
    assert part.label == "A lesion before treatment"
    for healed in (40, 10):  # 10 on either side are too few
        few = dataclasses.replace(lesion, successes=healed)
        assert [line.name for line in release_healing(plain_gate(), [recalls(**STATED), few, *others])] == ["all"]
    # Two lines would say that there is nobody in the third.
    assert [line.name for line in release_healing(plain_gate(), [recalls(**STATED), lesion, others[0]])] == ["all"]
    assert [line.name for line in release_healing(plain_gate(), [recalls(**STATED), recalls("Dr Ashby")])] == ["all"]
    assert release_healing(plain_gate(), [lesion]) == ()


@pytest.mark.parametrize("gone", ["share", "ci_low", "ci_high"])
def test_a_share_without_its_range_is_not_said(gone: str) -> None:
    states = {k: dataclasses.replace(v, **{gone: None}) for k, v in STATED.items()}
    (line,) = release_healing(plain_gate(), [recalls(**states)])
    assert [(s.teeth.value, s.of_100) for s in line.states] == [(400, 80), (60, None), (40, None)]


def test_of_few_judged_only_counts_are_said() -> None:
    # 24 teeth allow no step; a state that is not known counts nobody, and with the other is hidden.
    for few, told in ((None, None), (CountedShare(11, 24, 0.46, 0.3, 0.6, 11), 15)):
        (line,) = release_healing(plain_gate(), [recalls(recalled=24, healed=13, not_healed=few)])
        assert [(s.teeth.value, s.of_100) for s in line.states] == [(told, None), (None, None), (None, None)]


@pytest.mark.parametrize("values", [(101, 0, 0), (0, -1, 0), (0, 0, 101)])
def test_shares_out_of_bounds_or_without_a_count_are_refused(values: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="whole percent"):
        ReleasedShare(FIFTEEN, *values)
    with pytest.raises(ValueError, match="count behind"):
        ReleasedShare(HIDDEN, None, 0, None)
    assert ReleasedShare(HIDDEN).of_100 is None
    assert ReleasedShare(FIFTEEN, 100, 0, 100).of_100 == 100


def test_healing_and_losses_go_by_known_names_only() -> None:
    with pytest.raises(ValueError, match="healing"):
        ReleasedHealing("Dr Ashby", FIFTEEN, ())
    with pytest.raises(ValueError, match="causes"):
        ReleasedLoss("Dr Ashby", FIFTEEN, ())
    with pytest.raises(ValueError, match="kinds of teeth"):
        ReleasedLosses("Dr Ashby", FIFTEEN, ())
    assert ReleasedLosses("crowned_tooth_loss_by_cause", FIFTEEN, ()).noun == "crowned teeth"
    assert [ReleasedLoss(c, FIFTEEN, ()).label for c in ("unknown", "all")] == ["not recorded", "all causes"]


def lost(cause: str, losses: int, *points: tuple[float, int, float]) -> LossByCause:
    return LossByCause(cause, losses, tuple(IncidencePoint(y, n, e, max(e - 0.01, 0), e + 0.01) for y, n, e in points))


def losses_of(*causes: LossByCause, teeth: int = 1000, name: str = "all") -> LossTable:
    whole = lost("all", sum(c.losses for c in causes))
    found = LossGroup(name, "All", teeth, teeth, 0, causes, whole)
    return LossTable("endo_tooth_loss_by_cause", "Losses", "since_completion", (found,), ())


def within(*points: tuple[float, int, float], teeth: int = 1000) -> list[tuple | None]:
    (found,) = release_losses(plain_gate(), [losses_of(lost("fracture", 60, *points), lost("other", 20), teeth=teeth)])
    return [s and (s.of_100, s.low, s.high) for s in found.causes[0].within]


def test_losses_by_year_by_hand() -> None:
    # Of 600 followed 2 % are 12 lost; of 400 another 3 % are 12; of 100 one more percent is one, so nothing is said.
    assert within((1, 600, 0.02), (5, 400, 0.05), (10, 100, 0.06)) == [(2, 1, 3), (5, 4, 6), None]
    # Eleven are enough: of 110 10 % and 10 % more; eight at the tenth year are not.
    assert within((1, 110, 0.1), (5, 110, 0.2), (10, 20, 0.6)) == [(10, 9, 11), (20, 19, 21), None]
    # What was not shown counts on: 1 % of 600 are six, 2 % twelve.
    assert within((1, 600, 0.01), (5, 600, 0.02), (10, 600, 0.035)) == [None, (2, 1, 3), None]
    # The fewest followed up to then count, whatever the years between.
    assert within((1, 480, 0.1), (3, 40, 0.1), (5, 50, 0.3), (10, 50, 0.4)) == [(10, 9, 11), None, (40, 39, 41)]


def test_losses_end_where_ten_are_followed_or_nothing_is_known() -> None:
    assert within((1, 600, 0.02), (5, 10, 0.9), (10, 300, 0.95)) == [(2, 1, 3), None, None]
    assert within((1, 600, 0.02), (5, 13, 0.9), (10, 13, 0.95)) == [(2, 1, 3), (90, 89, 91), None]
    assert within((1, 600, 0.02), (5, 300, math.nan), (10, 300, 0.95)) == [(2, 1, 3), None, None]
    assert within((1, 600, 0.02), (10, 300, 0.95)) == [(2, 1, 3), None, None]
    assert within((1, 600, 0.02), (5, 400, 0.05), (10, 100, 0.2), teeth=24) == [None, None, None]


def test_a_cause_in_other_words_stays_inside_and_hides_the_smallest() -> None:
    (found,) = release_losses(
        plain_gate(), [losses_of(lost("fracture", 100), lost("caries", 60), lost("meteorite", 40))]
    )
    assert [(c.cause, c.losses.value) for c in found.causes] == [("fracture", 100), ("caries", None), ("all", 200)]
    (found,) = release_losses(plain_gate(), [losses_of(lost("fracture", 100), lost("caries", 60))])
    assert [c.losses.value for c in found.causes] == [100, None, 160]
    (found,) = release_losses(plain_gate(), [losses_of(lost("fracture", 100), lost("caries", 60), lost("other", 40))])
    assert [c.losses.value for c in found.causes] == [100, 60, 40, 200]


def test_losses_of_groups_other_teeth_or_few_stay_inside() -> None:
    one = losses_of(lost("fracture", 100))
    given = [
        dataclasses.replace(one, id="implants"), losses_of(lost("fracture", 60), name="with_lesion"),
        losses_of(lost("fracture", 3), teeth=10),
    ]  # fmt: skip
    assert release_losses(plain_gate(), given) == ()
    assert [x.teeth.value for x in release_losses(plain_gate(), [*given, one])] == [1000]


# Emulated trials and ways to count


def arm(name: str, teeth: int, events: int, *points: tuple[float, int, float], **more: object) -> IncidenceCurve:
    shown = tuple(IncidencePoint(y, n, e, max(e - 0.02, 0.0), e + 0.02) for y, n, e in points)
    whole = IncidenceCurve(name, name, "endo_needed", teeth, teeth, events, False, shown)
    return dataclasses.replace(whole, **more)


def trial(*, everyday: tuple = (), curves: tuple = (), outcomes: tuple = (), id: str = DECISION) -> Trial:
    return Trial(id, "", "", (), curves, (), (), everyday, (), (), (), outcomes)


def test_everyday_incidence_by_hand() -> None:
    # Of 1000, 1.2 % are twelve by the first year; 0.8 % of 900 then are seven, which with 0.6 % of 800 (4.8) make
    # twelve. Year 0, by which nobody needed one, is left out.
    points = (
        (0.0, 1000, 0.0),
        (1.0, 1000, 0.012),
        (1.5, 900, 0.02),
        (2.0, 900, 0.02),
        (3.0, 800, 0.026),
        (4.0, 10, 0.5),
    )
    (found,) = release_everyday(plain_gate(), [trial(everyday=(arm("hyperemic", 1000, 40, *points),))])
    assert (found.teeth.value, found.needed.value, found.label[:15]) == (1000, 40, "hyperemic teeth")
    assert [(p.years, p.of_100, p.low, p.high, p.followed.value) for p in found.points] == [
        (1, 1, 0, 4, 1000), (3, 3, 0, 5, 800),
    ]  # fmt: skip


def test_the_rise_to_the_first_point_counts_and_each_change_needs_eleven_of_its_own() -> None:
    # 1.1 % of 1000 are eleven by the first year; 1 % more are ten by the second, and 0.1 % more make eleven.
    points = ((1.0, 1000, 0.011), (2.0, 1000, 0.021), (3.0, 1000, 0.022))
    (found,) = release_everyday(plain_gate(), [trial(everyday=(arm("hyperemic", 1000, 40, *points),))])
    assert [(p.years, p.of_100) for p in found.points] == [(1, 1), (3, 2)]


def test_no_year_is_told_a_figure_of_another() -> None:
    """What came after the last change is told with it; every range told holds the exact one of its own year."""
    points = ((1.0, 1000, 0.05), (2.0, 700, 0.10), (3.0, 400, 0.13), (4.0, 210, 0.18), (5.0, 170, 0.23), (6.0, 9, 0.4))
    (found,) = release_everyday(plain_gate(), [trial(everyday=(arm("hyperemic", 1000, 140, *points),))])
    assert [(p.years, p.of_100) for p in found.points] == [(1, 5), (2, 10), (3, 13), (5, 23)]
    exact = {years: of_100 for years, _, of_100 in points}
    assert all(p.low <= 100 * exact[p.years] - 2 and 100 * exact[p.years] + 2 <= p.high for p in found.points)


def test_the_first_share_needs_more_than_the_largest_hidden_count(monkeypatch: pytest.MonkeyPatch) -> None:
    # Where counts up to 14 are hidden, 1.4 % of 1000 are too few to begin with, and so are the next 1.1 %; what came
    # last is told at the last year.
    monkeypatch.setattr(Rounding, "most_hidden", 14)
    for first, years in ((0.014, [3]), (0.015, [1, 3])):
        points = ((1.0, 1000, first), (2.0, 1000, first + 0.011), (3.0, 1000, first + 0.022))
        (found,) = release_everyday(plain_gate(), [trial(everyday=(arm("hyperemic", 1000, 40, *points),))])
        assert [p.years for p in found.points] == years


def test_incidence_that_may_not_leave() -> None:
    one = arm("hyperemic", 500, 40, (0.0, 500, 0.0))
    assert (
        release_everyday(
            plain_gate(), [trial(everyday=(dataclasses.replace(one, adjusted=True), arm("Dr Ashby", 500, 40)))]
        )
        == ()
    )
    for few in (arm("normal", 500, 10, (0.0, 500, 0.0)), arm("normal", 24, 11, (0.0, 24, 0.0))):
        (found,) = release_everyday(plain_gate(), [trial(everyday=(few,))])
        assert found.points == ()
    assert [c.arm for c in release_everyday(plain_gate(), [trial(everyday=(arm("normal", 500, 40), one))])] == [
        "hyperemic",
        "normal",
    ]


def test_incidence_made_by_hand_is_refused() -> None:
    point = ReleasedIncidencePoint(0, 0, 0, 100, FIFTEEN)
    for values in ((-1, 0, 0, 0), (0.5, 0, 0, 0), (0, 101, 0, 0), (0, 0, -1, 0), (0, 0, 0, 101)):
        with pytest.raises(ValueError, match="released incidence"):
            ReleasedIncidencePoint(*values, FIFTEEN)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="too few"):
        ReleasedIncidencePoint(0, 0, 0, 0, HIDDEN)
    with pytest.raises(ValueError, match="known kinds"):
        ReleasedIncidence("Dr Ashby", FIFTEEN, FIFTEEN, ())
    for counts in ((HIDDEN, FIFTEEN), (FIFTEEN, HIDDEN)):
        with pytest.raises(ValueError, match="counts behind"):
            ReleasedIncidence("normal", *counts, (point,))
        assert ReleasedIncidence("normal", *counts, ()).points == ()
    assert ReleasedIncidence("normal", FIFTEEN, FIFTEEN, (point,)).points == (point,)


def decided(outcome: str, sizes: tuple[int, int], events: tuple[int, int], mid: float = -3.4) -> ReleasedOutcome:
    curves = tuple(
        arm(name, n, e, outcome=outcome) for name, n, e in zip(("endo_first", "seat_vital"), sizes, events, strict=True)
    )
    d = Difference("endo_first", "seat_vital", 5.0, 0, mid, mid - 2, mid + 2, "")
    other = (arm("seat_vital", sizes[1], 3, outcome="tooth_loss" if outcome == "crown_failure" else "crown_failure"),)
    (found,) = release_outcomes(
        plain_gate(),
        [trial(id="another"), trial(curves=(*curves, *other), outcomes=(TrialOutcome(outcome, d, True, "", ""),))],
    )
    return found


def test_the_outcome_of_a_decision_by_hand() -> None:
    found = decided("crown_failure", (500, 105), (40, 11))
    assert (found.per_100, found.low, found.high, found.years, found.adjusted) == (-5, -10, 0, 5.0, True)
    assert [n.value for n in found.teeth] == [500, 105]
    assert "no difference is given" not in found.sentence
    for sizes, events in (((500, 105), (40, 10)), ((500, 105), (10, 40)), ((500, 24), (40, 11)), ((10, 500), (11, 11))):
        few = decided("crown_failure", sizes, events)
        assert (few.per_100, few.low, few.high) == (None, None, None)
        few_teeth = any(n.value is None for n in few.teeth)
        why = "too few teeth" if few_teeth else "too few crowns failed, or are followed long enough,"
        assert few.sentence.endswith(f"{why} to be shown.")


def test_behind_a_need_stand_those_without_it_too() -> None:
    assert decided("endo_needed", (500, 500), (40, 40), mid=99.5).high == 100  # no more than all
    assert decided("endo_needed", (500, 500), (40, 40), mid=-99.5).low == -100
    assert decided("endo_needed", (500, 105), (40, 94)).per_100 == -5
    assert decided("endo_needed", (500, 105), (40, 95)).per_100 is None
    assert decided("crown_failure", (500, 105), (40, 95)).per_100 == -5


def test_a_need_rests_on_those_seated_vital_alone_and_all_else_on_both_ways() -> None:
    def one_way(outcome: str) -> ReleasedOutcome:
        vital, d = (
            arm("seat_vital", 500, 40, outcome=outcome),
            Difference("endo_first", "seat_vital", 5.0, 0, 3, 1, 5, ""),
        )
        sizes = arm("endo_first", 500, 40, outcome="tooth_loss")
        shown = TrialOutcome(outcome, d, True, "", "")
        (found,) = release_outcomes(plain_gate(), [trial(curves=(vital, sizes), outcomes=(shown,))])
        return found

    assert one_way("endo_needed").per_100 is not None
    assert one_way("crown_failure").per_100 is None


def test_differences_without_an_end_or_none_are_not_said() -> None:
    assert decided("crown_failure", (500, 100), (40, 40), mid=math.nan).per_100 is None
    (none,) = release_outcomes(plain_gate(), [trial(outcomes=(TrialOutcome("tooth_loss", None, False, "", ""),))])
    assert (none.per_100, none.years, none.adjusted) == (None, 0.0, False)
    assert [n.value for n in none.teeth] == [None, None]
    assert release_outcomes(plain_gate(), [trial(outcomes=(TrialOutcome("mood", None, False, "", ""),))]) == ()
    assert release_outcomes(plain_gate(), []) == ()


def test_outcomes_made_by_hand_are_refused() -> None:
    two = (FIFTEEN, FIFTEEN)
    for figures in ((101, 0, 0), (0, -101, 0), (0, 0, None), (None, 0, 0), (0, 0, 0.5)):
        with pytest.raises(ValueError, match="whole, or hidden"):
            ReleasedOutcome("tooth_loss", 5.0, True, two, *figures)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="known outcomes"):
        ReleasedOutcome("mood", 5.0, True, two, None, None, None)
    for counts in ((HIDDEN, FIFTEEN), (FIFTEEN, HIDDEN)):
        with pytest.raises(ValueError, match="counts behind"):
            ReleasedOutcome("tooth_loss", 5.0, True, counts, 0, 0, 0)
        assert ReleasedOutcome("tooth_loss", 5.0, True, counts, None, None, None).per_100 is None
    assert ReleasedOutcome("tooth_loss", 5.0, True, two, 100, -100, 0).per_100 == 100


def way(per_100: float | None, crowns: int = 500, failures: int = 40) -> Choice:
    counted = tuple((name, n) for name, n in (("a", crowns), ("b", 500)))
    failed = tuple((name, n) for name, n in (("a", failures), ("b", 40)))
    return Choice({}, per_100, None, None, None, None, None, counted, failed, "", False)


def test_ways_to_count_by_hand() -> None:
    d = Difference("a", "b", 5.0, 0, 1.0, 0.0, 2.0, "")
    ways = [way(1.4), way(-0.6), way(None), way(math.inf), way(50.0, crowns=10), way(60.0, failures=10)]
    all_ = Choices({}, tuple(ways), {}, False, "")
    assert release_choices(plain_gate(), all_, d) == ReleasedChoices(2, -1, 2)
    assert release_choices(plain_gate(), dataclasses.replace(all_, sample=Sample(5, 9)), d, 5) == ReleasedChoices(
        2, -5, 5, True
    )
    assert release_choices(
        plain_gate(), dataclasses.replace(all_, rows=(way(1.4), way(3.2, 11, 11))), d
    ) == ReleasedChoices(2, 1, 4)
    assert release_choices(plain_gate(), dataclasses.replace(all_, rows=(way(1.4), way(None))), d) is None
    other = dataclasses.replace(d, reference="c")
    assert release_choices(plain_gate(), all_, other) is None
    assert release_choices(plain_gate(), all_, None) is None
    assert release_choices(plain_gate(), None, d) is None
    for values in ((1, 0, 0), (2, 0.5, 1), (2, 0, 1.5)):
        with pytest.raises(ValueError, match="two or more"):
            ReleasedChoices(*values)  # type: ignore[arg-type]


# Words


def test_a_question_is_said_only_where_all_of_it_can_be() -> None:
    known = (MAIN, ("before_seat", "through_crown"), "crown_failure", "since_seat")
    assert words.known_question(*known)
    assert words.known_question(known[0], ("epoxy_resin",), *known[2:])
    for i, other in enumerate(("by_clinician", ("before_seat", "Dr Ashby"), "mood", "since_dawn")):
        assert not words.known_question(*(other if i == j else v for j, v in enumerate(known)))  # type: ignore[arg-type]


def test_of_a_label_only_days_pass() -> None:
    assert words.label("crowned_soon", "A crown within 90 days") == "A crown within 90 days"
    assert words.label("crowned_soon", "A crown within 90 days of Dr Ashby") == "A crown soon after the root canal"
    assert words.label("crowned_soon", "A crown within 1000 days") == "A crown soon after the root canal"
    assert words.label("vital", "Dr Ashby") == "No root canal so far"
    assert words.label("epoxy_resin", "Dr Ashby") == "Epoxy resin"


def test_fields_settings_and_versions_go_by_known_names_and_forms() -> None:
    fields = ("patients.birth_date or birth_year", "patients.shoe_size", "patients.sex or shoe_size", "patients.sex")
    other = "a field that is not recorded"
    assert words.needs(fields) == ("patients.birth_date or birth_year", other, "patients.sex")
    settings = {"lab_days": "21", "closure_days": "-1.5", "database": "7", "hint_days": "21 days", "active_days": ""}
    assert words.numbers(settings, words.RULES) == (("closure_days", "-1.5"), ("lab_days", "21"))
    given = {"python": "3.11.7", "numpy": "2.0", "toothyears": "of Dr Ashby", "ashby": "1.0"}
    assert words.versions(given) == (("numpy", "2.0"), ("python", "3.11.7"))


# Technique questions


def technique(question: str = "sealer", verdict: str = "differs", **contrast: object) -> TechniqueAnswer:
    names = {"sealer": ("calcium_silicate", "epoxy_resin"), "rubber_dam": ("yes", "no")}[question]
    groups = tuple(TechniqueGroup(n, "Dr Ashby", 505, 450, 60, 2000.0, None, None, None) for n in names)
    one = TechniqueContrast(names[1], names[0], 1.26, 1.04, 1.53, 4.4, 1.2, 7.6, 0.01, 0.02, verdict, "", "")
    return TechniqueAnswer(
        "id", question, "", "course", "tooth_loss", 5.0, names[0], groups, (dataclasses.replace(one, **contrast),),
        (), "", None, (), (), (), (), (), 7,
    )  # fmt: skip


def shown(given: TechniqueAnswer) -> tuple[ReleasedContrast, ...]:
    (found,) = release_techniques(plain_gate(), [given], smallest=5).answers
    return found.contrasts


def shown_groups(given: TechniqueAnswer) -> tuple[ReleasedTechniqueGroup, ...]:
    (found,) = release_techniques(plain_gate(), [given], smallest=5).answers
    return found.groups


def test_a_technique_contrast_by_hand() -> None:
    (found,) = shown(technique())
    figures = (found.per_100, found.low, found.high, found.ratio, found.ratio_low, found.ratio_high)
    assert figures == (4, 1, 8, 1.3, 1.0, 1.6)
    assert (found.verdict_code, found.label, found.against[:7]) == ("differs", "Epoxy resin sealer", "Calcium")
    assert [c.verdict_code for c in shown(technique(verdict="mood"))] == ["too_early"]


@pytest.mark.parametrize("gone", ["difference_per_100", "difference_ci_low", "difference_ci_high"])
@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_a_technique_difference_that_is_not_known_is_withheld(gone: str, value: float | None) -> None:
    assert shown(technique(**{gone: value})) == ()


@pytest.mark.parametrize("gone", ["hazard_ratio", "ratio_ci_low", "ratio_ci_high"])
@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_a_technique_ratio_is_shown_whole_or_not_at_all(gone: str, value: float | None) -> None:
    (found,) = shown(technique(**{gone: value}))
    assert (found.per_100, found.ratio, found.ratio_low, found.ratio_high) == (4, None, None, None)


@pytest.mark.parametrize("changes", [{"failures": 10}, {"teeth": 24, "failures": 12}, {"teeth": 10, "failures": 10}])
@pytest.mark.parametrize("which", [0, 1])
def test_a_technique_contrast_of_a_small_group_is_withheld(changes: dict, which: int) -> None:
    given = technique()
    groups = tuple(dataclasses.replace(g, **(changes if i == which else {})) for i, g in enumerate(given.groups))
    found = release_techniques(plain_gate(), [dataclasses.replace(given, groups=groups)], smallest=5)
    # 24 teeth may be told, but no step of percentages is worth five of them; of one group alone nothing is said.
    assert len(found.answers) == (changes.get("teeth") == 24)
    assert found.contrasts == ()


def test_a_technique_group_of_all_others_has_words_too() -> None:
    given = technique()
    third = dataclasses.replace(given.groups[0], name="other")
    (found,) = release_techniques(
        plain_gate(), [dataclasses.replace(given, groups=(*given.groups, third))], smallest=5
    ).answers
    assert len({g.label for g in found.groups}) == 3
    assert "Ashby" not in repr(found)


def test_of_all_other_ways_together_no_count_is_told() -> None:
    given = technique()
    rest = dataclasses.replace(given.groups[0], name=OTHER)
    (found,) = release_techniques(
        plain_gate(), [dataclasses.replace(given, groups=(*given.groups, rest))], smallest=5
    ).answers
    assert [g.label for g in found.groups] == [g.label for g in shown_groups(given)]


def test_a_contrast_lies_within_its_range_its_ends_among_it() -> None:
    for low, high in ((4, 8), (1, 4), (4, 4)):
        assert ReleasedContrast("a", "b", 4, low, high, None, None, None, "differs").per_100 == 4
    for low, high in ((5, 8), (1, 3)):
        with pytest.raises(ValueError, match="within its range"):
            ReleasedContrast("a", "b", 4, low, high, None, None, None, "differs")


def test_of_safety_little_difference_is_never_said() -> None:
    little = {"difference_per_100": 0.4, "difference_ci_low": -2.0, "difference_ci_high": 2.0}
    assert [c.verdict_code for c in shown(technique(verdict="little_difference", **little))] == ["little_difference"]
    assert [c.verdict_code for c in shown(technique("rubber_dam", "little_difference", **little))] == ["cannot_tell"]
    (contrast,) = shown(technique(verdict="little_difference", **little))
    told = ReleasedTechniqueGroup("", ReleasedCount(100), ReleasedCount(20))
    made = ("", "tooth_loss", 5.0, (told, told), (contrast,))
    assert not ReleasedTechnique(*made).safety
    with pytest.raises(ValueError, match="never said"):
        ReleasedTechnique(*made, safety=True)


def test_looks_are_told_only_with_answers() -> None:
    of_31 = dataclasses.replace(technique(), family=31)
    assert release_techniques(plain_gate(), [of_31], smallest=5).family.value in (30, 35)
    assert release_techniques(plain_gate(), [technique()], smallest=5).family.value is None
    assert (
        release_techniques(plain_gate(), [dataclasses.replace(technique(), outcome="mood")], smallest=5)
        == ReleasedTechniques()
    )
    assert release_techniques(plain_gate(), [], smallest=5) == ReleasedTechniques()


# Methods and the whole


def compared(**changes: object) -> Comparison:
    groups = (group(500, 60), group(400, 40, "through_crown"))
    d = Difference("through_crown", "before_seat", 5.0, 0, 4.4, 1.2, 7.6, "")
    estimate = Estimate("through_crown vs before_seat", "cox", ("sex",), (), 1.26, 1.04, 1.53, 0.01, "", 9, 9, 100, 9)
    naive = Naive("through_crown vs before_seat", 0.8, 0.6, 0.9, "immortal time", "",
                  (("before_seat", 0.9), ("through_crown", 0.955)))  # fmt: skip
    made = Comparison(MAIN, "", "", "crown_failure", "since_seat", groups, (estimate,), naive, d,
                      Verdict("differs", "", "", "", "", "", 5.0), (), (), (), 5.0)  # fmt: skip
    return dataclasses.replace(made, **changes)


def rate(name: str = "", teeth: int = 500, failures: int = 60, **changes: object) -> RateRow:
    made = RateRow(name, teeth, teeth, failures, 900.0, 5.0, 400, 0.9, 0.87, 0.93)
    return dataclasses.replace(made, **changes)


def rates(by: str, *rows: RateRow, outcome: str = "crown_survival") -> RateTable:
    return RateTable("", "", outcome, by, rows)


def results(*comparisons: Comparison, **changes: object) -> Results:
    made = Results("Dr Ashby", "2005-01-03", "2024-12-31", Counts(9000, 800, 900, 700, 30, 0), comparisons, (),
                   Quality(), (), {}, {"smallest_difference_per_100": "5"}, {})  # fmt: skip
    return dataclasses.replace(made, **changes)


def tables_of(*tables: RateTable, compare: tuple[Comparison, ...] = ()) -> tuple[ReleasedRates, ...]:
    return release(results(*compare, rates=tables)).rates


def test_methods_by_hand() -> None:
    followed = (
        FollowUp("crowns", 100, 1000, 0.123, 0.88), FollowUp("root canals", 500, None, 0.1, 0.2),
        FollowUp("crowns", 24, 1000, 0.1, 0.2), FollowUp("implants", 500, 1000, 0.1, 0.2),
        FollowUp("crowns", 500, 1000, math.nan, 0.2), FollowUp("crowns", 500, 1000, 0.1, math.nan),
    )  # fmt: skip
    checks = (Check("", "", 9, 0.1, 0.1), Check("", "", 9, 0.2, 0.1), Check("", "", 9, 0.0, 0.1))
    counted = (
        ("sex", 1320, 4000),
        ("smoking", 10, 100),
        ("material", 11, 100),
        ("diabetes", 20, 24),
        ("mood", 33, 100),
    )
    lacking = [Gap(name, n, of) for name, n, of in counted]
    main = compared(missing=(*lacking, Gap("Dr Ashby", 33, 100)))
    other = dataclasses.replace(main, id="by_clinician", missing=())
    found = release_methods(plain_gate(), results(other, main, followup=followed, checks=checks))
    assert found.followup == (ReleasedFollowUp("crowns", 30, 10, 90), ReleasedFollowUp("root canals", None, 10, 20))
    assert found.missing == (("sex", 33), ("material", 10))
    assert (found.checked, found.agreed) == (3, 2)
    assert found.setting("smallest_difference_per_100") == "5"
    assert found.setting("horizon_years") is None
    empty = release_methods(plain_gate(), results(other))
    assert (empty.followup, empty.flow, empty.missing) == ((), (), ())
    assert (ReleasedMethods().checked, ReleasedMethods().agreed) == (0, 0)
    with pytest.raises(ValueError, match="crowns and root canals"):
        ReleasedFollowUp("Dr Ashby", 33, 10, 90)


@pytest.mark.parametrize(("lost", "is_told"), [(10, False), (11, True), (489, True), (490, False)])
def test_how_many_were_lost_is_not_told_where_few_were_or_few_were_not(lost: int, is_told: bool) -> None:
    followed = (FollowUp("crowns", 500, None, lost / 500, 0.5),)
    assert len(release_methods(plain_gate(), results(followup=followed)).followup) == is_told


def test_a_step_that_lost_none_to_ten_is_passed_over() -> None:
    names = ("Crowns on permanent teeth", "Of Dr Ashby", "Seat date known", "Order of root canal and seat known",
             "Crowns with a known seat date", "Crowns on root-filled teeth", "Completed")  # fmt: skip
    left = (500, 400, 490, 489, 489, 11, 0)
    main = compared(flow=tuple(FlowStep(s, n, 0, "", "crowns") for s, n in zip(names, left, strict=True)))
    found = [(s, n.value) for s, n in release_methods(plain_gate(), results(main)).flow]
    assert found == [(names[0], 500), (names[3], 490), (names[5], 15)]


def test_a_comparison_by_hand() -> None:
    (found,) = release(results(compared(groups=followed_to(200, 200)))).comparisons
    assert [(g.crowns.value, g.failures.value) for g in found.groups] == [(500, 60), (400, 40)]
    d = found.difference
    assert d is not None
    # 400 crowns: steps of 2.
    assert (d.per_100, d.low, d.high, d.from_start, found.verdict_code) == (4, 0, 8, True, "cannot_tell")
    assert [(e.hazard_ratio, e.low, e.high) for e in found.estimates] == [(1.3, 1.0, 1.6)]
    assert found.naive is not None
    assert found.naive.failed == (("before_seat", 10), ("through_crown", 4))
    assert (found.naive.hazard_ratio, found.naive.why_biased) == (0.8, "immortal time")
    assert found.label("before_seat") == "Root canal before the seat"


def test_a_comparison_without_steps_or_a_difference_says_none() -> None:
    tiny = (group(500, 60), group(24, 11, "through_crown"))
    for changes in ({"groups": tiny}, {"difference": None}):
        (found,) = release(results(compared(**changes))).comparisons
        assert (found.difference, found.verdict_code, found.choices) == (None, "too_early", None)
    (found,) = release(results(compared(groups=tiny))).comparisons
    assert found.naive is None
    late = dataclasses.replace(compared().difference, from_days=90, ci_low=3.0, ci_high=7.0)
    (found,) = release(results(compared(difference=late))).comparisons
    assert found.difference is not None
    assert (found.difference.from_start, found.verdict_code) == (False, "differs")


def test_nothing_is_compared_with_a_group_whose_failures_are_hidden() -> None:
    few = (group(500, 60), group(400, 5, "through_crown"))
    (found,) = release(results(compared(groups=few))).comparisons
    assert [(g.crowns.value, g.failures.value) for g in found.groups] == [(500, 60), (400, None)]
    assert (found.difference, found.estimates, found.naive, found.verdict_code) == (None, (), None, "too_early")


def test_a_technique_differs_little_only_within_what_this_practice_calls_little() -> None:
    little = {"difference_per_100": 0.4, "difference_ci_low": -2.0, "difference_ci_high": 2.0}
    asked = technique(verdict="little_difference", **little)
    codes = {}
    for smallest in ("5", "1.5", "no number", ""):
        told = release(results(techniques=(asked,), analysis={"smallest_difference_per_100": smallest}))
        (codes[smallest],) = (c.verdict_code for c in told.techniques.contrasts)
    assert codes == {"5": "little_difference", "1.5": "cannot_tell", "no number": "cannot_tell", "": "cannot_tell"}


@pytest.mark.parametrize("year", ["first_year", "last_year"])
def test_of_the_span_of_the_records_only_years_pass(year: str) -> None:
    treated = ((1987, 1), (1998, 10), (2005, 15), (2019, 3), (2023, 200), (2024, 10), (2025, 300))
    whole = release(results(records=Records("x", patients_by_year=treated)))
    assert (whole.first_year, whole.last_year) == ("2005", "2023")
    none = release(results(records=Records("x", patients_by_year=((2005, 10),))))
    assert (none.first_year, none.last_year) == ("", "")
    with pytest.raises(ValueError, match="in years only"):
        dataclasses.replace(whole, **{year: "2005-01"})


def test_a_label_count_of_hidden_or_unknown_groups_is_not_said() -> None:
    for survival in ((("before_seat", 0.9), ("Dr Ashby", 0.95)), (("before_seat", math.nan),)):
        naive = dataclasses.replace(compared().naive, survival=survival)
        assert release(results(compared(naive=naive))).comparisons[0].naive is None
    naive = dataclasses.replace(compared().naive, contrast="Dr Ashby vs before_seat")
    assert release(results(compared(naive=naive))).comparisons[0].naive is None
    naive = dataclasses.replace(compared().naive, why_biased="Dr Ashby")
    found = release(results(compared(naive=naive, groups=followed_to(200, 100)))).comparisons[0].naive
    assert found is not None
    assert found.why_biased == ""


def followed_to(*numbers: int) -> tuple[Group, ...]:
    """The groups, of which so many are followed at five years."""
    return tuple(
        dataclasses.replace(g, half_years=(HalfYear(60, n, 30),))
        for g, n in zip(compared().groups, numbers, strict=True)
    )


def test_a_label_count_is_told_where_each_group_is_followed_to_the_horizon() -> None:
    """With `min_at_risk` at 1 a page told the share of a group of which 3 were followed by then."""
    told = [release(results(compared(groups=followed_to(200, n)))).comparisons[0].naive for n in (3, 10, 15)]
    assert [found is not None for found in told] == [False, False, True]
    assert release(results(compared(groups=followed_to(200, 200), horizon_years=6.0))).comparisons[0].naive is None


def test_estimates_of_few_failures_hidden_groups_or_other_models_stay_inside() -> None:
    (one,) = compared().estimates
    changes = ({"events": 10}, {"model": "mood"}, {"contrast": "vital vs before_seat"}, {"ci_high": math.inf})
    given = tuple(dataclasses.replace(one, **c) for c in changes)
    assert release(results(compared(estimates=given))).comparisons[0].estimates == ()
    eleven = dataclasses.replace(one, events=11)
    assert len(release(results(compared(estimates=(eleven,)))).comparisons[0].estimates) == 1


def test_rates_pass_by_known_kinds_and_names() -> None:
    given = [
        rates("year", rate("2011"), rate("2010", 400), rate("Dr Ashby")),
        rates("tooth_group", rate("molar"), rate("anterior"), rate("premolar"), rate("Dr Ashby")),
        rates("site_id", rate("Mill Lane"), rate("Dock"), rate("Hill"), rate("not recorded")),
        rates("provider_id", rate("Dr Ashby"), rate("Dr Crane"), rate("Dr Dean"), rate("Dr Brook", 10)),
        rates("hair", rate("red")),
        rates("overall", rate("Dr Ashby"), outcome="mood"),
    ]
    found = tables_of(*given)
    assert [(t.by, [r.name for r in t.rows]) for t in found] == [
        ("year", ["2010", "2011"]), ("tooth_group", ["anterior", "premolar", "molar"]),
        ("site_id", ["A", "B", "C", "not recorded"]), ("provider_id", ["A", "B", "C"]),
    ]  # fmt: skip


def test_the_rows_left_out_of_rates_are_hidden_with_a_row_beside_them() -> None:
    # The whole practice stands in another table: one row of few teeth would be what the others lack of it.
    shown, beside = rate("molar", 500, 60), rate("premolar", 400, 50)
    told = [r.teeth.value for t in tables_of(rates("tooth_group", shown, beside, rate("anterior", 4))) for r in t.rows]
    assert sorted(told, key=bool) == [None, 500]
    # Nor is a second one told where nobody is left out, or that said that somebody is.
    told = [r.teeth.value for t in tables_of(rates("tooth_group", shown, beside)) for r in t.rows]
    assert sorted(told, key=bool) == [None, 500]


def test_a_rate_is_shown_with_all_that_is_behind_it() -> None:
    (table,) = tables_of(rates("overall", rate()))
    assert [(r.in_place, r.low, r.high, r.teeth.value, r.failures.value) for r in table.rows] == [(90, 86, 94, 500, 60)]
    assert [r.name for r in table.rows] == ["whole practice"]
    for row in (
        rate(failures=10), rate(followed=10), rate(teeth=24, failures=11), rate(survival=None), rate(ci_low=None),
        rate(ci_high=None), rate(followed=109),
    ):  # fmt: skip
        (table,) = tables_of(rates("overall", row))
        assert [(r.in_place, r.low, r.high) for r in table.rows] == [(None, None, None)]
    # A tenth of 110 are 11 failures, of 109 they need not be.
    (table,) = tables_of(rates("overall", rate(followed=110, failures=11)))
    assert [r.in_place for r in table.rows] == [90]


def test_rates_made_by_hand_are_refused() -> None:
    for values in ((101, 0, 0), (0, -1, 0), (0, 0, 101)):
        with pytest.raises(ValueError, match="whole teeth"):
            ReleasedRate("A", FIFTEEN, FIFTEEN, 5.0, *values)
    for counts in ((HIDDEN, FIFTEEN), (FIFTEEN, HIDDEN)):
        with pytest.raises(ValueError, match="counts behind"):
            ReleasedRate("A", *counts, 5.0, 90, 80, 95)
        assert ReleasedRate("A", *counts, 5.0, None, None, None).in_place is None
    row = ReleasedRate("ABC", FIFTEEN, FIFTEEN, 5.0, None, None, None)
    for by in ("provider_id", "site_id", "hair"):
        with pytest.raises(ValueError, match="by letter"):
            ReleasedRates("crown_survival", by, (row,))
    two = dataclasses.replace(row, name="AB")
    assert ReleasedRates("crown_survival", "provider_id", (two,)).rows == (two,)


def test_clinicians_known_by_volume_or_too_few_are_not_told() -> None:
    def told(*teeth: int) -> bool:
        return bool(tables_of(rates("provider_id", *(rate(f"Dr {i}", n) for i, n in enumerate(teeth)))))

    assert told(500, 300, 200)
    assert not told(501, 300, 200)  # more than half
    assert not told(500, 500)
    assert not told(500, 500, 10)
    assert tables_of(rates("tooth_group", rate("molar", 900), rate("anterior", 100))) != ()


def test_one_patient_may_not_be_more_than_half_of_a_count() -> None:
    gate = plain_gate(teeth_of_one=14, failures_of_one=8)
    assert (gate.teeth(27), gate.teeth(28)) == (None, 30)
    assert (gate.failures(15), gate.failures(16)) == (None, 15)


def test_a_group_of_few_patients_is_hidden_however_many_their_teeth() -> None:
    few = dataclasses.replace(group(500, 60), patients=10)
    (found,) = release(results(compared(groups=(few, group(400, 40, "through_crown"))))).comparisons
    first = found.groups[0]
    assert (first.crowns.value, first.failures.value, first.points) == (None, None, ())
    assert (found.difference, found.naive, found.estimates) == (None, None, ())


UNSEEN = Unseen(MAIN, "", 0, 0, 0, 0, 0, None, None, None, (), 0, 0, (), ())


def test_who_does_root_canals_is_said_in_declared_words() -> None:
    def told(*settings: str) -> str:
        return release(results(unseen=tuple(dataclasses.replace(UNSEEN, setting=s) for s in settings))).elsewhere

    assert told("some", "most") == "some"
    assert told("Dr Ashby", "most") == "most"
    assert (told("Dr Ashby"), told()) == ("", "")
    whole = release(results())
    assert isinstance(dataclasses.replace(whole, elsewhere="none"), Released)
    with pytest.raises(ValueError, match="declared words"):
        dataclasses.replace(whole, elsewhere="Dr Ashby")


@pytest.mark.parametrize(
    ("counts", "is_drawn"), [((500, 60), True), ((500, 11), True), ((500, 10), False), ((10, 60), False)]
)
def test_a_hidden_count_takes_the_curve_with_it(counts: tuple[int, int], is_drawn: bool) -> None:
    drawn = {"curve": (CurvePoint(100, 500, 0.96, 0.94, 0.98),), "milestones": (mile(0.0, 500), mile(1.0, 400))}
    made = with_half_years(group(*counts, **drawn))
    found = release(results(compared(groups=(made,)))).comparisons[0].groups[0]
    assert ([p.months for p in found.points] == [6, 12]) is is_drawn
    assert (found.points == ()) is not is_drawn
    assert (found.at(12) is not None) is is_drawn
    assert found.at(18) is None


def test_more_clinicians_than_two_letters_name_are_left_out() -> None:
    # 26 of one letter and 676 of two; a 703rd would have three.
    (found,) = tables_of(rates("provider_id", *(rate(f"Dr {i:03d}", 20, 0) for i in range(703))))
    assert len({r.name for r in found.rows}) == len(found.rows) == 702
    assert {len(r.name) for r in found.rows} == {1, 2}
