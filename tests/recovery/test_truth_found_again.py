"""The truth that the synthetic practice was told is found again, and the comparison by hand misses it.

100 seeded practices of 8,000 crowns each, drawn from the hazards of synthetic_data/truth.py without frailty: the
effect of a Cox model is per crown, and with frailty the effect over all patients is a little nearer to none.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import polars as pl
import pytest

from pipeline.questions.covariates import design, strata
from pipeline.questions.crown_rows import state_spells
from pipeline.questions.group_ratios import fit_states
from pipeline.questions.question import OF_CROWNS
from synthetic_data.followup import simulate_followup
from synthetic_data.truth import DEFAULT, NULL, Truth

PRACTICES = 100
CROWNS = 8000


def estimates(truth: Truth) -> pl.DataFrame:
    """Log hazard ratio, opened against done before, with limits: adjusted and time-dependent, and naive by label."""
    rows = []
    for seed in range(PRACTICES):
        crowns = simulate_followup(truth, crowns=CROWNS, seed=1000 + seed).with_columns(entry_days=pl.lit(0, pl.Int64))
        spells = state_spells(crowns)
        states = [(spells["state"] == s).cast(pl.Float64).to_numpy() for s in ("before_seat", "through_crown")]
        made = design(spells, OF_CROWNS)
        codes, _ = strata(spells, "provider_id", min_failures=5)
        names = ("before_seat", "through_crown", *made.names)
        fit = fit_states(spells, np.column_stack([*states, made.x]), names=names, stratum=codes)
        right = fit.contrast({"through_crown": 1.0, "before_seat": -1.0})
        labelled = crowns.filter(pl.col("endo_timing") != "vital").with_columns(event="failure")
        opened = (labelled["endo_timing"] == "through_crown").cast(pl.Float64).to_numpy()[:, None]
        naive = fit_states(labelled, opened, names=("through_crown",), stratum=None).contrast([1.0])
        rows.append((right.estimate, right.low, right.high, naive.estimate, naive.low, naive.high))
    return pl.DataFrame(rows, schema=["estimate", "low", "high", "naive", "naive_low", "naive_high"], orient="row")


def covered(found: pl.DataFrame, truth: float, prefix: str = "") -> int:
    return int(((found[f"{prefix}low"] <= truth) & (found[f"{prefix}high"] >= truth)).sum())


@pytest.fixture(scope="module")
def found() -> pl.DataFrame:
    return estimates(no_frailty(DEFAULT))


def no_frailty(truth: Truth) -> Truth:
    return dataclasses.replace(truth, frailty_variance=0.0)


def test_the_adjusted_estimate_finds_the_truth(found):
    truth = math.log(DEFAULT.hr_opened / DEFAULT.hr_before_seat)
    assert abs(found["estimate"].mean() - truth) < 0.03
    assert 90 <= covered(found, truth) <= 98


def test_the_comparison_by_label_from_the_seat_is_off(found):
    # A crown had to last to be opened: the naive ratio is far too low, and its interval misses the truth.
    truth = math.log(DEFAULT.hr_opened / DEFAULT.hr_before_seat)
    assert found["naive"].mean() < truth - 0.3
    assert covered(found, truth, "naive_") < 50


def test_no_effect_gives_no_false_effect():
    found = estimates(no_frailty(NULL))
    assert abs(found["estimate"].mean()) < 0.03
    assert 90 <= covered(found, 0.0) <= 98
    # The naive comparison sees a benefit of opening that is not there.
    assert found["naive"].mean() < -0.3
