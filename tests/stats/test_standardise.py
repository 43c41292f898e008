import math

import adjusted_practice as sim
import numpy as np
import polars as pl
import pytest

from pipeline.stats.cox import fit_cox
from pipeline.stats.few_failures import Allowance
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise
from pipeline.stats.standardised import Standardised, make_difference
from pipeline.stats.stratum_hazard import after_day, plan_hazards

STATES = {"before": {"a": 0}, "after": {"a": 1}}


def cells(*groups: tuple[int, int, int, int], day: int = 10) -> pl.DataFrame:
    """Rows from (a, c, crowns, failures) of groups: failures on one day, all others followed past it."""
    parts = [
        pl.DataFrame({"a": [float(a)] * n, "c": [float(c)] * n, "exit": [day] * failed + [day + 5] * (n - failed)})
        for a, c, n, failed in groups
    ]
    return pl.concat(parts).with_columns(event=pl.col("exit") == day)


def test_one_failure_day_by_hand():
    """Breslow's estimate on one failure day is the share failed, d/n, in each state: curves are exp(-d/n).

    Each row pulls on d/n by (failed - d/n) / n, and on the curve by exp(-d/n) times that.
    """
    rows = cells((0, 0, 20, 2), (1, 0, 10, 3))
    model = fit_cox(rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"], ties="breslow", robust=True)
    target = fitted_target(model, [0])
    before, found, later = (standardise(model, target, states=STATES, day=day, min_at_risk=1) for day in (9, 10, 15))
    assert before.failure.tolist() == [0, 0]
    assert np.isnan(before.difference("after", "before").std_error)
    assert found.failure == pytest.approx([1 - np.exp(-0.1), 1 - np.exp(-0.3)])
    assert [one.at_risk.tolist() for one in (before, found, later)] == [[20, 10], [20, 10], [18, 7]]
    variance = np.exp(-0.2) * 0.1 * 0.9 / 20 + np.exp(-0.6) * 0.3 * 0.7 / 10
    difference = found.difference("after", "before", confidence=0.95)
    assert difference.per_100 == pytest.approx(100 * (np.exp(-0.1) - np.exp(-0.3)))
    assert difference.std_error == pytest.approx(100 * np.sqrt(variance))
    # The states share nothing: the distances to the limits are those of both shares, as the sides of a right angle.
    (before, least, most), (after, low, high) = (found.share(state) for state in STATES)
    assert difference.low == pytest.approx(100 * (after - before - np.hypot(after - low, most - before)))
    assert difference.high == pytest.approx(100 * (after - before + np.hypot(high - after, before - least)))
    assert difference.p == pytest.approx(math.erfc(difference.per_100 / difference.std_error / np.sqrt(2)))
    assert found.difference("before", "after").per_100 == pytest.approx(-difference.per_100)
    assert found.difference("after", "before") == difference
    assert (difference.group, difference.reference, difference.day, difference.from_day) == ("after", "before", 10, 0)


def test_a_share_has_limits_on_the_log_log_scale():
    rows = cells((0, 0, 20, 2), (1, 0, 10, 3))
    model = fit_cox(rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"], ties="breslow", robust=True)
    found = standardise(model, fitted_target(model, [0]), states=STATES, day=10, min_at_risk=1)
    pairs = (("before", 0.1, np.sqrt(0.1 * 0.9 / 20)), ("after", 0.3, np.sqrt(0.3 * 0.7 / 10)))
    for place, (state, hazard, error) in enumerate(pairs):
        factor = np.exp(1.959964 * error / hazard)
        limits = 1 - np.exp(-hazard / factor), 1 - np.exp(-hazard * factor)
        assert found.share(state) == pytest.approx((1 - np.exp(-hazard), *limits), rel=1e-5)
        assert found.std_error[place] == pytest.approx(np.exp(-hazard) * error)


def test_standardised_over_a_binary_covariate_by_hand():
    # Shares failed 1/20 and 2/20 where c is 0, 3/20 and 6/20 where it is 1: ratios of exactly 2 and 3.
    # Crude shares would be (1 + 12)/100 = 0.13 and (8 + 6)/100 = 0.14, since c is rarer in state 1.
    rows = cells((0, 0, 20, 1), (0, 1, 80, 12), (1, 0, 80, 8), (1, 1, 20, 6))
    model = fit_cox(
        rows.select("a", "c").to_numpy(), rows["exit"], rows["event"], names=["a", "c"], ties="breslow", robust=True
    )
    assert np.exp(model.coef) == pytest.approx([2, 3])
    found = standardise(model, fitted_target(model, np.ones(200, dtype=bool)), states=STATES, day=10)
    share = {h: 1 - np.exp(-h / 20) for h in (1, 2, 3, 6)}
    assert found.failure == pytest.approx([(share[1] + share[3]) / 2, (share[2] + share[6]) / 2])
    # A target of which a quarter have c; by weights instead of by number, the same.
    rare, weighted = fitted_target(model, [0, 1, 2, 20]), fitted_target(model, [0, 20], weights=[3, 1])
    by_number, by_weight = (standardise(model, t, states=STATES, day=10) for t in (rare, weighted))
    assert by_number.failure == pytest.approx([0.75 * share[1] + 0.25 * share[3], 0.75 * share[2] + 0.25 * share[6]])
    assert by_number.failure == pytest.approx(by_weight.failure)


def test_each_crown_keeps_its_stratum_by_hand():
    rows = cells((0, 0, 20, 2), (0, 1, 20, 4), (1, 0, 20, 4), (1, 1, 20, 8))
    model = fit_cox(
        rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"], strata=rows["c"], ties="breslow"
    )
    found = standardise(model, fitted_target(model, [0, 1, 20]), states=STATES, day=10).failure
    assert found == pytest.approx([1 - (2 * np.exp(-h) + np.exp(-2 * h)) / 3 for h in (0.1, 0.2)])


def test_from_day_drops_what_happened_up_to_it_and_0_keeps_day_0():
    # One failure among 4 on days 0, 5 and 10, then 1/4, 1/3 and 1/2 of the hazard; the state makes no difference.
    model = fit_cox([[0], [1], [1], [0]], [0, 5, 10, 12], [1, 1, 1, 0], names=["a"])
    theta, one = np.exp(model.coef[0]), fitted_target(model, [0])
    steps = np.array([1 / (2 + 2 * theta), 1 / (1 + 2 * theta), 1 / (1 + theta)])
    for from_day, kept in ((0, [0, 1, 2]), (1, [1, 2]), (5, [2])):
        found = standardise(model, one, states=STATES, day=10, from_day=from_day, min_at_risk=1)
        hazard = steps[kept].sum()
        assert found.failure == pytest.approx([1 - np.exp(-hazard), 1 - np.exp(-hazard * theta)])


def short_stratum() -> pl.DataFrame:
    """Clinician A: 20 crowns, 2 fail on day 10 and 2 on day 20. B: 10 crowns, 2 fail on day 10, records end on day 15.

    Half of each are in state 1 and half of all failures are theirs, so that the hazard ratio is 1.
    """
    half = pl.DataFrame(
        {
            "by": ["A"] * 10 + ["B"] * 5,
            "exit": [10, 20] + [30] * 8 + [10] + [15] * 4,
            "event": [True, True] + [False] * 8 + [True] + [False] * 4,
        }
    )
    return pl.concat([half.with_columns(a=pl.lit(float(a))) for a in (0, 1)])


def test_a_stratum_whose_records_end_borrows_scaled_by_hand():
    rows = short_stratum()
    model = fit_cox(
        rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"], strata=rows["by"], ties="breslow"
    )
    assert model.coef == pytest.approx([0], abs=1e-12)
    target = fitted_target(model, np.arange(len(rows)))
    # B failed twice where the hazard of all, 4/30, expects 4/3 of its 10 crowns: 1.5 times as often.
    first, second = (2 / 20, 2 / 10), (2 / 18, 1.5 * 2 / 18)
    both = (first[0] + second[0], first[1] + second[1])
    for from_day, day, (a, b) in ((0, 10, first), (0, 20, both), (5, 20, both), (12, 20, second)):
        found = standardise(model, target, states=STATES, day=day, from_day=from_day, min_at_risk=1)
        assert found.failure[0] == pytest.approx(1 - (20 * np.exp(-a) + 10 * np.exp(-b)) / 30)


@pytest.mark.parametrize(("failed", "scaled"), [(1, [True, True]), (0, [True, False])])
def test_a_stratum_scales_what_it_borrows_from_its_first_failure_on(failed, scaled):
    rows = short_stratum().with_columns(event=pl.col("event") & ((pl.col("by") == "A") | (pl.col("a") < failed)))
    model = fit_cox(rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"], strata=rows["by"])
    plan = plan_hazards(model, from_day=0, last_day=20, min_at_risk=1)
    assert plan.lending.scaled.tolist() == scaled


def test_without_strata_nothing_is_borrowed_however_few_are_followed():
    rows = short_stratum()
    model = fit_cox(rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"])
    assert plan_hazards(model, from_day=0, last_day=20, min_at_risk=1000).lending is None


def test_shares_that_move_together_leave_a_smaller_error_of_their_difference():
    # 0.0016 + 0.0009 - 2 * 0.0008: an error of 3 of 100, of which the difference is twice as much.
    cov = np.array([[0.0016, 0.0008], [0.0008, 0.0009]])
    shares, allowance = np.array([0.16, 0.10]), Allowance(1.0, math.inf)
    found = make_difference(("after", "before"), shares, cov, days=(0, 10), allowance=allowance, confidence=0.95)
    assert (found.per_100, found.std_error, found.p) == pytest.approx((6, 3, math.erfc(math.sqrt(2))))


def test_nothing_is_said_past_the_last_day_with_enough_at_risk():
    rows = short_stratum()
    model = fit_cox(rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"], robust=True)
    target = fitted_target(model, np.arange(len(rows)))
    found = [standardise(model, target, states=STATES, day=day, min_at_risk=17) for day in (15, 20, 30, 31)]
    assert [np.isnan(one.failure).tolist() for one in found] == [[False] * 2] * 2 + [[True] * 2] * 2
    last = found[-1].difference("after", "before")
    assert np.isnan([*found[-1].std_error, *found[-1].share("after"), last.per_100, last.std_error, last.low]).all()


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("from_day", [0, 400])
def test_pulls_are_the_derivatives_by_case_weight(ties, from_day):
    """Each patient's weight moved by a little, the model fitted again: the slope is the pull, whatever the options."""
    rows = sim.practice(240, 5, clinicians=3).with_columns(exit=(pl.col("exit") + 49) // 50 * 50)
    # The second clinician's records end early, the third's begin late; event days are tied.
    ends = (pl.col("clinician") == 1) & (pl.col("exit") > 900)
    rows = rows.with_columns(
        event=pl.col("event") & ~ends,
        exit=pl.when(ends).then(900).otherwise("exit"),
        entry=pl.when(pl.col("clinician") == 2).then(pl.max_horizontal("entry", pl.lit(600))).otherwise("entry"),
    ).filter(pl.col("entry") < pl.col("exit"))
    first, patient = rows["crown"].is_first_distinct().to_numpy(), rows["patient"].rank("dense").to_numpy() - 1
    drawn = np.random.default_rng(4).uniform(0.5, 2, len(rows))

    def answer(factor: np.ndarray) -> Standardised:
        weights = drawn * factor[patient]
        model = sim.fit(rows, strata=rows["clinician"], ties=ties, weights=weights)
        target = fitted_target(model, first, weights=factor[patient][first])
        return standardise(model, target, states=sim.STATES, day=1200, from_day=from_day, min_at_risk=4)

    one = np.ones(patient.max() + 1)
    found = answer(one)
    for unit in range(0, len(one), 9):
        little = np.where(np.arange(len(one)) == unit, 1e-4, 0.0)
        slope = (answer(one + little).failure - answer(one - little).failure) / 2e-4
        assert found.influence[:, unit] == pytest.approx(slope, abs=1e-8)


def test_confounded_practice_gives_the_true_difference():
    """The truth is that of 400,000 crowns simulated in both states; the crude model blames the opening for the risk."""
    rows = sim.practice(20_000, 5, clinicians=3)
    truth = sim.true_difference(1826, clinicians=3)
    adjusted, crude = (
        standardise(model, sim.everyone(model, rows), states=sim.STATES, day=1826).difference("opened", "closed")
        for model in (sim.fit(rows, strata=rows["clinician"]), sim.fit(rows, names=("opened",)))
    )
    assert abs(adjusted.per_100 - truth) < 2 * adjusted.std_error < 1.6
    assert crude.low > truth + 5


def test_conditional_on_a_day_the_truth_is_found_too():
    rows = sim.practice(20_000, 6)
    model = sim.fit(rows)
    found = standardise(model, sim.everyone(model, rows), states=sim.STATES, day=1826, from_day=700)
    difference = found.difference("opened", "closed")
    # The same crowns, taken to be in place on day 700: hazards are constant, so the days left are what counts.
    assert abs(difference.per_100 - sim.true_difference(1826, from_day=700)) < 2 * difference.std_error < 1.6


@pytest.mark.thorough
def test_limits_cover_the_truth_in_small_practices():
    truth = sim.true_difference(1826, crowns=2_000_000)
    covered = []
    for seed in range(150):
        rows = sim.practice(250, 3000 + seed, alike=0.8)
        model = sim.fit(rows)
        found = standardise(model, sim.everyone(model, rows), states=sim.STATES, day=1826)
        difference = found.difference("opened", "closed")
        covered.append(difference.low <= truth <= difference.high)
    # Binomial noise at 0.95 over 150 practices: 1.8 per 100.
    assert 0.90 <= np.mean(covered) <= 0.99


def test_row_order_changes_nothing():
    rows = sim.practice(300, 2, clinicians=2)
    found = []
    for frame in (rows, rows.sample(fraction=1, shuffle=True, seed=1)):
        model = sim.fit(frame, strata=frame["clinician"])
        found.append(standardise(model, sim.everyone(model, frame), states=sim.STATES, day=1826))
    assert found[0].failure == pytest.approx(found[1].failure, abs=1e-13)
    assert found[0].std_error == pytest.approx(found[1].std_error, abs=1e-12)


def test_who_enters_on_a_day_is_not_yet_at_risk_on_it():
    model = fit_cox(
        [[0], [1], [1], [0], [0]], [5, 6, 12, 12, 12], [1, 1, 0, 0, 0], names=["a"], entry_days=[-1, -1, -1, -1, 8]
    )
    for day, at_risk in ((6, [1, 2]), (7, [1, 1]), (8, [1, 1]), (9, [2, 1]), (12, [2, 1])):
        found = standardise(model, fitted_target(model, [0]), states=STATES, day=day, min_at_risk=1)
        assert found.at_risk.tolist() == at_risk


def test_input_that_fits_nothing_is_refused():
    rows = cells((0, 0, 20, 2), (1, 0, 10, 3))
    model = fit_cox(rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"])
    one = fitted_target(model, [0])
    with pytest.raises(ValueError, match="same columns"):
        standardise(model, one, states={"before": {}, "after": {"a": 1}}, day=10)
    both = fit_cox(
        rows.select("a", c=pl.int_range(pl.len()) % 2).to_numpy(), rows["exit"], rows["event"], names=["a", "c"]
    )
    with pytest.raises(ValueError, match="same columns"):
        standardise(both, fitted_target(both, [0]), states={"before": {"a": 0}, "after": {"a": 1, "c": 0}}, day=10)
    with pytest.raises(ValueError, match="from_day on or after 0"):
        standardise(model, one, states=STATES, day=10, from_day=-1)
    with pytest.raises(ValueError, match="at least 1"):
        standardise(model, one, states=STATES, day=10, min_at_risk=0)
    with pytest.raises(ValueError, match="not in the fit: b"):
        standardise(model, one, states={"before": {"b": 1}}, day=10)
    with pytest.raises(ValueError, match="after from_day"):
        standardise(model, one, states=STATES, day=10, from_day=10)
    with pytest.raises(KeyError, match="other"):
        standardise(model, one, states=STATES, day=10).difference("other", "before")
    with pytest.raises(ValueError, match="weights"):
        fitted_target(model, [0, 1], weights=[1, 0])
    none = cells((0, 0, 20, 2), (1, 0, 10, 0))
    separated = fit_cox(none.select("a").to_numpy(), none["exit"], none["event"], names=["a"])
    with pytest.raises(ValueError, match="did not converge"):
        standardise(separated, fitted_target(separated, [0]), states=STATES, day=10)


def test_a_share_that_is_not_known_has_no_error_and_no_limits():
    given = {"days": (0, 10), "allowance": Allowance(), "confidence": 0.95}
    found = make_difference(tuple(STATES), np.array([np.nan, 0.1]), np.diag([0.01, 0.01]), **given)
    assert np.isnan([found.std_error, found.low, found.high, found.p]).all()
    known = make_difference(tuple(STATES), np.array([0.3, 0.1]), np.diag([0.01, 0.01]), **given)
    assert (known.per_100, known.std_error) == pytest.approx((20, 100 * math.sqrt(0.02)))
    assert known.low < 20 < known.high
    # What few failures ask for widens the error.
    few = make_difference(
        tuple(STATES), np.array([0.3, 0.1]), np.diag([0.01, 0.01]), **given | {"allowance": Allowance(1.5)}
    )
    assert few.std_error == pytest.approx(1.5 * known.std_error)


def test_where_nothing_pulls_there_is_no_error():
    none = Standardised(("a",), 10, 0, np.array([0.2]), np.array([5]), np.zeros((1, 4)))
    assert np.isnan(none.std_error).all()


def test_a_day_on_which_just_enough_are_at_risk_is_known():
    # 30 rows, of which 5 leave on day 10.
    rows = cells((0, 0, 20, 2), (1, 0, 10, 3))
    model = fit_cox(rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"])
    target = fitted_target(model, [0])
    for day, enough, known in ((15, 25, True), (15, 26, False), (10, 30, True), (1, 31, False)):
        found = standardise(model, target, states=STATES, day=day, min_at_risk=enough)
        assert np.isfinite(found.failure).all() == known


def test_rows_are_in_a_state_of_two_columns_by_both():
    rows = cells((0, 0, 20, 2), (1, 0, 10, 3), (1, 1, 12, 4))
    model = fit_cox(rows.select("a", "c").to_numpy(), rows["exit"], rows["event"], names=["a", "c"])
    states = {f"{a}{c}": {"a": float(a), "c": float(c)} for a, c in ((0, 0), (1, 0), (1, 1))}
    found = standardise(model, fitted_target(model, [0]), states=states, day=10, min_at_risk=1)
    assert found.at_risk.tolist() == [20, 10, 12]


def test_the_first_day_counts_only_where_nothing_is_left_out_before():
    days = np.array([0, 1, 2])
    assert [after_day(days, start).tolist() for start in (0, 1)] == [[True, True, True], [False, False, True]]
