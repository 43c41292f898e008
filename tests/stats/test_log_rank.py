"""Log-rank tests: by hand in fractions, against R, against lifelines, and what must hold for any rows."""

from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from curve_reference import ERRORS, dataset, expected
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines.statistics import multivariate_logrank_test

from pipeline.stats.log_rank import clustered_log_rank, log_rank

FH = {"weighting": "fleming-harrington"}
SIM = {"exit_days": "stop", "event": pl.col("ev") == 1, "group": "grp"}
GEHAN = {"exit_days": "time", "event": "cens", "group": "treat"}
CASES = {
    "gehan": ("gehan", GEHAN, {}),
    "gehan_peto": ("gehan", GEHAN, {**FH, "p": 1}),
    "gehan_gehan": ("gehan", GEHAN, {"weighting": "gehan"}),
    "gehan_tw": ("gehan", GEHAN, {"weighting": "tarone-ware"}),
    "gehan_fh01": ("gehan", GEHAN, {**FH, "q": 1}),
    "gehan_fh10": ("gehan", GEHAN, {**FH, "p": 1}),
    "gehan_fh11": ("gehan", GEHAN, {**FH, "p": 1, "q": 1}),
    "lung_sex": ("lung", {"exit_days": "time", "event": pl.col("status") == 2, "group": "sex"}, {}),
    "lung_sex_strata_inst": (
        "lung",
        {"exit_days": "time", "event": pl.col("status") == 2, "group": "sex", "strata": "ph.ecog"},
        {},
    ),
    "veteran_celltype": ("veteran", {"exit_days": "time", "event": "status", "group": "celltype"}, {}),
    "veteran_trt_strata": (
        "veteran",
        {"exit_days": "time", "event": "status", "group": "trt", "strata": "celltype"},
        {},
    ),
    "sim": ("sim", SIM, {}),
    "sim_strata": ("sim", {**SIM, "strata": "arch"}, {}),
    "sim_rho1": ("sim", SIM, {**FH, "p": 1}),
    "sim_fh01": ("sim", SIM, {**FH, "q": 1}),
    "sim_fh11": ("sim", SIM, {**FH, "p": 1, "q": 1}),
    "sim_gehan": ("sim", SIM, {"weighting": "gehan"}),
    "sim_tw": ("sim", SIM, {"weighting": "tarone-ware"}),
    "sim_entry": ("sim", {**SIM, "entry_days": "start"}, {}),
    "sim_entry_strata": ("sim", {**SIM, "entry_days": "start", "strata": "arch"}, {}),
    "channing_entry": (
        "channing",
        {"exit_days": "age", "event": "death", "group": "gender", "entry_days": "ageentry"},
        {},
    ),
    "rats_naive": ("rats", {"exit_days": "time", "event": "status", "group": "rx"}, {}),
    "rossi_fin": ("rossi", {"exit_days": "week", "event": "arrest", "group": "fin"}, {}),
    "bmt_logrank": ("bmt", {"exit_days": "t2", "event": "d3", "group": "group"}, {}),
    "larynx_logrank": ("larynx", {"exit_days": "tenths", "event": "delta", "group": "stage"}, {}),
}

R_ORDER = ("squamous", "smallcell", "adeno", "large")


def columns(name: str, spec: dict, **more: str) -> dict:
    rows = dataset(name)
    if name == "channing":
        rows = rows.filter(pl.col("age") > pl.col("ageentry"))
    if name == "rats":
        rows = rows.filter(pl.col("sex") == "f")
    if name == "larynx":
        rows = rows.with_columns(tenths=(pl.col("time") * 10).round())
    if spec.get("strata") == "ph.ecog":
        rows = rows.drop_nulls("ph.ecog")
    return {key: rows.select(column).to_series() for key, column in {**spec, **more}.items()}


def test_every_reference_value_is_checked():
    elsewhere = {"sim_entry_coxscore_breslow", "sim_entry_robust_score", "rats_robust_score"}
    assert set(expected("logrank")) <= set(CASES) | elsewhere


