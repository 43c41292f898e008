"""What must hold for any rows: order, time scale, weights as copies, and stretches that touch."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.kaplan_meier import kaplan_meier, survival_influence

ROW = st.tuples(
    st.integers(0, 12), st.integers(1, 12), st.booleans(), st.integers(0, 4), st.sampled_from([0.3, 1, 1.7])
)
ROWS = st.lists(ROW, min_size=2, max_size=40)


def columns(rows):
    entry, length, event, cluster, weight = (np.array(column) for column in zip(*rows, strict=True))
    return {"exit_days": entry + length, "event": event, "entry_days": entry, "cluster": cluster, "weights": weight}


def assert_equal_curves(one, other):
    for name in ("time", "survival", "std_error", "low", "high", "at_risk", "rows_at_risk"):
        left, right = getattr(one, name), getattr(other, name)
        np.testing.assert_allclose(left, right, rtol=0, atol=0, equal_nan=True, err_msg=name)


@given(ROWS, st.randoms(use_true_random=False))
@settings(deadline=None)
def test_row_order_changes_nothing_at_all(rows, random):
    shuffled = rows[:]
    random.shuffle(shuffled)
    for keep in (("weights", "cluster"), ("cluster",), ("weights",), ()):
        curves = [
            kaplan_meier(**{k: v for k, v in columns(r).items() if k not in ("weights", "cluster") or k in keep})
            for r in (rows, shuffled)
        ]
        assert_equal_curves(*curves)


@given(ROWS)
@settings(deadline=None)
def test_time_scale_moves_days_only(rows):
    plain = columns(rows)
    # Far enough apart that days are found by bisection rather than in a table.
    stretched = {**plain, "exit_days": plain["exit_days"] * 10**6, "entry_days": plain["entry_days"] * 10**6}
    one, other = kaplan_meier(**plain), kaplan_meier(**stretched)
    assert (one.time * 10**6 == other.time).all()
    assert one.survival.tolist() == other.survival.tolist()
    np.testing.assert_array_equal(one.std_error, other.std_error)


@given(ROWS)
@settings(deadline=None)
def test_a_weight_of_two_is_the_row_twice_in_its_cluster(rows):
    plain = columns(rows)
    doubled = {key: np.concatenate((value, value)) for key, value in plain.items()}
    doubled["weights"] = np.ones(2 * len(rows))
    one = kaplan_meier(**{**plain, "weights": np.full(len(rows), 2.0)})
    other = kaplan_meier(**doubled)
    assert one.survival == pytest.approx(other.survival, abs=1e-12)
    # Squares, since the root of a variance that is 0 but for rounding keeps half the digits.
    np.testing.assert_allclose(one.std_error**2, other.std_error**2, rtol=0, atol=1e-14, equal_nan=True)


@given(ROWS, st.floats(1e-3, 1e3))
@settings(deadline=None)
def test_only_the_ratios_of_weights_matter(rows, factor):
    plain = columns(rows)
    one, other = kaplan_meier(**plain), kaplan_meier(**{**plain, "weights": plain["weights"] * factor})
    np.testing.assert_allclose(one.survival, other.survival, rtol=0, atol=1e-10)
    np.testing.assert_allclose(one.std_error**2, other.std_error**2, rtol=0, atol=1e-12, equal_nan=True)


@given(ROWS, st.integers(1, 23))
@settings(deadline=None)
def test_cutting_a_tooth_in_two_stretches_changes_nothing(rows, cut):
    plain = columns(rows)
    split = (plain["entry_days"] < cut) & (cut < plain["exit_days"])
    parts = {key: np.concatenate((value, value[split])) for key, value in plain.items()}
    parts["entry_days"][len(rows) :] = cut
    parts["exit_days"][np.flatnonzero(split)] = cut
    parts["event"][np.flatnonzero(split)] = False
    # Told apart from its other half by nothing but the patient, the tooth still pulls as one.
    del parts["weights"], plain["weights"]
    one, other = kaplan_meier(**plain), kaplan_meier(**parts)
    assert other.at(one.time).survival == pytest.approx(one.survival, abs=1e-12)
    days = one.time
    errors = one.at(days).std_error, other.at(days).std_error
    np.testing.assert_allclose(errors[0] ** 2, errors[1] ** 2, rtol=0, atol=1e-14, equal_nan=True)


@given(ROWS)
@settings(deadline=None)
def test_without_late_entry_the_pulls_of_single_rows_are_greenwood(rows):
    plain = columns(rows)
    for option in ("entry_days", "cluster", "weights"):
        del plain[option]
    curve = kaplan_meier(**plain)
    pulls = survival_influence(days=curve.time, **plain).values
    known = curve.survival > 0
    np.testing.assert_allclose(np.sqrt((pulls**2).sum(axis=0))[known], curve.std_error[known], atol=1e-9)


@given(ROWS)
@settings(deadline=None)
def test_influence_is_the_slope_of_the_curve_in_the_weight(rows):
    plain = columns(rows)
    pulls = survival_influence(days=[8], **plain)
    for number, label in enumerate(pulls.units):
        nudge = np.where(plain["cluster"] == label, 1e-6, 0.0) * plain["weights"]
        up = kaplan_meier(**{**plain, "weights": plain["weights"] + nudge}).at([8]).survival[0]
        down = kaplan_meier(**{**plain, "weights": plain["weights"] - nudge}).at([8]).survival[0]
        if not np.isnan(up):
            assert pulls.values[number, 0] == pytest.approx((up - down) / 2e-6, abs=1e-7)
