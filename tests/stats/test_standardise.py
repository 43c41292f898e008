import math

import adjusted_practice as sim
import numpy as np
import polars as pl
import pytest

from pipeline.stats import cox_reweight
from pipeline.stats.cox import fit_cox
from pipeline.stats.standard_target import fitted_target, outside_target
from pipeline.stats.standardise import standardise
from pipeline.stats.standardise_bootstrap import resampled

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
    found = standardise(model, outside_target(model, [[0.0]]), states=STATES, days=[9, 10, 15], min_at_risk=1)
    assert found.failure[:, 0].tolist() == [0, 0]
    assert found.failure[:, 1] == pytest.approx([1 - np.exp(-0.1), 1 - np.exp(-0.3)])
    assert found.at_risk.tolist() == [[20, 20, 18], [10, 10, 7]]
    variance = np.exp(-0.2) * 0.1 * 0.9 / 20 + np.exp(-0.6) * 0.3 * 0.7 / 10
    difference = found.difference("after", "before", day=10, confidence=0.95)
    assert difference.per_100 == pytest.approx(100 * (np.exp(-0.1) - np.exp(-0.3)))
    assert difference.std_error == pytest.approx(100 * np.sqrt(variance))
    # The states share nothing: the distances to the limits are those of both shares, as the sides of a right angle.
    curves = found.curves().filter(pl.col("time_days") == 10).sort("state").select("failure", "lower", "upper").rows()
    (after, low, high), (before, least, most) = curves
    assert difference.low == pytest.approx(100 * (after - before - np.hypot(after - low, most - before)))
    assert difference.high == pytest.approx(100 * (after - before + np.hypot(high - after, before - least)))
    assert np.isnan(found.difference("after", "before", day=9).std_error)
    assert difference.p == pytest.approx(math.erfc(difference.per_100 / difference.std_error / np.sqrt(2)))
    assert found.difference("before", "after", day=10).per_100 == pytest.approx(-difference.per_100)
    assert found.difference("after", "before", day=10) == difference
    assert (difference.group, difference.reference, difference.day, difference.from_day) == ("after", "before", 10, 0)


