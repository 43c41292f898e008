"""Weights for who left: by hand, against R, and a truth found again that leaving by a recorded trait hides."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from cox_reference import CASES, columns, expected
from curve_reference import dataset
from r_session import needs_r, run_r

from pipeline.stats.censoring_weights import expected_events, followed_weights
from pipeline.stats.cox import fit_cox

FOLDER = Path(__file__).parents[1] / "data" / "leaving"
MUCH, LITTLE = ["transplant", "age", "surgery", "year"], ["transplant"]


def test_by_hand():
    # Subject 1: nothing before its first stretch; then exp(0.5 - 0.2); then exp(0.5 + 0.1 - 0.2 - 0.3).
    found = followed_weights([1, 1, 1, 2], [0, 10, 20, 5], [0.5, 0.1, 9, 9], [0.2, 0.3, 9, 9], quantiles=(0, 1))
    assert found.values == pytest.approx([1, np.exp(0.3), np.exp(0.1), 1])
    assert found.n_truncated == 0
    mixed = followed_weights([2, 1, 1, 1], [5, 20, 0, 10], [9, 9, 0.5, 0.1], [9, 9, 0.2, 0.3], quantiles=(0, 1))
    assert mixed.values == pytest.approx([1, np.exp(0.1), 1, np.exp(0.3)])


def test_both_tails_are_set_back():
    found = followed_weights(np.arange(101) // 2, np.arange(101) % 2, np.linspace(0, 1, 101), np.zeros(101))
    assert found.n_truncated > 0
    assert (found.values.min(), found.values.max()) == (found.low, found.high)


@pytest.mark.parametrize("quantiles", [(0.9, 0.1), (0.5, 0.5), (-0.1, 0.9), (0.1, 1.5)])
def test_refuses_quantiles_that_are_no_shares_in_order(quantiles):
    with pytest.raises(ValueError, match="two shares in order"):
        followed_weights([1], [0], [1], [1], quantiles=quantiles)


def test_each_group_has_its_own_tails():
    # Each subject has a first stretch of weight 1 and a second one of its own; by hand from the middle 80 of 100.
    last = np.array([1.0, 1.1, 1.2, 1.3, 1.4, 5.0, 6.0, 7.0, 8.0, 9.0])
    subject, group = np.repeat(np.arange(10), 2), np.repeat(["many", "few"], [10, 10])
    expected = np.ravel([(np.log(w), 0.0) for w in last])
    found = followed_weights(subject, [0, 1] * 10, expected, np.zeros(20), group=group, quantiles=(0.1, 0.9))
    # Of 1 six times, 1.1 to 1.4 the ninth part of ten lies between 1.3 and 1.4; of 5 to 9 between 8 and 9.
    assert found.values[1:10:2] == pytest.approx([1.0, 1.1, 1.2, 1.3, 1.31])
    assert found.values[11::2] == pytest.approx([5.0, 6.0, 7.0, 8.0, 8.1])
    assert found.n_truncated == 2


def compare(r: dict) -> None:
    rows = {key: np.array(r[key], dtype=float) for key in ("start", "stop", "event", "left", *MUCH)}
    span = {"entry_days": rows["start"]}
    fits = []
    for names in (MUCH, LITTLE):
        x = np.column_stack([rows[name] for name in names])
        fit = fit_cox(x, rows["stop"], rows["left"], names=names, **span)
        fits.append((fit, expected_events(fit, x, rows["start"], rows["stop"])))
    (much, by_much), (_, by_little) = fits
    assert much.coef == pytest.approx(np.array(r["much"]), abs=1e-8)
    assert by_much == pytest.approx(np.array(r["expected"]), rel=1e-7, abs=1e-10)
    made = followed_weights(r["id"], rows["start"], by_much, by_little)
    assert (made.low, made.high) == pytest.approx(tuple(r["ends"]), rel=1e-7)
    assert made.values == pytest.approx(np.array(r["w"]), rel=1e-7)
    x = np.column_stack([rows["transplant"], rows["age"]])
    fit = fit_cox(
        x, rows["stop"], rows["event"], names=("transplant", "age"), weights=made.values, cluster=r["id"], **span
    )
    assert fit.coef == pytest.approx(np.array(r["coef"]), abs=1e-7)
    assert fit.se() == pytest.approx(np.array(r["se"]), rel=1e-6)
    assert fit.se(robust=False) == pytest.approx(np.array(r["naive"]), rel=1e-6)


def test_equals_r_on_kept_values():
    compare(json.loads((FOLDER / "expected_weights.json").read_text(encoding="utf-8")))


@needs_r
def test_equals_r_afresh(tmp_path):
    compare(run_r(tmp_path, dataset("heart"), (FOLDER / "weights.R").read_text(encoding="utf-8")))


teeth, patients = [[0, 1, 50], [1, 1, 50]], [[0, 13, 1.1], [1, 13, 1.1]]
PREDICTED = {
    "sim": (CASES["cox", "sim"], teeth, -1.0),
    "sim_breslow": (replace(CASES["cox", "sim"], ties="breslow"), teeth, -1.0),
    "sim_entry": (CASES["cox", "sim_entry"], teeth, -1.0),
    "mgus2_age": (CASES["cox", "mgus2_age"], patients, 479.0),  # R's curve starts at 480 months, that day included
    "lung": (replace(CASES["cox", "lung"], covariates=columns("age", "sex")), [[60, 1], [60, 2]], -1.0),
}


@pytest.mark.parametrize("name", PREDICTED)
def test_expected_events_are_the_hazards_of_curves_that_r_predicts(name):
    case, profiles, since = PREDICTED[name]
    r, fit = expected("pred", name), case.fit()
    for number, x in enumerate(profiles):
        days = np.array(r["time"], dtype=float)
        hazard = expected_events(fit, np.tile(x, (len(days), 1)), np.full(len(days), since), days)
        assert np.exp(-hazard) == pytest.approx(np.array(r["surv"])[:, number], abs=1e-12)


def test_refuses_a_fit_that_predicts_nothing():
    rows = pl.DataFrame({"x": [0.0, 1, 0, 1], "s": [0, 0, 1, 1], "t": [1, 2, 3, 4], "e": [1, 1, 1, 1]})
    fit = fit_cox(rows[["x"]].to_numpy(), rows["t"], rows["e"], names=["x"], strata=rows["s"])
    with pytest.raises(ValueError, match="strata"):
        expected_events(fit, [[0.0]], [0], [1])
