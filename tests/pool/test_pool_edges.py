"""Pooling by hand, without drawn practices: what is given, refused, put together and read, at the edges of rules."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from pathlib import Path

import pytest
from plain_gate import plain_gate
from pool_practices import MAIN, margins, under_seal

from pipeline.machine.errors import DataError
from pipeline.release.pool.agreed import DEFINITIONS, NOTE, RULES, SCHEMA
from pipeline.release.pool.combine import pool
from pipeline.release.pool.contribution import Contrast, Contribution, Gap, Line, Ratio, Side
from pipeline.release.pool.curves import pooled_curve
from pipeline.release.pool.files import LARGEST_BYTES, as_bytes, digest, read_contribution
from pipeline.release.pool.make import contribution
from pipeline.results import Comparison, Counts, Difference, Estimate, Group, Quality, Results, Verdict
from pipeline.results.pooled import PooledComparison, PooledResults
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast

SEALERS = "technique_sealer_tooth_loss:calcium_silicate:epoxy_resin"
DELAY = "tooth_survival_by_delay_to_crown"
SETTINGS = dict.fromkeys(RULES, "5") | {"crown_date": "seat", "confidence": "0.95", "min_failures": "10"}


# What a practice gives


@pytest.fixture(autouse=True)
def _by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.release.pool.make.gate_of", lambda results: plain_gate())


def results(**changes: object) -> Results:
    made = Results("Alder Row Dental", "2005-01-03", "2024-12-31", Counts(0, 0, 0, 0, 0, 0), (), (), Quality(), (),
                   SETTINGS, {"confidence": "0.95"}, {"toothyears": "0.1.0"})  # fmt: skip
    return dataclasses.replace(made, **changes)


def margin(answer: TechniqueAnswer | None = None, **changes: object) -> Contrast | None:
    """What is given of a technique question; `changes` are of its contrast."""
    answer = answer or margins()
    one: TechniqueContrast = dataclasses.replace(answer.contrasts[0], **changes)
    told = results(techniques=(dataclasses.replace(answer, contrasts=(one,)),))
    return next(iter(contribution(told, {}, code="0" * 16).contrasts), None)


def test_a_technique_contrast_by_hand() -> None:
    found = margin()
    assert found is not None
    # log 1.25 = 0.22; of 60 failures (58 at least) steps of 0.1 are five. The error is the square root of 2/60, 0.183,
    # with that of rounding 0.185, upwards in steps of 0.01.
    assert found.adjusted == Ratio("cox_by_technique", found.adjusted.adjusted_for, 0.2, 0.1, 0.19)
    assert found.adjusted.adjusted_for[-1] == "clinician"
    # 4 less or more is 2.04 for the error; of 400 teeth steps of 2 are five, whose rounding makes it 2.12.
    assert found.gap == Gap(4, 2, 2.2, True, True)
    assert (found.crude, found.group, found.reference) == (
        None, Side("shoulder", 400, 350, 60, (), ()), Side("chamfer", 400, 350, 60, (), ()),
    )  # fmt: skip


def test_a_technique_contrast_the_other_way_round_is_turned() -> None:
    assert margin(margins(1 / 1.25, group="chamfer")) == margin()


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("gone", ["hazard_ratio", "ratio_ci_low", "ratio_ci_high"])
@pytest.mark.parametrize("value", [None, 0.0, math.inf])
def test_a_ratio_without_an_end_is_not_given(turned: bool, gone: str, value: float | None) -> None:
    found = margin(margins(group="chamfer") if turned else None, **{gone: value})
    assert found is not None
    assert found.adjusted is None
    assert found.gap is not None


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(
    ("gone", "value"),
    [
        ("difference_per_100", None), ("difference_ci_low", None), ("difference_ci_high", None),
        ("difference_per_100", math.nan), ("difference_ci_low", -math.inf), ("difference_ci_high", math.inf),
    ],
)  # fmt: skip
def test_a_difference_without_an_end_is_not_given(turned: bool, gone: str, value: float | None) -> None:
    found = margin(margins(group="chamfer") if turned else None, **{gone: value})
    assert found is not None
    assert found.gap is None
    assert found.adjusted is not None
    assert margin(**{gone: value}, hazard_ratio=None) is None


def test_ranges_without_width_and_ratios_beyond_all_sense_are_not_given() -> None:
    flat = margin(ratio_ci_low=1.25, ratio_ci_high=1.25)
    assert flat is not None
    assert flat.adjusted is None
    assert margin(ratio_ci_low=1.3, ratio_ci_high=1.2, difference_ci_low=4.0, difference_ci_high=4.0) is None
    for log, is_given in ((9.0, True), (9.01, False), (-9.0, True), (-9.01, False)):
        ratio = math.exp(log)
        assert (math.log(ratio) == log) or not is_given
        found = margin(hazard_ratio=ratio, ratio_ci_low=ratio / 2, ratio_ci_high=ratio * 2)
        assert found is not None
        assert (found.adjusted is not None) is is_given


def test_of_a_group_too_small_for_any_step_the_ratio_alone_is_given() -> None:
    # Of 108 teeth steps are 5 per 100, of 72 they are 10: wider than the 5 that matter.
    few, more = (margin(margins(teeth=n, failures=15)) for n in (108, 72))
    assert few is not None
    assert few.gap is not None
    assert more is not None
    assert more.gap is None
    assert more.adjusted is not None


@pytest.mark.parametrize("which", [0, 1])
@pytest.mark.parametrize("changes", [{"teeth": 10, "failures": 3}, {"failures": 10}, {"name": "knife"}])
def test_one_small_or_missing_group_is_enough_to_give_nothing(which: int, changes: dict) -> None:
    answer = margins()
    groups = tuple(dataclasses.replace(g, **(changes if i == which else {})) for i, g in enumerate(answer.groups))
    assert margin(dataclasses.replace(answer, groups=groups)) is None


def delay(**changes: object) -> Comparison:
    """A comparison without a table."""
    groups = tuple(
        Group(n, n, teeth, teeth, failures, 900.0, 1.0, 1.0, 1.0)
        for n, teeth, failures in (("crowned_soon", 500, 60), ("crowned_later", 400, 40), ("not_yet_crowned", 9, 2))
    )
    pair = "crowned_later vs crowned_soon"
    estimates = tuple(
        Estimate(contrast, model, adjusted, (), ratio, ratio / 2, ratio * 2, 0.1, "", 9, 9, events, 9)
        for contrast, model, adjusted, ratio, events in (
            (pair, "cox_landmark", ("sex", "smoking"), 1.5, 11), (pair, "cox_landmark", (), 2.0, 100),
            (pair, "cox_landmark", ("sex",), 1.1, 100), (pair, "cox_landmark", ("sex", "smoking", "mood"), 3.0, 10),
            (pair, "cox", ("sex", "smoking", "mood"), 4.0, 100),
            ("crowned_later vs not_yet_crowned", "cox_landmark", ("sex", "smoking", "mood"), 5.0, 100),
        )
    )  # fmt: skip
    d = Difference("crowned_later", "crowned_soon", 5.0, 0, 3.0, -2.0, 8.0, "adjusted in some way")
    made = Comparison(DELAY, "", "", "tooth_loss", "since_landmark", groups, estimates, None, d,
                      Verdict("", "", "", "", "", "", 5.0), (), (), (), 5.0)  # fmt: skip
    return dataclasses.replace(made, **changes)


def given_of(compared: Comparison) -> Contrast | None:
    return next(iter(contribution(results(comparisons=(compared,)), {}, code="0" * 16).contrasts), None)


def test_a_comparison_without_a_table_by_hand() -> None:
    found = given_of(delay())
    assert found is not None
    # The ratios with fewest and with most adjustments, of those of this pair and model with 11 failures or more.
    assert found.crude is not None
    assert found.adjusted is not None
    assert (found.crude.log_hazard_ratio, found.adjusted.log_hazard_ratio) == (0.75, 0.45)  # log 2, log 1.5
    assert (found.crude.adjusted_for, found.adjusted.adjusted_for) == ((), ("sex", "smoking"))
    # In steps of 2 three go up to four.
    assert found.gap is not None
    assert (found.gap.per_100, found.gap.adjusted, found.gap.from_start) == (4, True, True)
    crude = given_of(delay(difference=dataclasses.replace(delay().difference, method="not adjusted", from_days=1)))
    assert crude is not None
    assert crude.gap is not None
    assert (crude.gap.adjusted, crude.gap.from_start) == (False, False)


def test_of_a_comparison_what_is_lacking_is_left_out() -> None:
    one = given_of(delay(estimates=delay().estimates[1:2]))
    assert one is not None
    assert (one.crude is not None, one.adjusted) == (True, None)
    other = dataclasses.replace(delay().difference, reference="not_yet_crowned")
    bare = given_of(delay(estimates=(), difference=other))
    assert bare is not None
    assert (bare.crude, bare.adjusted, bare.gap) == (None, None, None)
    groups = delay().groups
    assert given_of(delay(groups=groups[1:])) is None
    assert given_of(delay(groups=(dataclasses.replace(groups[0], failures=10), *groups[1:]))) is None
    # The main comparison is given with its table or not at all.
    assert given_of(delay(id=MAIN, groups=groups)) is None


# What may not be held

LINE = Line(6, 20, 0, None)
SIDE = Side("through_crown", 100, 90, 30, (30, 30, 40), (LINE,))
GAP = Gap(10, 5, 4.0, True, True)
RATIO = Ratio("cox", (), 0.5, 0.25, 0.3)
MOST = 10_000_000


@pytest.mark.parametrize(
    ("whole", "changes"),
    [
        (LINE, {"months": 0}),
        (LINE, {"months": 360}),
        (LINE, {"followed": MOST}),
        (LINE, {"tooth_years": MOST}),
        (LINE, {"failures": MOST}),
        (LINE, {"followed": 10}),
        (SIDE, {"table": (LINE, Line(12, 20, 60, None))}),  # 50 tooth-years of 100 teeth, and 10 for rounding
        (SIDE, {"table": (LINE, Line(12, 100, 0, 30), Line(18, 100, 0, 30))}),
        (SIDE, {"tooth_groups": (30, 30, 50)}),
        (SIDE, {"tooth_groups": ()}),
        (SIDE, {"teeth": None, "table": (), "patients": None, "failures": None}),
        (SIDE, {"teeth": MOST}),
        (SIDE, {"patients": 100, "failures": 100}),
        (GAP, {"per_100": -100}),
        (GAP, {"std_error": 999.99}),
        (GAP, {"adjusted": False, "from_start": False}),
        (RATIO, {"log_hazard_ratio": -9.75}),
        (RATIO, {"std_error": 99.99}),
        (RATIO, {"adjusted_for": ("sex", "another recorded characteristic")}),
    ],
)
def test_values_at_the_edge_are_held(whole: object, changes: dict) -> None:
    held = dataclasses.replace(whole, **changes)  # type: ignore[type-var]
    assert all(getattr(held, name) == value for name, value in changes.items())


@pytest.mark.parametrize(
    ("whole", "changes"),
    [
        (LINE, {"months": -6}),
        (LINE, {"months": 6.0}),
        (LINE, {"followed": MOST + 5}),
        (LINE, {"tooth_years": MOST + 5}),
        (LINE, {"tooth_years": 0.0}),
        (LINE, {"failures": MOST + 5}),
        (SIDE, {"table": (LINE, Line(12, 20, 65, None))}),
        (SIDE, {"table": (LINE, Line(18, 20, 0, None))}),
        (SIDE, {"tooth_groups": (30, 45, 45)}),
        (SIDE, {"failures": None}),
        (SIDE, {"teeth": MOST + 5}),
        (GAP, {"per_100": 10.0}),
        (GAP, {"step": 3, "per_100": 9}),
        (GAP, {"step": 5.0}),
        (GAP, {"std_error": 1000.0}),
        (GAP, {"from_start": 1}),
        (GAP, {"adjusted": None}),
        (RATIO, {"std_error": 100.0}),
        (RATIO, {"std_error": 0.305}),
        (RATIO, {"std_error": 1}),
        (RATIO, {"std_error": 0.0}),
        (RATIO, {"step": 0.26}),
        (RATIO, {"log_hazard_ratio": -10.0}),
        (RATIO, {"adjusted_for": ("sex", "sex")}),
    ],
)
def test_values_beyond_the_edge_are_refused(whole: object, changes: dict) -> None:
    with pytest.raises(ValueError, match="may not hold"):
        dataclasses.replace(whole, **changes)  # type: ignore[type-var]


def sides(teeth: int = 2000, failures: tuple[int, int] = (150, 150)) -> tuple[Side, Side]:
    names = ("calcium_silicate", "epoxy_resin")
    group, reference = (Side(n, teeth, teeth, f, (), ()) for n, f in zip(names, failures, strict=True))
    return group, reference


def contrast(gap: int | None = 0, log: float | None = 0.0, **changes: object) -> Contrast:
    """Sealers of 2000 teeth and 150 failures each."""
    ratio = None if log is None else Ratio("cox_by_technique", (), log, 0.05, 0.1)
    difference = None if gap is None else Gap(gap, 1, 0.8, True, True)
    made = Contrast(SEALERS, "tooth_loss", "since_completion", *sides(), None, ratio, difference)
    return dataclasses.replace(made, **changes)


def test_a_contrast_holds_its_own_question_only() -> None:
    group, reference = sides()
    for changes in (
        {"id": "by_clinician"},
        {"outcome": "crown_failure"},
        {"clock": "since_seat"},
        {"group": reference, "reference": group},
        {"group": dataclasses.replace(group, table=(Line(0, 50, 0, None),))},
        {"group": dataclasses.replace(group, failures=None)},
        {"reference": dataclasses.replace(reference, teeth=None, patients=None, failures=None)},
        {"adjusted": Ratio("cox", (), 0.0, 0.05, 0.1)},
        {"adjusted": Ratio("cox_by_technique", (), 0.0, 0.03, 0.1)},  # 0.03 of 148 failures are 4.4
        {"crude": Ratio("cox_by_technique", (), 0.0, 0.03, 0.1)},
        {"gap": Gap(0, 1, 0.81, True, True)},
    ):
        with pytest.raises(ValueError, match="may not hold"):
            contrast(**changes)
    assert contrast().asked.group == "calcium_silicate"
    bare = contrast(None, None, group=dataclasses.replace(group, failures=None))
    assert bare.group.failures is None


def followed(*numbers: int) -> tuple[Line, ...]:
    return tuple(Line(6 * i, n, 25 * i, None) for i, n in enumerate(numbers))


@pytest.mark.parametrize(
    ("group", "reference", "is_held"),
    [((50, 60), (60, 50), True), ((60, 50), (50, 50), True), ((60, 50), (50, 60), False), ((50, 60), (50, 60), False)],
)
def test_only_a_group_that_is_joined_late_may_grow(group: tuple, reference: tuple, is_held: bool) -> None:
    one, other = (
        Side(name, 100, 90, 30, (), followed(*n)) for name, n in (("crowned", group), ("not_crowned", reference))
    )
    made = ("tooth_survival_by_crown_after_endo", "tooth_loss", "since_completion", one, other, None, None, None)
    if is_held:
        assert Contrast(*made).group.table[1].followed == group[1]
    else:
        with pytest.raises(ValueError, match="rising"):
            Contrast(*made)


def whole(*contrasts: Contrast, code: str = "0" * 16) -> Contribution:
    rules = tuple((name, SETTINGS[name]) for name in RULES)
    return Contribution(SCHEMA, DEFINITIONS, "toothyears 0.1.0", NOTE, code, "2024-12", rules, contrasts)


@pytest.mark.parametrize(
    "changes",
    [
        {"schema": SCHEMA + 1},
        {"schema": True},
        {"definitions": float(DEFINITIONS)},
        {"software": "toothyears 0"},
        {"software": None},
        {"note": "Mrs Zwaluw"},
        {"code": "0" * 15},
        {"code": "G" * 16},
        {"code": None},
        {"data_until": "2024-13"},
        {"data_until": "2024-00"},
        {"data_until": None},
        {"rules": (("lab_days", "21"), ("lab_days", "21"))},
        {"rules": (("lab_days", "Mrs Zwaluw"),)},
        {"contrasts": (contrast(), contrast(1))},
    ],
)
def test_a_contribution_holds_nothing_else(changes: dict) -> None:
    with pytest.raises(ValueError, match="may not hold"):
        dataclasses.replace(whole(contrast()), **changes)


# Curves


def test_the_range_of_a_pooled_curve_by_hand() -> None:
    # 30 of 200 tooth-years: a hazard of 0.075 after half a year. 10 and 20 failed where 15 are expected, so practices
    # spread by 2 * 25/15 over one and a half, 2.22; the variance is 2.22 * 0.25 * 0.15 / 200 = 0.000417. On the square
    # root of the hazard, 0.2739, that is 0.0730 either way: from 0.2008 to 0.3469, so 3.95 to 11.34 of 100.
    tables = [(Line(0, 110, 0, None), Line(6, 100, 100, 10)), (Line(0, 90, 0, None), Line(6, 80, 100, 20))]
    points, spread = pooled_curve(tables, confidence=0.95)
    assert spread == pytest.approx(10 / 3 / 1.5)
    assert [(p.months, p.followed, p.practices) for p in points] == [(0, 200, 2), (6, 200, 2)]
    assert points[1].failed == pytest.approx(100 * (1 - math.exp(-0.075)))
    assert points[1].low == pytest.approx(3.95, abs=0.005)
    assert points[1].high == pytest.approx(11.34, abs=0.005)


def lines(*failures: int | None, years: int = 100) -> tuple[Line, ...]:
    return tuple(Line(6 * i, 200, years * i, f) for i, f in enumerate(failures))


def test_how_far_practices_spread_by_hand() -> None:
    # Of 100 tooth-years each, 10 and 30 failed where 20 are expected: 5 and 5, over two cells less half a rate.
    _, spread = pooled_curve([lines(None, 10), lines(None, 30)], confidence=0.95)
    assert spread == pytest.approx(10 / 1.5)
    # A half-year more in which both do as expected: 10 over four cells less one.
    points, spread = pooled_curve([lines(None, 10, 20), lines(None, 30, 40)], confidence=0.95)
    assert spread == pytest.approx(10 / 3)
    assert [p.failed for p in points] == pytest.approx([100 * (1 - math.exp(-h)) for h in (0, 0.1, 0.15)])
    # The wider range is that of the variance times the spread.
    plain, alike = pooled_curve([lines(None, 20, 30), lines(None, 20, 30)], confidence=0.95)
    assert alike == 1.0
    roots = [[math.sqrt(-math.log(1 - v / 100)) for v in (p.low, p.high)] for p in (points[2], plain[2])]
    assert (roots[0][1] - roots[0][0]) / (roots[1][1] - roots[1][0]) == pytest.approx(math.sqrt(10 / 3))


def test_a_stretch_that_only_one_practice_reaches_is_no_cell() -> None:
    # The first practice's only change lies between day 0 and a year, of which the other reaches half a year.
    points, spread = pooled_curve([lines(None, None, 60), lines(None, 10)], confidence=0.95)
    assert spread == 1.0
    # 30 and 10 of 100 tooth-years each.
    assert [p.failed for p in points] == pytest.approx([0, 100 * (1 - math.exp(-0.1))])
    assert [p.months for p in points] == [0, 6]


def test_a_curve_begins_where_two_practices_meet() -> None:
    late = tuple(dataclasses.replace(x, months=x.months + 6) for x in lines(None, 10, 20))
    points, _ = pooled_curve([lines(None, 10, 20), late], confidence=0.95)
    assert [p.months for p in points] == [6, 12]
    far = tuple(dataclasses.replace(x, months=x.months + 60) for x in lines(None, 10))
    assert pooled_curve([lines(None, 10), far], confidence=0.95) == ((), 1.0)
    assert pooled_curve([], confidence=0.95) == ((), 1.0)
    # Half-years without time count nobody.
    still = (Line(0, 200, 0, None), Line(6, 200, 0, 10), Line(12, 200, 100, 20))
    assert [p.months for p in pooled_curve([still, still], confidence=0.95)[0]] == [6, 12]


# Together


def pooled(*contrasts: Contrast) -> PooledResults:
    return pool([whole(c, code=f"{i:016x}") for i, c in enumerate(contrasts)])


def sealers(*contrasts: Contrast) -> PooledComparison:
    (found,) = pooled(*contrasts).comparisons
    return found


def test_a_difference_that_all_practices_find_is_claimed() -> None:
    found = sealers(*[contrast(12, 0.5)] * 4)
    assert found.verdict.code == "differs"
    assert found.p_family is not None
    assert found.p_family < 0.01
    assert [(g.name, g.label, g.teeth, g.failures, g.told) for g in found.groups] == [
        ("calcium_silicate", "Calcium silicate sealer", 8000, 600, 4),
        ("epoxy_resin", "Epoxy resin sealer", 8000, 600, 4),
    ]
    assert [(m.letter, m.group) for m in found.mix][:3] == [
        ("A", "calcium_silicate"), ("A", "epoxy_resin"), ("B", "calcium_silicate"),
    ]  # fmt: skip


def test_a_technique_claim_must_stand_on_both_scales() -> None:
    lone = sealers(*[contrast(12, None)] * 4)
    assert (lone.p_family, lone.verdict.code) == (1.0, "cannot_tell")
    weak = sealers(*[contrast(12, 0.0)] * 4)
    assert weak.verdict.code == "cannot_tell"
    assert weak.p_family == max(v.p for v in weak.values)
    none = sealers(*[contrast(None, 0.5)] * 4)
    assert (none.p_family, none.verdict.code) == (None, "cannot_tell")
    assert "failures came 1.65 times as fast" in none.verdict.sentence  # the ratio leads: its power of e is 1.65


def coarse(step: int) -> Contrast:
    """Groups of 60 teeth, whose differences come in steps of 10 per 100, or of 2000 in steps of 1."""
    group, reference = sides(2000 if step == 1 else 60, (40, 40))
    ratio = Ratio("cox_by_technique", (), 0.3, 0.15, 0.25)
    bare = contrast(None, None, group=group, reference=reference)
    return dataclasses.replace(bare, adjusted=ratio, gap=Gap(0, step, 8.0, True, True))


def test_a_step_wider_than_the_smallest_difference_that_matters_is_not_pooled() -> None:
    found = sealers(*[coarse(10)] * 3)
    assert [v.kind for v in found.values] == ["adjusted"]
    assert found.verdict.code == "cannot_tell"
    assert found.verdict.sentence.startswith("Over 3 practices, failures came 1.35 times as fast with calcium silicate")
    assert "too few practices tell it in steps as fine as the 5 that matter" in found.verdict.sentence
    assert not re.search(r"\d (more|fewer)", found.verdict.sentence + found.verdict.range)
    assert found.notes[0].startswith("3 practices gave a difference in steps wider than 5 per 100, which was left out")
    # One with fine steps is not pooled alone; two are.
    assert [v.kind for v in sealers(coarse(1), coarse(10)).values] == ["adjusted"]
    assert [len(v.parts) for v in sealers(coarse(1), coarse(10), coarse(1)).values] == [3, 2]


def test_a_ratio_that_leads_claims_nothing_alone() -> None:
    sure = dataclasses.replace(coarse(10), adjusted=Ratio("cox_by_technique", (), 0.6, 0.15, 0.2), gap=None)
    found = sealers(*[sure] * 6)
    assert next(v for v in found.values if v.kind == "adjusted").low > 1
    assert found.verdict.code == "cannot_tell"
    assert "one that is claimed must show per 100 too, so we cannot tell yet" in found.verdict.sentence


def test_a_range_that_leaves_nearly_everything_open_is_no_headline() -> None:
    two = sealers(coarse(1), coarse(1))
    gap = next(v for v in two.values if v.kind == "difference")
    assert gap.high - gap.low > 50  # two practices: 12.7 errors to either side
    assert two.verdict.sentence.startswith("Over 2 practices, failures came 1.35 times as fast")
    assert "the range is wider than 50" in two.verdict.sentence
    assert not re.search(r"\d (more|fewer)", two.verdict.sentence + two.verdict.range)
    narrow = sealers(*[dataclasses.replace(coarse(1), gap=Gap(0, 1, 4.0, True, True))] * 6)
    assert re.search(r"\d fewer to \d more per 100", narrow.verdict.sentence)


def test_hidden_groups_count_nothing() -> None:
    group = sides()[0]
    for hidden in (
        dataclasses.replace(group, failures=None), dataclasses.replace(group, teeth=None, patients=None, failures=None),
    ):  # fmt: skip
        found = sealers(contrast(), contrast(), contrast(None, None, group=hidden))
        assert [(g.teeth, g.failures, g.told) for g in found.groups] == [(4000, 300, 2), (6000, 450, 3)]


def test_a_question_of_one_practice_is_not_pooled() -> None:
    assert pool([whole(contrast()), whole(code="1" * 16)]).comparisons == ()
    found = pool([whole(contrast(), code="b" * 16), whole(code="c" * 16), whole(contrast(), code="a" * 16)])
    assert [p.letter for p in found.practices] == ["A", "B", "C"]
    assert [p.questions for p in found.practices] == [1, 1, 0]
    assert [x.letter for v in found.comparisons[0].values for x in v.parts] == ["A", "B"] * 2


def test_files_that_do_not_say_their_rules_are_refused() -> None:
    given = [whole(contrast(), code=f"{i:016x}") for i in range(3)]
    lacking = [dataclasses.replace(c, rules=c.rules[1:]) for c in given]
    with pytest.raises(DataError, match=rf"do not say by which rules they count \({RULES[0]}\)"):
        pool(lacking)
    for i in range(3):
        with pytest.raises(DataError, match=rf"different rules \({RULES[0]}\)"):
            pool([*given[:i], lacking[i], *given[i + 1 :]])


# Files


def read(folder: Path, content: bytes) -> Contribution:
    path = folder / "given.json"
    path.write_bytes(content)
    return read_contribution(path)


def sealed(body: dict) -> bytes:
    return (json.dumps(body | {"digest": digest(body)}, sort_keys=True, indent=1) + "\n").encode()


def test_a_file_is_read_up_to_its_largest_size(tmp_path: Path) -> None:
    assert LARGEST_BYTES == 2_000_000
    with pytest.raises(DataError, match="cannot be read as JSON"):
        read(tmp_path, b" " * 2_000_000)
    with pytest.raises(DataError, match="too large"):
        read(tmp_path, b" " * 2_000_001)


def test_what_is_written_is_plain_ascii_and_read_back(tmp_path: Path) -> None:
    given = whole(
        contrast(), contrast(None, None, id=SEALERS.replace("tooth_loss", "endo_failure"), outcome="endo_failure")
    )
    given = under_seal(given)
    assert read(tmp_path, as_bytes(given)) == given
    body = {k: v for k, v in json.loads(as_bytes(given)).items() if k != "digest"}
    assert sealed(body) == as_bytes(given)
    for text in ("\ud800", "é"):
        with pytest.raises(DataError, match="not written by `contribute`: a contribution may not hold a note"):
            read(tmp_path, sealed(body | {"note": text}))


def test_another_clock_is_told_only_of_questions_that_are_known(tmp_path: Path) -> None:
    body = {k: v for k, v in json.loads(as_bytes(whole(contrast()))).items() if k != "digest"}
    for change, told in (
        ({"clock": "since_seat"}, "another day"),
        ({"outcome": "endo_failure"}, "another day"),
        ({"id": "by_clinician"}, "was not written by `contribute`"),
    ):
        (one,) = body["contrasts"]
        with pytest.raises(DataError, match=told):
            read(tmp_path, sealed(body | {"contrasts": [one | change]}))
    for contrasts in ("none", [1], None):
        with pytest.raises(DataError, match="contribute"):
            read(tmp_path, sealed(body | {"contrasts": contrasts}))


def test_the_same_table_under_another_code_is_refused_wherever_it_stands() -> None:
    def tabled(*numbers: int) -> Contrast:
        one, other = (Side(n, 100, 90, 30, (), followed(*numbers)) for n in ("crowned", "not_crowned"))
        id = "tooth_survival_by_crown_after_endo"
        return Contrast(id, "tooth_loss", "since_completion", one, other, None, None, None)

    apart = [tabled(60, 50), tabled(60, 45), tabled(60, 40)]
    assert len(pooled(*apart).practices) == 3
    for given in ([*apart, apart[0]], [*apart, apart[2]], [apart[0], *apart]):
        with pytest.raises(DataError, match="same figures"):
            pooled(*given)
