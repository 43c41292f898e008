from dataclasses import replace

import adjusted_practice as sim
import numpy as np
import pytest

from pipeline.stats.cox import fit_cox
from pipeline.stats.phases import fit_phases
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise
from pipeline.stats.standardise_windows import Windows, standardise_windows
from pipeline.stats.stratum_hazard import thin_days

SPELLS = sim.practice(1500, 5, clinicians=4)
STATES = {"closed": [{"opened": 0.0}], "opened": [{"opened": 1.0}]}


@pytest.fixture(scope="module")
def fit():
    rows = SPELLS
    return fit_cox(
        rows.select(sim.NAMES).to_numpy(),
        rows["exit"],
        rows["event"],
        names=sim.NAMES,
        entry_days=np.where(rows["entry"].to_numpy() <= 0, -1, rows["entry"].to_numpy()),
        strata=rows["clinician"],
        cluster=rows["patient"],
    )


def test_one_start_for_all_and_one_phase_is_the_standardised_difference(fit):
    target = fitted_target(fit, np.ones(fit.n_rows, dtype=bool))
    wanted = standardise(fit, target, states=sim.STATES, day=1500, from_day=200, min_at_risk=90)
    found = standardise_windows(fit, target, start=200, days=[650, 1300], states=STATES, min_at_risk=90)
    thin = thin_days(fit, fit.design.sets.group_time, from_day=200, last_day=1500, min_at_risk=90)
    assert thin.any()  # some clinicians borrow, so that this is held too
    assert found.failure[:, -1] == pytest.approx(wanted.failure, rel=1e-12)
    assert found.pull == pytest.approx(wanted.influence, abs=1e-14)
    # As if every crown had its own start; a day less asked for moves the mean alone.
    own = standardise_windows(fit, target, start=np.full(fit.n_rows, 200), days=[1300], states=STATES, min_at_risk=90)
    assert own.pull == pytest.approx(found.pull, abs=1e-14)
    assert own.mean_pull == pytest.approx(-650 * own.pull, abs=1e-12)


def test_the_mean_time_is_the_area_above_the_curve_between_days_however_far_apart(fit):
    target, days = fitted_target(fit, np.arange(100)), [100, 300, 1000]
    found = standardise_windows(fit, target, start=100, days=days, states=STATES, min_at_risk=10)
    for shares, mean in zip(found.failure, found.mean_days, strict=True):
        lost = sum((b - a) * (p + q) / 2 for a, b, p, q in zip([0, 100, 300], days, [0, *shares], shares, strict=False))
        assert mean == pytest.approx(1000 - lost, rel=1e-12)


def test_crowns_with_starts_of_their_own_are_the_mean_of_those_with_one_start_each(fit):
    places = np.arange(40, 60)
    start = np.where(places < 50, 100, 700)
    # Without what a crown's own being there pulls, which is held to the mean of all it is averaged with.

    def shares(chosen: np.ndarray, since: np.ndarray | int) -> Windows:
        target = replace(fitted_target(fit, chosen), cluster=None)
        return standardise_windows(fit, target, start=since, days=[500], states=STATES, min_at_risk=10)

    own, halves = shares(places, start), [shares(places[start == day], day) for day in (100, 700)]
    assert own.failure == pytest.approx((halves[0].failure + halves[1].failure) / 2, rel=1e-12)
    assert own.pull == pytest.approx((halves[0].pull + halves[1].pull) / 2, abs=1e-15)


def test_phases_with_equal_ratios_change_nothing_and_a_turn_past_the_end_neither(fit):
    target = fitted_target(fit, np.arange(100))
    one = standardise_windows(fit, target, start=100, days=[400, 800], states=STATES, min_at_risk=10)
    twice = {name: [*phases, *phases] for name, phases in STATES.items()}
    for turn in (300, 5000):
        cut = standardise_windows(fit, target, start=100, days=[400, 800], states=twice, turns=[turn], min_at_risk=10)
        assert cut.failure == pytest.approx(one.failure, rel=1e-12)
        assert cut.mean_pull == pytest.approx(one.mean_pull, abs=1e-12)


