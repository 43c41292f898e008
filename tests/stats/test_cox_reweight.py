import adjusted_practice as sim
import numpy as np
import pytest

from pipeline.stats.cox import fit_cox
from pipeline.stats.cox_kernel import build_risk_sets
from pipeline.stats.cox_reweight import refit, reweight


def whole(values):
    return np.asarray(values, dtype=float)


def test_a_weight_of_0_takes_a_tied_event_out_of_its_tie():
    # Two of three rows fail on day 1; without the second there is one failure among two.
    exit_, event = whole([1, 1, 2]), np.array([True, True, False])
    sets = build_risk_sets(
        exit_, event, entry=np.full(3, -np.inf), strata=np.zeros(3, dtype=int), weight=np.ones(3), ties="efron"
    )
    assert sets.step_share.tolist() == [0, 1 / 2]
    alone = reweight(sets, whole([1, 0, 1]), ties="efron")
    assert alone.step_share.tolist() == [0]
    assert alone.step_weight.tolist() == [1]
    double = reweight(sets, whole([2, 1, 1]), ties="efron")
    assert double.step_weight.tolist() == [1.5, 1.5]


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_equal_to_a_fit_of_the_rows_drawn(ties):
    rows = sim.practice(400, 8, clinicians=3).with_columns(exit=(sim.pl.col("exit") + 99) // 100 * 100)
    rows = rows.filter(sim.pl.col("entry") < sim.pl.col("exit"))
    model = sim.fit(rows, strata=rows["clinician"], ties=ties)
    counts = np.random.default_rng(1).integers(0, 3, model.n_clusters)
    weight = counts[model.design.rows.cluster].astype(float)
    again = refit(model.design, weight, model.coef * model.design.scale)
    drawn = rows.filter(weight > 0)
    afresh = fit_cox(
        drawn.select(sim.NAMES).to_numpy(),
        drawn["exit"],
        drawn["event"],
        names=sim.NAMES,
        entry_days=drawn["entry"],
        strata=drawn["clinician"],
        weights=weight[weight > 0],
        ties=ties,
    )
    assert again.status == "converged"
    assert again.beta / model.design.scale == pytest.approx(afresh.coef, abs=1e-9)
    hazard = again.at.h[again.sets.group_events > 0]
    center = (model.design.center - afresh.design.center) @ afresh.coef
    assert hazard == pytest.approx(afresh.at_estimate.h * np.exp(center), rel=1e-8)


def test_a_level_without_failures_is_called_separated():
    x = whole([0, 1, 0, 1, 0, 1])[:, None]
    model = fit_cox(x, [1, 2, 3, 4, 5, 6], [1, 1, 1, 1, 0, 0], names=["a"])
    start = model.coef * model.design.scale
    weight = whole([1, 0, 1, 0, 1, 1])
    assert refit(model.design, weight, start).status == "separated"


def test_draws_without_a_failure_fail_and_a_level_not_drawn_is_left_where_it_was():
    x = whole([[0, 0], [1, 0], [0, 0], [1, 0], [0, 1], [1, 1]])
    model = fit_cox(x, [1, 2, 3, 4, 5, 6], [1, 1, 1, 1, 1, 0], names=["a", "b"])
    start = model.coef * model.design.scale
    assert refit(model.design, whole([0, 0, 0, 0, 0, 1]), start).status == "failed"
    again = refit(model.design, whole([1, 1, 1, 1, 0, 0]), start)
    assert again.status == "converged"
    assert again.beta[1] == start[1]
    alone = fit_cox(x[:4, :1], [1, 2, 3, 4], [1, 1, 1, 1], names=["a"])
    assert again.beta[0] / model.design.scale[0] == pytest.approx(alone.coef[0], abs=1e-6)
