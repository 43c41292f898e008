import adjusted_practice as sim
import numpy as np
import pytest

from pipeline.stats.standard_target import outside_target
from pipeline.stats.standardise import standardise
from pipeline.stats.standardise_bootstrap import bootstrap_standardised, resampled

DAY = 1826


def standardised(rows, **options):
    model = sim.fit(rows, strata=rows["clinician"])
    return model, standardise(model, sim.everyone(model, rows), states=sim.STATES, days=[DAY], **options)


@pytest.mark.thorough
def test_error_from_the_pulls_is_that_of_the_bootstrap():
    model, estimate = standardised(sim.practice(1500, 3, clinicians=3))
    found = bootstrap_standardised(model, estimate, replicates=600, seed=2)
    limits = found.difference("opened", "closed", day=DAY)
    quick = estimate.difference("opened", "closed", day=DAY)
    # 600 replicates give a standard deviation to within 3% (one standard error).
    assert limits.std_error == pytest.approx(quick.std_error, rel=0.10)
    assert (limits.low, limits.high) == pytest.approx((quick.low, quick.high), abs=0.25 * quick.std_error)
    percentile = found.difference("opened", "closed", day=DAY, kind="percentile")
    assert (percentile.low, percentile.high) == pytest.approx((quick.low, quick.high), abs=0.25 * quick.std_error)
    assert found.replicates.words == {"converged": 600}


@pytest.mark.thorough
def test_neither_workers_nor_row_order_change_a_replicate():
    rows = sim.practice(200, 4, clinicians=2)
    model, estimate = standardised(rows)
    here, there = (
        bootstrap_standardised(model, estimate, replicates=50, seed=9, workers=workers).replicates for workers in (1, 2)
    )
    assert here.values == pytest.approx(there.values, abs=1e-9)
    assert here.words == there.words
    shuffled = bootstrap_standardised(
        *standardised(rows.sample(fraction=1, shuffle=True, seed=5)), replicates=50, seed=9
    ).replicates
    assert here.values == pytest.approx(shuffled.values, abs=1e-9)
    other = bootstrap_standardised(model, estimate, replicates=50, seed=10).replicates
    assert np.abs(here.values - other.values).max() > 0.01


def test_a_replicate_is_a_fit_of_the_patients_drawn():
    rows = sim.practice(300, 6, clinicians=2)
    model, estimate = standardised(rows)
    counts = np.random.default_rng(2).integers(0, 3, model.n_clusters)
    patients = np.unique(rows["patient"])
    times = counts[np.searchsorted(patients, rows["patient"])]
    drawn = rows.with_columns(times=times).filter(sim.pl.col("times") > 0)
    afresh = sim.fit(drawn, strata=drawn["clinician"], weights=drawn["times"])
    first = drawn["crown"].is_first_distinct().to_numpy()
    target = sim.fitted_target(afresh, first, weights=drawn["times"].to_numpy()[first])
    expected = standardise(afresh, target, states=sim.STATES, days=[DAY])
    assert resampled(model, estimate)(counts)[0] == pytest.approx(expected.failure, abs=1e-7)


def test_a_state_without_failures_among_those_drawn_counts_at_its_limit():
    rows = sim.practice(200, 7)
    model = sim.fit(rows)
    estimate = standardise(model, sim.everyone(model, rows), states=sim.STATES, days=[DAY])
    failing = rows.filter((sim.pl.col("opened") == 1) & sim.pl.col("event"))["patient"].unique()
    counts = (~np.isin(np.unique(rows["patient"]), failing)).astype(int)
    shares, word = resampled(model, estimate)(counts)
    assert word == "separated"
    assert shares[1, 0] < 1e-6 < shares[0, 0]


def test_a_fixed_target_stays_and_an_empty_draw_fails():
    rows = sim.practice(200, 7)
    model = sim.fit(rows)
    fixed = standardise(model, outside_target(model, [[0, 1, 0.5]]), states=sim.STATES, days=[DAY])
    own = standardise(model, sim.everyone(model, rows), states=sim.STATES, days=[DAY])
    nobody = np.zeros(model.n_clusters)
    for estimate in (fixed, own):
        shares, word = resampled(model, estimate)(nobody)
        assert word == "failed"
        assert np.isnan(shares).all()
    assert resampled(model, fixed)(np.ones(model.n_clusters))[0] == pytest.approx(fixed.failure, abs=1e-12)
