"""The tipping point by hand, against draws, and between its ends: none or all of those lost failing."""

import numpy as np
import pytest

from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.tipping import ALL_FAIL, lay_out

# Ten crowns. Failures on days 10 (of 10 followed), 30 (of 6) and 50 (of 5). Three are lost on day 20, all of them could
# have been followed to the end of the records.
EXIT = [10, 20, 20, 20, 30, 50, 60, 60, 60, 60]
EVENT = [1, 0, 0, 0, 1, 1, 0, 0, 0, 0]
LOST = [0, 1, 1, 1, 0, 0, 0, 0, 0, 0]
HORIZON = 60


def ten(possible: int = 90):
    return lay_out(EXIT, EVENT, LOST, [possible] * 10, HORIZON)


def test_by_hand_in_fractions():
    curve = ten()
    # As those still followed: Kaplan-Meier, 9/10 x 5/6 x 4/5 = 3/5.
    assert curve.at(1).failed == pytest.approx(1 - 3 / 5)
    # Of one lost 1 - 5/6 x 4/5 = 1/3 fails.
    assert curve.at(1).lost_failed == pytest.approx(1 / 3)
    # None of the lost fails: 9/10 x (1 - 1/9) x (1 - 1/8) = 7/10: three failures of ten crowns.
    assert curve.at(0).failed == pytest.approx(3 / 10)
    assert curve.at(0).lost_failed == 0
    # All three fail on day 30, with the one that does: 4 of 9; then 1 of 5.
    assert curve.at(ALL_FAIL).failed == pytest.approx(1 - 9 / 10 * 5 / 9 * 4 / 5)
    assert curve.at(ALL_FAIL).lost_failed == pytest.approx(1)
    # Twice as fast: 11/36 of three on day 30, 9/25 of the rest on day 50.
    left = 3 * 25 / 36
    kept = 9 / 10 * (1 - (1 + 3 * 11 / 36) / 9) * (1 - (1 + left * 9 / 25) / (5 + left))
    assert curve.at(2).failed == pytest.approx(1 - kept)
    assert curve.at(2).lost_failed == pytest.approx((3 * 11 / 36 + left * 9 / 25) / 3)


def test_the_lost_are_carried_on_no_further_than_they_could_have_been():
    # The records end on day 40: of the three only day 30 is imputed.
    assert ten(40).at(0).failed == pytest.approx(1 - 9 / 10 * 8 / 9 * 4 / 5)
    assert ten(40).at(1).lost_failed == pytest.approx(1 / 6)
    assert ten(20).n_lost == 0
    assert ten(20).at(5).failed == pytest.approx(2 / 5)


def test_the_ratio_for_a_shift_gives_it_back_and_none_beyond_the_ends():
    curve = ten()
    now, least, most = (curve.at(r).failed for r in (1, 0, ALL_FAIL))
    for share in (0.001, *np.linspace(0.02, 0.98, 8)):
        for end in (least, most):
            shift = share * (end - now)
            ratio = curve.ratio_for(shift)
            assert curve.at(ratio).failed - now == pytest.approx(shift, abs=1e-9)
    assert curve.ratio_for(most - now + 0.001) is None
    assert curve.ratio_for(least - now - 0.001) is None


def test_more_failures_among_the_lost_never_lower_the_share():
    rng = np.random.default_rng(2)
    exit_days, event = rng.integers(1, 500, 200), rng.random(200) < 0.3
    lost = ~event & (rng.random(200) < 0.5)
    curve = lay_out(exit_days, event, lost, [450] * 200, 400, entry_days=rng.integers(0, 2, 200) * 0, from_day=50)
    found = [curve.at(ratio) for ratio in (0, 0.3, 0.9, 1, 1.5, 4, 40, ALL_FAIL)]
    for of in ("failed", "lost_failed"):
        assert np.all(np.diff([getattr(f, of) for f in found]) > 0)
    exact = kaplan_meier(exit_days, event, from_day=50).at([400]).survival[0]
    assert curve.at(1).failed == pytest.approx(1 - exact)


def test_it_is_the_mean_of_drawn_curves():
    rng = np.random.default_rng(3)
    n, ratio = 400, 3.0
    exit_days, event = rng.integers(1, 700, n), rng.random(n) < 0.25
    lost = ~event & (rng.random(n) < 0.6)
    curve = lay_out(exit_days, event, lost, [900] * n, 600)
    seen = kaplan_meier(exit_days, event)
    step = np.diff(np.log(np.maximum(np.concatenate(([1.0], seen.survival)), 1e-300)))
    drawn = []
    for _ in range(30):
        days, failed = exit_days.copy(), event.copy()
        for i in np.flatnonzero(lost & (exit_days < 600)):
            after = seen.time > exit_days[i]
            fails = rng.random(int(after.sum())) < 1 - np.exp(ratio * step[after])
            at = seen.time[after][fails]
            days[i], failed[i] = (at[0], True) if len(at) else (900, False)
        drawn.append(1 - kaplan_meier(days, failed).at([600]).survival[0])
    assert curve.at(ratio).failed == pytest.approx(np.mean(drawn), abs=4 * np.std(drawn) / np.sqrt(30))


def test_a_lost_row_has_no_event():
    with pytest.raises(ValueError, match="has an event"):
        lay_out([5], [1], [1], [9], 9)