@pytest.mark.parametrize("name", list(CASES))
def test_equals_r(name):
    data, spec, options = CASES[name]
    reference = expected("logrank").get(name) or expected("worked")[name]
    found = log_rank(**columns(data, spec), **options)
    assert found.chi_square == pytest.approx(reference["chisq"], abs=ERRORS)
    assert found.p == pytest.approx(reference["p"], rel=1e-8)
    k = len(found.groups)
    # R has the cell types in this order, not in that of the alphabet.
    order = [found.groups.index(g) for g in R_ORDER] if name == "veteran_celltype" else slice(None)
    for ours, keys in ((found.observed, ("obs", "O")), (found.expected, ("exp", "E"))):
        theirs = next(np.array(reference[key]) for key in keys if key in reference)
        # R lists strata one after the other. Sums reach 10^5, hence a relative tolerance.
        assert ours[order] == pytest.approx(theirs.reshape(-1, k).sum(axis=0), rel=1e-12)


@pytest.mark.parametrize("name", ["gehan", "gehan_gehan", "gehan_tw", "gehan_fh11", "veteran_celltype", "sim_fh01"])
def test_equals_lifelines(name):
    data, spec, options = CASES[name]
    rows = columns(data, spec)
    words = {"gehan": "wilcoxon", "tarone-ware": "tarone-ware", "fleming-harrington": "fleming-harrington"}
    theirs = multivariate_logrank_test(
        rows["exit_days"].to_numpy(),
        rows["group"].to_numpy(),
        rows["event"].to_numpy(),
        weightings=words.get(options.get("weighting")),
        p=options.get("p", 0),
        q=options.get("q", 0),
    )
    assert log_rank(**rows, **options).chi_square == pytest.approx(theirs.test_statistic, abs=ERRORS)


def test_published_values():
    """Klein & Moeschberger, Survival Analysis (figures from memory): larynx 22.763 on 3 df, bmt 13.804 on 2 df."""
    larynx = log_rank(**columns(*CASES["larynx_logrank"][:2]))
    assert (round(larynx.chi_square, 3), larynx.df) == (22.763, 3)
    bmt = log_rank(**columns(*CASES["bmt_logrank"][:2]))
    assert (round(bmt.chi_square, 4), bmt.df) == (13.8037, 2)


def test_by_hand_with_late_entry():
    # Group a: exits 3 (failed) and 8; group b: exits 5 (failed), and 9 (failed) which enters on day 3.
    # Day 3: at risk a, a, b. Day 5: a, b, b. Day 9: b alone, which tells nothing between groups.
    found = log_rank([3, 8, 5, 9], [1, 0, 1, 1], ["a", "a", "b", "b"], entry_days=[0, 0, 0, 3])
    expected_a = Fraction(2, 3) + Fraction(1, 3)
    variance = Fraction(2, 9) + Fraction(2, 9)
    assert found.observed.tolist() == [1, 2]
    assert found.expected.tolist() == pytest.approx([float(expected_a), 3 - float(expected_a)])
    assert found.variance[0, 0] == pytest.approx(float(variance))
    assert found.chi_square == pytest.approx(float((1 - expected_a) ** 2 / variance), abs=1e-12)


@pytest.mark.parametrize("name", ["sim_entry_robust_score", "rats_robust_score"])
def test_clustered_form_equals_the_robust_score_of_r(name):
    if name.startswith("sim"):
        rows = columns("sim", {**SIM, "entry_days": "start", "cluster": "pid"})
    else:
        rows = columns("rats", {"exit_days": "time", "event": "status", "group": "rx", "cluster": "litter"})
    assert clustered_log_rank(**rows).chi_square == pytest.approx(expected("logrank")[name][0][0], abs=ERRORS)