def test_by_hand_with_two_phases():
    """Breslow on two failure days: exp(-H r), the ratio of the phase in which each lies.

    Before the turn 1 of 10 in the group fails (day 10) beside 1 of 20; after it (day 30) none of 9 and 2 of 19.
    """
    days = [10, *[40] * 9, 10, 30, 30, *[40] * 17]
    event = [True, *[False] * 9, True, True, True, *[False] * 17]
    group = [1.0] * 10 + [0.0] * 20
    fit = fit_cox(np.array(group)[:, None], days, event, names=["a"], ties="breslow", robust=True)
    at_day_10, at_day_30 = 2 / (20 + 10 * np.exp(fit.coef[0])), 2 / (19 + 9 * np.exp(fit.coef[0]))
    states = {"turned": [{"a": 1.0}, {"a": 0.0}], "never": [{"a": 0.0}, {"a": 0.0}]}
    found = standardise_windows(
        fit, fitted_target(fit, [0]), start=0, days=[20, 40], states=states, turns=[20], min_at_risk=1
    )
    ratio = np.exp(fit.coef[0])
    first = [1 - np.exp(-at_day_10 * ratio), 1 - np.exp(-at_day_10)]
    last = [1 - np.exp(-at_day_10 * ratio - at_day_30), 1 - np.exp(-at_day_10 - at_day_30)]
    assert found.failure[:, 0] == pytest.approx(first)
    assert found.failure[:, 1] == pytest.approx(last)
    # By the trapezoid rule: from 0 on day 0 to the first share on day 20, to the last on day 40.
    assert found.mean_days == pytest.approx([40 - 10 * f - 10 * (f + g) for f, g in zip(first, last, strict=True)])
    log, _ = found.log_hazard_ratio("turned", "never")
    assert np.exp(log) == pytest.approx((at_day_10 * ratio + at_day_30) / (at_day_10 + at_day_30))


def test_contrasts_and_their_errors_by_hand():
    # Two patients, who pull on one state each: errors add up as squares.
    found = Windows(
        states=("opened", "closed"),
        days=np.array([365, 730]),
        failure=np.array([[0.1, 0.2], [0.05, 0.1]]),
        pull=np.array([[0.03, 0.0], [0.0, 0.04]]),
        mean_days=np.array([700.0, 710.0]),
        mean_pull=np.array([[3.0, 0.0], [0.0, 4.0]]),
        crowns=2,
    )
    assert found.mean_difference("opened", "closed") == pytest.approx((-10, 5))
    assert found.mean_difference("closed", "opened") == pytest.approx((10, 5))
    # The slope of log(-log S) is 1 / (S log S).
    error = np.hypot(0.03 / (0.8 * np.log(0.8)), 0.04 / (0.9 * np.log(0.9)))
    assert found.log_hazard_ratio("opened", "closed") == pytest.approx((np.log(np.log(0.8) / np.log(0.9)), error))
    # Squared pulls of 9 and 16: as well known as from 25^2 / (9^2 + 16^2) patients who pull alike.
    assert found.carriers("opened", "closed") == pytest.approx(625 / 337)
    # One patient who pulls on both alike pulls on neither difference: an error of none is not known.
    alike = replace(found, pull=np.array([[0.03], [0.03]]), mean_pull=np.array([[3.0], [3.0]]))
    assert alike.carriers("opened", "closed") == 0
    assert np.isnan(alike.mean_difference("opened", "closed")[1])
    shared = replace(found, pull=np.array([[0.03], [0.04]]))
    both = abs(0.03 / (0.8 * np.log(0.8)) - 0.04 / (0.9 * np.log(0.9)))
    assert shared.log_hazard_ratio("opened", "closed")[1] == pytest.approx(both)


def test_failures_on_the_day_of_the_start_are_left_out_but_for_day_0():
    days, event = [0, 1, 1, 30, *[40] * 9], [True] * 4 + [False] * 9
    fit = fit_cox(np.arange(13.0)[:, None] % 2, days, event, names=["a"], entry_days=[-1] * 13, ties="breslow")
    ratio = np.exp(fit.coef[0])
    on_day_0, on_day_1, on_day_30 = 1 / (7 + 6 * ratio), 2 / (6 + 6 * ratio), 1 / (5 + 5 * ratio)
    shares = 1 - np.exp(-np.array([on_day_0 + on_day_1 + on_day_30, on_day_30, on_day_30]))
    states, three = {"all": [{"a": 0.0}]}, fitted_target(fit, [0, 1, 2])
    for start, share in zip((0, 1, 2), shares, strict=True):
        found = standardise_windows(fit, three, start=start, days=[38], states=states, min_at_risk=1)
        assert found.failure[0, 0] == pytest.approx(share)
    together = standardise_windows(fit, three, start=[0, 1, 2], days=[38], states=states, min_at_risk=1)
    assert together.failure[0, 0] == pytest.approx(shares.mean())


