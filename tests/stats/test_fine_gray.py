from fractions import Fraction

import numpy as np
import pytest
from cox_reference import dataset, expected

from pipeline.stats.cox import CoxInputError, fit_cox
from pipeline.stats.fine_gray import fit_fine_gray, weighted_rows

NAMES = ["age", "male", "mspike"]


def test_monoclonal_gammopathy_equals_r():
    rows = dataset("mgus2_fg")
    fit = fit_fine_gray(rows.select(NAMES).to_numpy(), rows["etime"], rows["event"], names=NAMES)
    r = expected("finegray", "mgus2_cluster")
    assert (fit.n_rows, fit.n_events) == (r["n"], r["nevent"])
    assert fit.coef == pytest.approx(r["coef"], abs=1e-11)
    assert fit.se() == pytest.approx(r["se"], rel=1e-10)
    assert fit.loglik == pytest.approx(r["loglik"][1], abs=1e-9)
    # As printed in the survival package's vignette "compete".
    assert fit.coef == pytest.approx([-0.017, -0.213, 0.888], abs=5e-4)


def test_weights_by_hand():
    # Day 2 competing, 3 and 5 censored, 4 and 6 failed. Still uncensored after day 3: 3/4 (four at risk); after day 5:
    # 3/4 * 1/2. The competing row stays with weight 1 to day 3, 3/4 to day 5 (failure on day 4), 3/8 to day 6.
    got = weighted_rows([2, 3, 4, 5, 6], [2, 0, 1, 0, 1])
    pieces = list(zip(got.row, got.start, got.stop, got.event, strict=True))
    assert pieces == [
        (0, 0, 3, False),
        (0, 3, 5, False),
        (0, 5, 6, False),
        (1, 0, 3, False),
        (2, 0, 4, True),
        (3, 0, 5, False),
        (4, 0, 6, True),
    ]
    expected_weights = [1, Fraction(3, 4), Fraction(3, 8), 1, 1, 1, 1]
    assert got.weight == pytest.approx([float(weight) for weight in expected_weights])


def test_on_one_day_a_censoring_comes_after_the_events():
    # Day 3: a failure and a censoring. The one at risk of censoring besides is the row of day 4: 1 - 1/2.
    got = weighted_rows([2, 3, 3, 4], [2, 1, 0, 1])
    mine = got.row == 0
    assert got.stop[mine].tolist() == [3, 4]
    assert got.weight[mine].tolist() == [1, 0.5]


def test_late_entry_by_hand():
    # Backwards, at day 3 four rows are there or still to come down to it (exits 5, 6, 7, 8) and one of them enters:
    # the chance of having entered before day 3 is 3/4, from day 3 on 1. The competing event of day 2 then weighs
    # 1 up to day 3 and 4/3 after it; nobody is censored before the end.
    got = weighted_rows([2, 5, 6, 7, 8], [2, 1, 1, 1, 1], entry_days=[0, 0, 0, 0, 3])
    mine = got.row == 0
    assert got.start[mine].tolist() == [0, 3]
    assert got.stop[mine].tolist() == [3, 8]
    assert got.weight[mine] == pytest.approx([1, 4 / 3])


def test_without_competing_events_it_is_the_ordinary_model():
    rng = np.random.default_rng(4)
    x, days, failed = rng.normal(size=(80, 2)), rng.integers(1, 30, 80), rng.integers(0, 2, 80)
    fine_gray = fit_fine_gray(x, days, failed, names=["a", "b"])
    ordinary = fit_cox(x, days, failed == 1, names=["a", "b"], robust=True)
    assert fine_gray.coef == pytest.approx(ordinary.coef)
    assert fine_gray.se() == pytest.approx(ordinary.se())


def test_without_censoring_a_competing_row_stays_to_the_end_whole():
    rng = np.random.default_rng(8)
    x, days, status = rng.normal(size=(60, 1)), rng.integers(1, 30, 60), rng.integers(1, 3, 60)
    fine_gray = fit_fine_gray(x, days, status, names=["a"])
    never = fit_cox(x, np.where(status == 2, 99, days), status == 1, names=["a"], robust=True)
    assert fine_gray.coef == pytest.approx(never.coef)
    assert fine_gray.se() == pytest.approx(never.se())


def test_row_order_and_clusters():
    rng = np.random.default_rng(6)
    x, days, status = rng.normal(size=(90, 2)), rng.integers(1, 20, 90), rng.integers(0, 3, 90)
    patient, order = rng.integers(0, 40, 90), rng.permutation(90)
    one = fit_fine_gray(x, days, status, names=["a", "b"], cluster=patient)
    other = fit_fine_gray(x[order], days[order], status[order], names=["a", "b"], cluster=patient[order])
    assert one.n_clusters == len(np.unique(patient))
    assert one.coef == pytest.approx(other.coef, abs=1e-10)
    assert one.se() == pytest.approx(other.se(), rel=1e-9)


def test_a_censoring_stratum_without_failures_keeps_its_rows_at_risk():
    got = weighted_rows([2, 3, 4, 5], [1, 2, 1, 1], censoring_strata=["a", "b", "a", "a"])
    assert got.stop[got.row == 1].max() == 5


def test_bad_status_is_refused():
    with pytest.raises(CoxInputError, match="1 of 3 rows have a status"):
        weighted_rows([1, 2, 3], [0, 1, 3])
    with pytest.raises(CoxInputError, match="None of 3 rows has an event"):
        weighted_rows([1, 2, 3], [0, 2, 0])
