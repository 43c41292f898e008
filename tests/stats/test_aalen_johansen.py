"""Cumulative incidence: by hand in fractions, against R's multi-state survfit and cmprsk, and for any rows."""

from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from curve_reference import CURVES, ERRORS, assert_same, dataset, expected
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.aalen_johansen import Incidence, aalen_johansen
from pipeline.stats.kaplan_meier import kaplan_meier

YEARS = 365 * np.arange(1, 11)
CAUSES = {"censored": 0, "death": 1, "ltx": 2, "withdraw": 3}


def groups(name: str) -> list[dict]:
    """One set of columns per curve of a reference."""
    if name == "transplant_O":
        rows = dataset("transplant").filter(pl.col("abo") == "O")
        return [{"exit_days": rows["futime"], "cause": rows["event"].replace_strict(CAUSES)}]
    if name.startswith("mgus2"):
        rows = dataset("mgus2_cr")
        parts = [rows.filter(pl.col("sex") == sex) for sex in "FM"] if name == "mgus2_sex" else [rows]
        return [{"exit_days": part["etime"], "cause": part["event"]} for part in parts]
    parts = [dataset("sim").filter(pl.col("grp") == group) for group in (0, 1)]
    entry = [{} if name == "sim_noentry" else {"entry_days": part["start"], "cluster": part["pid"]} for part in parts]
    return [{"exit_days": part["stop"], "cause": part["ev"], **more} for part, more in zip(parts, entry, strict=True)]


def test_by_hand_with_ties_and_a_failure_on_day_0():
    # Day 0: one of five has cause 1. Day 2: of four, one each of cause 1 and 2. Day 3: one follow-up ends.
    curve = aalen_johansen([0, 2, 2, 3, 4], [1, 1, 2, 0, 1])
    assert curve.time.tolist() == [0, 2, 3, 4]
    assert curve.incidence[0].tolist() == pytest.approx([1 / 5, 2 / 5, 2 / 5, 4 / 5])
    assert curve.incidence[1].tolist() == pytest.approx([0, 1 / 5, 1 / 5, 1 / 5])
    assert curve.event_free.tolist() == pytest.approx([4 / 5, 2 / 5, 2 / 5, 0])
    assert curve.at([0]).incidence[0, 0] == pytest.approx(1 / 5)


def test_what_is_said_before_the_first_event_and_past_the_last_day():
    columns = {"exit_days": [5, 6, 9], "cause": [1, 2, 0], "from_day": 3}
    points = aalen_johansen(**columns).at([2, 3, 4, 5, 9, 10])
    assert np.isnan(points.incidence[0]).tolist() == [True, False, False, False, False, True]
    assert points.incidence[0][1:5].tolist() == pytest.approx([0, 0, 1 / 3, 1 / 3])
    assert points.event_free[1:5].tolist() == pytest.approx([1, 1, 2 / 3, 1 / 3])
    assert points.std_error[0][1:4].tolist() == pytest.approx([0, 0, np.sqrt(2) / 3 / np.sqrt(3)])
    # A share of 0 has no limits on the log-log scale.
    assert np.isnan(points.low[0][1:3]).all()
    # Where all have had an event nothing can change any more.
    assert aalen_johansen([5, 6], [1, 2]).at([99]).incidence[:, 0].tolist() == [1 / 2, 1 / 2]


def test_by_hand_with_late_entry():
    # Exits 2 4 6 8 9 10, causes 1 2 1 2 1 -, entries 0 0 0 4 6 6: at risk 3, 2, 2, 3, 2, 1.
    curve = aalen_johansen([2, 4, 6, 8, 9, 10], [1, 2, 1, 2, 1, 0], entry_days=[0, 0, 0, 4, 6, 6])
    assert curve.at_risk.tolist() == [3, 2, 2, 3, 2, 1]
    # 1/3; then 2/3 * 1/2 free, of which half on day 6; then 1/6 free, 2/3 of it left on day 8, half of that on day 9.
    day_9 = Fraction(1, 3) + Fraction(1, 3) / 2 + Fraction(1, 6) * Fraction(2, 3) / 2
    assert day_9 == Fraction(5, 9)
    assert curve.at([9]).incidence[0, 0] == pytest.approx(float(day_9), abs=CURVES)


