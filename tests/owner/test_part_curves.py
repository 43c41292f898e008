"""Curves of many groups at once are those of `kaplan_meier` and `curve_stop`, group by group."""

import numpy as np
import pytest

from pipeline.questions.groups import CurveRules, curve_stop, milestone_days
from pipeline.questions.owner import filters as module
from pipeline.questions.owner.filters import part_curves
from pipeline.stats.kaplan_meier import kaplan_meier

YEARS = tuple(float(y) for y in range(1, 11))


def _teeth(seed, teeth, patients, days, share):
    draw = np.random.default_rng(seed)
    exit_days = draw.integers(0, days, teeth)
    event = draw.random(teeth) < share
    patient = draw.integers(0, patients, teeth)
    groups = [np.ones(teeth, dtype=bool), *(draw.random(teeth) < part for part in (0.5, 0.2, 0.9))]
    groups.append(groups[1] & groups[3])
    groups += [event, exit_days == exit_days.min(), patient == patient[0]]
    return exit_days, event, patient, [g for g in groups if g.any()]


def _one_by_one(exit_days, event, patient, rules):
    """What a group shows, by the estimator of one curve: followed, share, limits."""
    days = milestone_days(rules)
    followed = ((exit_days[:, None] > days) | ((exit_days[:, None] == days) & ~event[:, None])).sum(axis=0)
    if not (exit_days > 0).any():
        return followed[:0], np.empty(0), np.empty(0), np.empty(0)
    curve = kaplan_meier(exit_days, event, cluster=patient, confidence=rules.confidence)
    stop, _ = curve_stop(curve, rules=rules)
    reach = int(((days <= stop) & (followed >= rules.min_at_risk)).sum())
    at = curve.at(days[:reach])
    return followed[:reach], at.survival, at.low, at.high


CASES = [
    (400, 150, 5000, 0.2),
    (60, 40, 4000, 0.5),
    (300, 300, 900, 0.02),
    (200, 1, 4000, 0.3),  # one patient: no error
    (90, 30, 400, 1.0),  # all fail
    (90, 30, 4000, 0.0),  # none fails
    (12, 5, 2, 0.5),  # all leave on the first days
    (11, 11, 1, 0.4),  # all leave on day 0
    (500, 200, 12, 0.6),  # few days, many ties
    (800, 90, 366, 0.1),
]


@pytest.mark.parametrize("cells", [1, 3000, 1_000_000])
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize(("fewest", "step"), [(10, 0.05), (1, 0.5), (25, 0.02)])
def test_each_group_has_the_curve_of_its_teeth(monkeypatch, case, fewest, step, cells):
    monkeypatch.setattr(module, "_CELLS", cells)
    rules = CurveRules(fewest, step, 0.95, YEARS)
    for seed in range(4):
        exit_days, event, patient, groups = _teeth(seed, *case)
        found = part_curves(exit_days, event, patient, groups, rules=rules)
        assert len(found) == len(groups)
        for rows, mine in zip(groups, found, strict=True):
            followed, survival, low, high = _one_by_one(exit_days[rows], event[rows], patient[rows], rules)
            counts = (rows.sum(), len(set(patient[rows])), event[rows].sum())
            assert (mine.teeth, mine.patients, mine.failures) == counts
            assert mine.followed.tolist() == followed.tolist()
            assert mine.survival.tolist() == survival.tolist()  # to the last bit
            # The squared errors are summed in another order, so their last digits may differ.
            np.testing.assert_allclose(mine.low, low, rtol=1e-9, atol=1e-13)
            np.testing.assert_allclose(mine.high, high, rtol=1e-9, atol=1e-13)


def test_some_of_these_cases_show_curves():
    shown = [part_curves(*_teeth(0, *case), rules=CurveRules(10, 0.05, 0.95, YEARS))[0].followed.size for case in CASES]
    assert max(shown) == 10
    assert min(shown) == 0


def test_the_order_of_rows_and_the_other_groups_change_nothing():
    rules = CurveRules(10, 0.05, 0.95, YEARS)
    exit_days, event, patient, groups = _teeth(7, 400, 150, 5000, 0.2)
    found = part_curves(exit_days, event, patient, groups, rules=rules)
    other = np.random.default_rng(1).permutation(len(event))
    moved = part_curves(exit_days[other], event[other], patient[other], [g[other] for g in groups[::-1]], rules=rules)
    alone = [part_curves(exit_days, event, patient, [g], rules=rules)[0] for g in groups]
    for mine, one, single in zip(found, moved[::-1], alone, strict=True):
        for name in ("followed", "survival", "low", "high"):
            assert np.array_equal(getattr(mine, name), getattr(one, name), equal_nan=True)
            assert np.array_equal(getattr(mine, name), getattr(single, name), equal_nan=True)


def test_no_group():
    assert part_curves(*_teeth(7, 400, 150, 5000, 0.2)[:3], [], rules=CurveRules(10, 0.05, 0.95, YEARS)) == []