def test_breslow_form_has_the_differences_of_the_plain_test():
    rows = columns("sim", {**SIM, "entry_days": "start", "strata": "arch"})
    plain = log_rank(**rows)
    clustered = clustered_log_rank(**rows, cluster=columns("sim", {"cluster": "pid"})["cluster"], ties="breslow")
    assert clustered.expected == pytest.approx(plain.expected, rel=1e-12)
    assert clustered.observed.tolist() == plain.observed.tolist()
    # R's score test of a Breslow fit is the same difference over its own, model-based variance.
    unstratified = log_rank(**columns("sim", {**SIM, "entry_days": "start"}))
    ratio = expected("logrank")["sim_entry_coxscore_breslow"] / unstratified.chi_square
    # Both have the variance n1 n2 / n^2 per failure; the hypergeometric one multiplies by (n - d)/(n - 1).
    assert 0.99 < ratio < 1


def test_clustered_form_by_hand():
    # Patient A: a tooth in group a failing on day 1 and one in b censored on 2; B: in b, failing on 2; C: in a until 3.
    found = clustered_log_rank([1, 2, 2, 3], [1, 0, 1, 0], list("abba"), cluster=list("AABC"))
    # Day 1: a has 2 of 4. Day 2: a has 1 of 3. Score residuals in the coordinate of group a.
    day_1, day_2 = Fraction(1, 2), Fraction(1, 3)
    fails_a = (1 - day_1) - Fraction(1, 4) * (1 - day_1)
    ends_b = -Fraction(1, 4) * (0 - day_1) - Fraction(1, 3) * (0 - day_2)
    fails_b = -day_2 - Fraction(1, 4) * (0 - day_1) - Fraction(1, 3) * (0 - day_2)
    stays_a = -Fraction(1, 4) * (1 - day_1) - Fraction(1, 3) * (1 - day_2)
    total = fails_a + ends_b + fails_b + stays_a
    squares = (fails_a + ends_b) ** 2 + fails_b**2 + stays_a**2
    assert total == 1 - (day_1 + day_2)
    assert found.variance[0, 0] == pytest.approx(float(squares))
    assert found.chi_square == pytest.approx(float(total**2 / squares))


def test_only_the_ratios_of_row_weights_matter():
    rows = columns("sim", {**SIM, "entry_days": "start", "cluster": "pid", "weights": "w"})
    one = clustered_log_rank(**rows)
    half = clustered_log_rank(**{**rows, "weights": rows["weights"] / 2})
    assert half.chi_square == pytest.approx(one.chi_square, rel=1e-10)


def test_groups_never_seen_together_leave_nothing_to_test():
    found = log_rank([5, 9], [1, 1], ["a", "b"], entry_days=[0, 6])
    assert found.df == 0
    assert np.isnan(found.p)
    assert log_rank([5, 9], [0, 0], ["a", "b"]).df == 0


def test_one_group_is_refused():
    with pytest.raises(ValueError, match="at least two"):
        log_rank([5, 9], [1, 0], ["a", "a"])
    with pytest.raises(ValueError, match="missing"):
        log_rank([5, 9], [1, 0], ["a", None])


ROW = st.tuples(st.integers(0, 9), st.integers(1, 9), st.booleans(), st.integers(0, 2), st.integers(0, 3))


@given(st.lists(ROW, min_size=4, max_size=40), st.randoms(use_true_random=False))
@settings(deadline=None)
def test_row_order_and_time_scale_change_nothing(rows, random):
    rows = [*rows, (0, 5, True, 0, 0), (0, 5, False, 1, 1)]
    shuffled = rows[:]
    random.shuffle(shuffled)
    results = []
    for these, scale in ((rows, 1), (shuffled, 10**6)):
        entry, length, event, group, cluster = (np.array(column) for column in zip(*these, strict=True))
        data = {"exit_days": (entry + length) * scale, "event": event, "group": group, "entry_days": entry * scale}
        plain, clustered = log_rank(**data, weighting="gehan"), clustered_log_rank(**data, cluster=cluster)
        results.append((plain.chi_square, plain.df, clustered.chi_square, clustered.variance.tolist()))
    np.testing.assert_array_equal(results[0][:3], results[1][:3])
    assert results[0][3] == results[1][3]