def test_curves_have_a_row_by_state_and_day_with_limits_on_the_log_log_scale():
    rows = cells((0, 0, 20, 2), (1, 0, 10, 3))
    model = fit_cox(rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"], ties="breslow", robust=True)
    found = standardise(model, outside_target(model, [[0.0]]), states=STATES, days=[9, 10, 15], min_at_risk=1)
    curves = found.curves()
    assert curves.select("state", "time_days", "at_risk").rows() == [
        *(("before", day, n) for day, n in ((9, 20), (10, 20), (15, 18))),
        *(("after", day, n) for day, n in ((9, 10), (10, 10), (15, 7))),
    ]
    for state, hazard, error in (("before", 0.1, np.sqrt(0.1 * 0.9 / 20)), ("after", 0.3, np.sqrt(0.3 * 0.7 / 10))):
        row = curves.row(by_predicate=(pl.col("state") == state) & (pl.col("time_days") == 10), named=True)
        factor = np.exp(1.959964 * error / hazard)
        assert row["failure"] == pytest.approx(1 - np.exp(-hazard))
        assert row["std_error"] == pytest.approx(np.exp(-hazard) * error)
        limits = 1 - np.exp(-hazard / factor), 1 - np.exp(-hazard * factor)
        assert (row["lower"], row["upper"]) == pytest.approx(limits, rel=1e-5)


def test_standardised_over_a_binary_covariate_by_hand():
    # Shares failed 1/20 and 2/20 where c is 0, 3/20 and 6/20 where it is 1: ratios of exactly 2 and 3.
    # Crude shares would be (1 + 12)/100 = 0.13 and (8 + 6)/100 = 0.14, since c is rarer in state 1.
    rows = cells((0, 0, 20, 1), (0, 1, 80, 12), (1, 0, 80, 8), (1, 1, 20, 6))
    model = fit_cox(
        rows.select("a", "c").to_numpy(), rows["exit"], rows["event"], names=["a", "c"], ties="breslow", robust=True
    )
    assert np.exp(model.coef) == pytest.approx([2, 3])
    found = standardise(model, fitted_target(model, np.ones(200, dtype=bool)), states=STATES, days=[10])
    share = {h: 1 - np.exp(-h / 20) for h in (1, 2, 3, 6)}
    assert found.failure[:, 0] == pytest.approx([(share[1] + share[3]) / 2, (share[2] + share[6]) / 2])
    # A target of other crowns: a quarter have c; by weights instead of by number, the same.
    rare = outside_target(model, [[0, 0], [0, 0], [0, 0], [0, 1]])
    weighted = outside_target(model, [[0, 0], [0, 1]], weights=[3, 1])
    by_number, by_weight = (standardise(model, t, states=STATES, days=[10]) for t in (rare, weighted))
    assert by_number.failure[:, 0] == pytest.approx(
        [0.75 * share[1] + 0.25 * share[3], 0.75 * share[2] + 0.25 * share[6]]
    )
    assert by_number.failure == pytest.approx(by_weight.failure)


def test_each_crown_keeps_its_stratum_by_hand():
    rows = cells((0, 0, 20, 2), (0, 1, 20, 4), (1, 0, 20, 4), (1, 1, 20, 8))
    model = fit_cox(
        rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"], strata=rows["c"], ties="breslow"
    )
    target = outside_target(model, [[0.0], [0.0], [0.0]], strata=[0.0, 0.0, 1.0])
    found = standardise(model, target, states=STATES, days=[10]).failure[:, 0]
    assert found == pytest.approx([1 - (2 * np.exp(-h) + np.exp(-2 * h)) / 3 for h in (0.1, 0.2)])


def test_from_day_drops_what_happened_up_to_it_and_0_keeps_day_0():
    # One failure among 4 on days 0, 5 and 10, then 1/4, 1/3 and 1/2 of the hazard; the state makes no difference.
    model = fit_cox([[0], [1], [1], [0]], [0, 5, 10, 12], [1, 1, 1, 0], names=["a"])
    theta, one = np.exp(model.coef[0]), outside_target(model, [[0.0]])
    steps = np.array([1 / (2 + 2 * theta), 1 / (1 + 2 * theta), 1 / (1 + theta)])
    for from_day, kept in ((0, [0, 1, 2]), (1, [1, 2]), (5, [2]), (10, [])):
        found = standardise(model, one, states=STATES, days=[10], from_day=from_day, min_at_risk=1)
        hazard = steps[kept].sum()
        assert found.failure[:, 0] == pytest.approx([1 - np.exp(-hazard), 1 - np.exp(-hazard * theta)])


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
    borrowed = standardise(model, target, states=STATES, days=[10, 20], min_at_risk=1)
    a, b = [2 / 20, 2 / 20 + 2 / 18], [2 / 10, 2 / 10 + 1.5 * 2 / 18]
    mean = [1 - (20 * np.exp(-x) + 10 * np.exp(-y)) / 30 for x, y in zip(a, b, strict=True)]
    assert borrowed.failure[0] == pytest.approx(mean)
    [thin] = borrowed.thin
    assert (thin.stratum, thin.crowns, thin.first_thin_day, thin.rule) == ("B", 10, 20, "borrow")
    assert thin.ratio == pytest.approx(1.5)
    left = standardise(model, target, states=STATES, days=[10, 20], min_at_risk=1, unobserved="leave_out")
    assert left.failure[0] == pytest.approx(1 - np.exp(-np.array(a)))
    assert (left.crowns, left.thin[0].crowns, left.thin[0].ratio) == (20, 10, None)
    # Up to day 15 no rule is needed.
    assert standardise(model, target, states=STATES, days=[10, 15], min_at_risk=1).thin == ()
    # A stratum is told of with the crowns of the target in it, be it one, and not without any.
    for n_b in (0, 1):
        chosen = (rows["by"] == "A").to_numpy() | (np.arange(len(rows)) < 10 + n_b)
        few = standardise(model, fitted_target(model, chosen), states=STATES, days=[10, 20], min_at_risk=1)
        assert [thin.crowns for thin in few.thin] == [1] * n_b
        assert few.crowns == 20 + n_b
    only_b = fitted_target(model, (rows["by"] == "B").to_numpy())
    with pytest.raises(ValueError, match="no crown is left"):
        standardise(model, only_b, states=STATES, days=[20], min_at_risk=1, unobserved="leave_out")


def test_nothing_is_said_past_the_last_day_with_enough_at_risk():
    rows = short_stratum()
    model = fit_cox(rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"], robust=True)
    target = fitted_target(model, np.arange(len(rows)))
    found = standardise(model, target, states=STATES, days=[15, 20, 30, 31], min_at_risk=17)
    assert np.isnan(found.failure).tolist() == [[False, False, True, True]] * 2
    curves = found.curves()
    assert curves["failure"].null_count() == curves["std_error"].null_count() == curves["lower"].null_count() == 4
    assert np.isnan(found.difference("after", "before", day=31).low)


def test_a_product_with_a_covariate_takes_one_value_per_crown():
    rows = cells((0, 0, 20, 1), (0, 1, 80, 12), (1, 0, 80, 8), (1, 1, 20, 9)).with_columns(
        both=pl.col("a") * pl.col("c")
    )
    names = ["a", "c", "both"]
    model = fit_cox(rows.select(names).to_numpy(), rows["exit"], rows["event"], names=names, ties="breslow")
    target = outside_target(model, [[0, 0, 0], [0, 1, 0]])
    states = {"before": {"a": 0, "both": 0}, "after": {"a": 1, "both": np.array([0, 1])}}
    found = standardise(model, target, states=states, days=[10]).failure[:, 0]
    by_cell = [[1 / 20, 12 / 80], [8 / 80, 9 / 20]]
    assert found == pytest.approx([np.mean(1 - np.exp(-np.array(pair))) for pair in by_cell])


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("from_day", [0, 400])
@pytest.mark.parametrize("rule", ["borrow", "leave_out"])
def test_pulls_are_the_derivatives_by_case_weight(ties, from_day, rule, monkeypatch):
    """Each patient's weight moved by a little, the model fitted again: the slope is the pull, whatever the options."""
    monkeypatch.setattr(cox_reweight, "GAIN_ENOUGH", 1e-14)
    rows = sim.practice(240, 5, clinicians=3).with_columns(exit=(pl.col("exit") + 49) // 50 * 50)
    # The second clinician's records end early, the third's begin late; event days are tied.
    ends = (pl.col("clinician") == 1) & (pl.col("exit") > 900)
    rows = rows.with_columns(
        event=pl.col("event") & ~ends,
        exit=pl.when(ends).then(900).otherwise("exit"),
        entry=pl.when(pl.col("clinician") == 2).then(pl.max_horizontal("entry", pl.lit(600))).otherwise("entry"),
    ).filter(pl.col("entry") < pl.col("exit"))
    weights = np.random.default_rng(4).uniform(0.5, 2, len(rows))
    model = sim.fit(rows, strata=rows["clinician"], ties=ties, weights=weights)
    found = standardise(
        model,
        sim.everyone(model, rows),
        states=sim.STATES,
        days=[700, 1200],
        from_day=from_day,
        unobserved=rule,
        min_at_risk=4,
    )
    assert len(found.thin) == 2
    shares = resampled(model, found)
    assert shares(np.ones(model.n_clusters))[0] == pytest.approx(found.failure, abs=1e-12)
    for unit in range(0, model.n_clusters, 9):
        little = np.zeros(model.n_clusters)
        little[unit] = 1e-4
        slope = (shares(1 + little)[0] - shares(1 - little)[0]) / 2e-4
        assert found.influence[:, :, unit] == pytest.approx(slope, abs=1e-9)


def test_confounded_practice_gives_the_true_difference():
    """The truth is that of 400,000 crowns simulated in both states; the crude model blames the opening for the risk."""
    rows = sim.practice(20_000, 5, clinicians=3)
    truth = sim.true_difference(1826, clinicians=3)
    adjusted, crude = (
        standardise(model, sim.everyone(model, rows), states=sim.STATES, days=[1826]).difference(
            "opened", "closed", day=1826
        )
        for model in (sim.fit(rows, strata=rows["clinician"]), sim.fit(rows, names=("opened",)))
    )
    assert abs(adjusted.per_100 - truth) < 2 * adjusted.std_error < 1.6
    assert crude.low > truth + 5


def test_conditional_on_a_day_the_truth_is_found_too():
    rows = sim.practice(20_000, 6)
    model = sim.fit(rows)
    found = standardise(model, sim.everyone(model, rows), states=sim.STATES, days=[1826], from_day=700)
    difference = found.difference("opened", "closed", day=1826)
    # The same crowns, taken to be in place on day 700: hazards are constant, so the days left are what counts.
    assert abs(difference.per_100 - sim.true_difference(1826, from_day=700)) < 2 * difference.std_error < 1.6


@pytest.mark.thorough
def test_limits_cover_the_truth_in_small_practices():
    truth = sim.true_difference(1826, crowns=2_000_000)
    covered = []
    for seed in range(150):
        rows = sim.practice(250, 3000 + seed, alike=0.8)
        model = sim.fit(rows)
        found = standardise(model, sim.everyone(model, rows), states=sim.STATES, days=[1826])
        difference = found.difference("opened", "closed", day=1826)
        covered.append(difference.low <= truth <= difference.high)
    # Binomial noise at 0.95 over 150 practices: 1.8 per 100.
    assert 0.90 <= np.mean(covered) <= 0.99


def test_row_order_changes_nothing():
    rows = sim.practice(300, 2, clinicians=2)
    found = []
    for frame in (rows, rows.sample(fraction=1, shuffle=True, seed=1)):
        model = sim.fit(frame, strata=frame["clinician"])
        found.append(standardise(model, sim.everyone(model, frame), states=sim.STATES, days=[365, 1826]))
    assert found[0].failure == pytest.approx(found[1].failure, abs=1e-13)
    assert found[0].std_error == pytest.approx(found[1].std_error, abs=1e-12)


def test_input_that_fits_nothing_is_refused():
    rows = cells((0, 0, 20, 2), (1, 0, 10, 3))
    model = fit_cox(rows.select("a").to_numpy(), rows["exit"], rows["event"], names=["a"])
    one = outside_target(model, [[0.0]])
    with pytest.raises(ValueError, match="same columns"):
        standardise(model, one, states={"before": {}, "after": {"a": 1}}, days=[10])
    both = fit_cox(
        rows.select("a", c=pl.int_range(pl.len()) % 2).to_numpy(), rows["exit"], rows["event"], names=["a", "c"]
    )
    with pytest.raises(ValueError, match="same columns"):
        standardise(
            both, outside_target(both, [[0.0, 0.0]]), states={"before": {"a": 0}, "after": {"a": 1, "c": 0}}, days=[10]
        )
    with pytest.raises(ValueError, match="from_day on or after 0"):
        standardise(model, one, states=STATES, days=[10], from_day=-1)
    with pytest.raises(ValueError, match="at least 1"):
        standardise(model, one, states=STATES, days=[10], min_at_risk=0)
    with pytest.raises(ValueError, match="not in the fit: b"):
        standardise(model, one, states={"before": {"b": 1}}, days=[10])
    with pytest.raises(ValueError, match="on or after from_day"):
        standardise(model, one, states=STATES, days=[10], from_day=11)
    with pytest.raises(KeyError, match="day 11"):
        standardise(model, one, states=STATES, days=[10]).difference("after", "before", day=11)
    with pytest.raises(ValueError, match="finite value of each of a"):
        outside_target(model, [[np.nan]])
    with pytest.raises(ValueError, match="weights"):
        fitted_target(model, [0, 1], weights=[1, 0])
    none = cells((0, 0, 20, 2), (1, 0, 10, 0))
    separated = fit_cox(none.select("a").to_numpy(), none["exit"], none["event"], names=["a"])
    with pytest.raises(ValueError, match="did not converge"):
        standardise(separated, outside_target(separated, [[0.0]]), states=STATES, days=[10])