def test_error_by_hand():
    # One cause-1 event among three on day 1: the share is 1/3 and the pulls are 2/9, -1/9, -1/9.
    curve = aalen_johansen([1, 2, 2], [1, 0, 0])
    assert curve.std_error[0, 0] ** 2 == pytest.approx(6 / 81)
    # Day 1 cause 2 of four rows, day 2 cause 1 of three: F1 = 3/4 * 1/3. A row's pull is its pull on 3/4 times 1/3
    # and 3/4 of its pull on 1/3.
    error = aalen_johansen([1, 2, 3, 3], [2, 1, 0, 0]).at([2]).std_error[0, 0]
    first = [Fraction(-3, 16), Fraction(1, 16), Fraction(1, 16), Fraction(1, 16)]
    second = [Fraction(0), Fraction(2, 9), Fraction(-1, 9), Fraction(-1, 9)]
    pulls = [a / 3 + Fraction(3, 4) * b for a, b in zip(first, second, strict=True)]
    assert error**2 == pytest.approx(float(sum(pull**2 for pull in pulls)))


@pytest.mark.parametrize("name", ["mgus2", "mgus2_loglog", "mgus2_sex", "transplant_O", "sim_noentry", "sim_entry"])
def test_equals_r(name):
    """The reference with `cluster=` is not used: survival 3.5-3 ignores it for several states; see the next test."""
    reference = expected("aj")[name]
    for number, columns in enumerate(groups(name)):
        columns.pop("cluster", None)
        size = len(reference["time"]) // len(groups(name))
        rows = slice(number * size, (number + 1) * size)
        curve = aalen_johansen(**columns)
        points = curve.at(reference["time"][rows])
        for key, ours, tolerance in (
            ("pstate", points.incidence, CURVES),
            ("std.err", points.std_error, ERRORS),
            ("lower", points.low, ERRORS),
            ("upper", points.high, ERRORS),
        ):
            if key in ("lower", "upper") and reference["conf.type"] != "log-log":
                continue
            theirs = np.array(reference[key][rows], dtype=float)
            assert_same(ours.T, theirs[:, 1:], tolerance)
            if key == "pstate":
                assert_same(points.event_free, theirs[:, 0], tolerance)
            if key == "std.err":
                last = np.searchsorted(curve.time, points.days, side="right") - 1
                assert_same(curve.event_free_std_error[last], theirs[:, 0], tolerance)


@pytest.mark.parametrize("number", [0, 1])
def test_clustered_error_equals_the_influence_matrix_of_r(number):
    reference = expected("aj")[f"sim_entry_cluster_IJ_grp{number}"]
    columns = groups("sim_entry")[number]
    clustered = aalen_johansen(**columns).at(YEARS)
    assert_same(clustered.std_error, [reference["cluster1"], reference["cluster2"]], ERRORS)
    assert aalen_johansen(**columns).n_units < len(columns["cause"])
    del columns["cluster"]
    assert_same(aalen_johansen(**columns).at(YEARS).std_error, [reference["naive1"], reference["naive2"]], ERRORS)


@pytest.mark.parametrize("name", ["mgus2_sex", "sim"])
def test_estimates_equal_cmprsk(name):
    """Its variances are not compared: cuminc uses another formula, 2% off at 300 months in mgus2."""
    reference = expected("cuminc")[name]
    curves = [aalen_johansen(**columns) for columns in groups("mgus2_sex" if name == "mgus2_sex" else "sim_noentry")]
    for row, estimates in zip(reference["rows"], reference["est"], strict=True):
        label, cause = row.split()
        points = curves["FM".index(label) if name == "mgus2_sex" else int(label)].at(reference["times"])
        theirs = [estimates[str(time)] for time in reference["times"]]
        assert_same(points.incidence[int(cause) - 1], theirs, CURVES)


def test_days_lost_under_the_curve_equal_r_and_the_published_table():
    """Vignette `compete` of the R package survival, mgus2: years of the first 20 after malignancy 1.3233 (women),
    1.0647 (men), after death 8.8231 and 10.2603.
    """
    table = expected("worked")["mgus2_aj_rmean240"]
    for columns, sex in zip(groups("mgus2_sex"), "FM", strict=True):
        lost = area(aalen_johansen(**columns), 240)
        for ours, state in zip(lost, ("pcm", "death"), strict=True):
            theirs = next(row["rmean"] for row in table if row["_row"] == f"sex={sex}, {state}")
            assert ours == pytest.approx(theirs, rel=CURVES)
    women = area(aalen_johansen(**groups("mgus2_sex")[0]), 240) / 12
    assert women.round(4).tolist() == [1.3233, 8.8231]