def test_the_errors_are_those_of_leaving_out_patients(fit):
    """Against differences of fits with a few patients' weight a little changed, which share no line with the pulls."""
    target_rows = np.arange(0, fit.n_rows, 7)
    rows = fit.design.rows
    opening = np.where(rows.x[:, 0] == 1, rows.entry, 0)
    whole = fit_phases(fit, "opened", start=opening, cuts=(365,))
    states = {"opened": whole.set_to(True, {}), "closed": whole.set_to(False, {})}

    def answer(weight):
        f = fit_cox(
            whole.fit.design.rows.x,
            whole.fit.design.rows.exit,
            whole.fit.design.rows.event,
            names=whole.fit.names,
            entry_days=whole.fit.design.rows.entry,
            strata=whole.fit.design.rows.strata,
            weights=weight,
            cluster=whole.fit.design.rows.cluster,
        )
        places = whole.piece[target_rows]
        target = fitted_target(f, places, weights=weight[places])
        return standardise_windows(f, target, start=150, days=[400, 900], states=states, turns=[365], min_at_risk=1)

    n = len(whole.fit.design.rows.exit)
    found, cluster = answer(np.ones(n)), whole.fit.design.rows.cluster
    step = 1e-3
    for patient in (0, 3, 200):
        up, down = (answer(np.where(cluster == patient, 1 + sign * step, 1.0)) for sign in (1, -1))
        assert (up.failure[:, -1] - down.failure[:, -1]) / (2 * step) == pytest.approx(
            found.pull[:, patient], rel=1e-3, abs=1e-9
        )
        assert (up.mean_days - down.mean_days) / (2 * step) == pytest.approx(
            found.mean_pull[:, patient], rel=1e-3, abs=1e-6
        )


def test_phases_cut_rows_where_they_say():
    # One opened on day 5 and followed to day 40, cut after 10 days; one opened on day 30, gone by day 35; one gone on
    # the day of the cut, which is whole; two not opened.
    fit = fit_cox(
        [[0.0], [1.0], [1.0], [0.0], [1.0], [1.0]],
        [50, 40, 35, 60, 12, 30],
        [True, True, False, True, True, False],
        names=["opened"],
        entry_days=[-1, 5, 30, -1, 5, 20],
    )
    found = fit_phases(fit, "opened", start=[0, 5, 30, 0, 5, 20], cuts=(10,))
    rows = found.fit.design.rows
    told = sorted(zip(*rows.x.T.tolist(), rows.entry.tolist(), rows.exit.tolist(), rows.event.tolist(), strict=True))
    assert told == [
        (0, 0, -1, 50, True),
        (0, 0, -1, 60, True),
        (0, 1, 15, 40, True),
        (1, 0, 5, 12, True),
        (1, 0, 5, 15, False),
        (1, 0, 20, 30, False),
        (1, 0, 30, 35, False),
    ]
    assert found.names == ("opened_0", "opened_1")
    assert found.failures == (1, 1)
    assert found.set_to(True, {"other": 2.0}) == [
        {"opened_0": 1, "opened_1": 0, "other": 2},
        {"opened_0": 0, "opened_1": 1, "other": 2},
    ]
    assert found.set_to(False, {}) == 2 * [{"opened_0": 0, "opened_1": 0}]


def test_of_crowns_that_start_on_other_days_the_last_day_of_the_last_counts(fit):
    # As many start on day 200 as on day 500: clinicians with few left by day 1800 borrow up to then.
    crowns = np.arange(fit.n_rows)
    starts = np.where(crowns % 2 == 0, 200, 500)
    given = {"days": [1300], "states": STATES, "min_at_risk": 90}
    both = standardise_windows(fit, fitted_target(fit, crowns), start=starts, **given)
    alone = [
        standardise_windows(fit, fitted_target(fit, crowns[starts == day]), start=day, **given) for day in (200, 500)
    ]
    many = [np.count_nonzero(starts == day) for day in (200, 500)]
    assert both.failure == pytest.approx(np.average([one.failure for one in alone], axis=0, weights=many), rel=1e-3)