def area(curve: Incidence, horizon: int) -> np.ndarray:
    edges = np.minimum(np.append(curve.time, max(horizon, curve.time[-1])), horizon)
    return curve.incidence @ np.diff(edges)


def test_weights_scale_away():
    columns = groups("sim_entry")[0]
    weight = dataset("sim").filter(pl.col("grp") == 0)["w"]
    one, other = (aalen_johansen(**columns, weights=weight * factor).at(YEARS) for factor in (1, 0.001))
    assert one.incidence == pytest.approx(other.incidence, abs=CURVES)
    assert one.std_error == pytest.approx(other.std_error, abs=ERRORS)


def test_causes_that_do_not_occur_keep_their_line():
    assert aalen_johansen([3, 5], [1, 0], n_causes=3).incidence.shape == (3, 2)
    with pytest.raises(ValueError, match="above n_causes"):
        aalen_johansen([3, 5], [2, 0], n_causes=1)


def test_from_day_is_conditional():
    columns = groups("mgus2")[0]
    whole, later = aalen_johansen(**columns), aalen_johansen(**columns, from_day=60)
    start, end = whole.at([60]), whole.at([240])
    conditional = (end.incidence - start.incidence) / start.event_free
    assert later.at([240]).incidence == pytest.approx(conditional, abs=CURVES)
    assert np.isnan(later.at([59]).incidence).all()


ROW = st.tuples(
    st.integers(0, 12), st.integers(1, 12), st.integers(0, 2), st.integers(0, 4), st.sampled_from([0.3, 1, 1.7])
)
ROWS = st.lists(ROW, min_size=2, max_size=40)


def columns_of(rows):
    entry, length, cause, cluster, weight = (np.array(column) for column in zip(*rows, strict=True))
    return {"exit_days": entry + length, "cause": cause, "entry_days": entry, "cluster": cluster, "weights": weight}


@given(ROWS, st.randoms(use_true_random=False))
@settings(deadline=None)
def test_row_order_changes_nothing_at_all(rows, random):
    shuffled = rows[:]
    random.shuffle(shuffled)
    one, other = (aalen_johansen(**columns_of(these), n_causes=2) for these in (rows, shuffled))
    for name in ("incidence", "std_error", "low", "high", "event_free", "event_free_std_error"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


@given(ROWS)
@settings(deadline=None)
def test_shares_add_to_one_and_the_event_free_share_is_kaplan_meier(rows):
    data = columns_of(rows)
    curve = aalen_johansen(**data, n_causes=2)
    assert curve.incidence.sum(axis=0) + curve.event_free == pytest.approx(np.ones(len(curve.time)), abs=1e-12)
    plain = kaplan_meier(event=data.pop("cause") > 0, **data)
    # Weights leave cause by cause here and all at once there: the sums may differ in the last bit.
    np.testing.assert_allclose(curve.event_free, plain.survival, rtol=0, atol=1e-14)
    np.testing.assert_allclose(curve.event_free_std_error**2, plain.std_error**2, rtol=0, atol=1e-13)


@given(ROWS)
@settings(deadline=None)
def test_one_cause_alone_is_one_minus_kaplan_meier(rows):
    data = columns_of(rows)
    data["cause"] = (data["cause"] > 0).astype(int)
    curve = aalen_johansen(**data)
    plain = kaplan_meier(event=data.pop("cause"), **data)
    assert 1 - curve.incidence[0] == pytest.approx(plain.survival, abs=1e-12)
    known = plain.survival > 0
    np.testing.assert_allclose(curve.std_error[0][known] ** 2, plain.std_error[known] ** 2, rtol=0, atol=1e-13)


def test_past_the_last_day_a_curve_is_known_if_nobody_was_left_and_one_tooth_alone_has_one():
    for events, known in (([1, 1, 1], True), ([1, 1, 0], False)):
        found = aalen_johansen([10, 20, 30], events).at([30, 40])
        assert found.incidence.shape == (1, 2)  # a line for each cause that there is
        assert np.isfinite(found.incidence[0]).tolist() == [True, known]
        assert found.event_free[0] == pytest.approx(0 if known else 1 / 3)
    alone = aalen_johansen([10], [1])
    assert (alone.incidence.tolist(), alone.event_free.tolist()) == ([[1.0]], [0.0])
