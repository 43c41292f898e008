"""Hazard ratios between groups: a baseline for each clinician, and groups without a failure."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.questions.analysis import Analysis
from pipeline.questions.answer import Asked, answer
from pipeline.questions.covariates import Levels
from pipeline.questions.group_ratios import adjusted_ratio, fit_states, group_ratios
from pipeline.questions.question import KEPT_BY_DELAY
from pipeline.questions.steady_ratio import Standing
from pipeline.stats.cox import CoxInputError


def spells(seed: int = 3) -> pl.DataFrame:
    """Bob's teeth are lost four times as fast as Ann's and he crowns more of them; a crown does nothing."""
    random = np.random.default_rng(seed)
    bob = random.random(2000) < 0.5
    crowned = random.random(2000) < np.where(bob, 0.8, 0.2)
    days = np.ceil(random.exponential(np.where(bob, 1000, 4000))).astype(int)
    return pl.DataFrame(
        {
            "course_id": range(2000),
            "patient_id": [f"p{i}" for i in range(2000)],
            "provider_id": np.where(bob, "bob", "ann"),
            "state": np.where(crowned, "crowned", "not_crowned"),
            "entry_days": 0,
            "exit_days": np.minimum(days, 2000),
            "event": days <= 2000,
        }
    )


def ratios(rows: pl.DataFrame, *, contrasts=(("crowned", "not_crowned"),)):
    return group_ratios(rows, contrasts, (), Analysis(), unit="course_id", model="cox")


def test_each_clinician_has_a_baseline():
    # 40 samples: the truth is a ratio of 1, which the crude one never allows.
    both = [ratios(spells(seed)).estimates for seed in range(40)]
    assert {(c.stratified_by, a.stratified_by) for c, a in both} == {((), ("clinician",))}
    assert min(crude.ci_low for crude, _ in both) > 1.5
    assert abs(np.mean([np.log(adjusted.hazard_ratio) for _, adjusted in both])) < 0.03
    assert 35 <= sum(adjusted.ci_low <= 1 <= adjusted.ci_high for _, adjusted in both) <= 40
    assert {(adjusted.crowns, adjusted.clusters) for _, adjusted in both} == {(2000, 2000)}


def test_a_group_without_a_failure_is_left_out_and_named():
    rows = spells().with_columns(event=pl.col("event") & (pl.col("state") == "crowned"))
    found = ratios(rows)
    assert (found.estimates, found.adjusted) == ((), None)
    assert found.notes == ("No failure in group not_crowned: no hazard ratio.",)


def test_rows_of_a_group_that_is_not_asked_for_are_in_no_model():
    thirds = spells().head(300).with_columns(pl.Series("state", ["crowned", "not_crowned", "other"] * 100))
    beside, alone = ratios(thirds).estimates, ratios(thirds.filter(pl.col("state") != "other")).estimates
    assert [e.rows for e in beside] == [200, 200]
    assert beside == alone


def test_pairs_share_one_reference():
    thirds = pl.Series("state", ["a", "b", "c"] * 667)[:2000]
    found = ratios(spells().with_columns(thirds), contrasts=(("a", "b"), ("c", "b"), ("a", "c")))
    crude = {e.contrast: e.hazard_ratio for e in found.estimates if not e.stratified_by}
    assert crude["a vs b"] / crude["c vs b"] == pytest.approx(crude["a vs c"])
    assert crude["a vs c"] != 1  # as if a and c were one group
    assert found.adjusted.names == ("a", "c")
    of_pair = adjusted_ratio(found.estimates, ("a", "b"))
    assert (of_pair.contrast, of_pair.stratified_by) == ("a vs b", ("clinician",))


@pytest.mark.parametrize("failures", [4, 5])
def test_a_group_has_a_ratio_from_five_failures_on(failures):
    crowned = pl.col("state") == "crowned"
    few = (pl.col("event") & crowned).cum_sum() <= failures
    found = ratios(spells().with_columns(event=pl.col("event") & (~crowned | few)))
    assert (bool(found.estimates), bool(found.notes)) == (failures == 5, failures == 4)


@pytest.mark.parametrize(
    ("held", "notes"), [((), ("Not adjusted for sex (the same in all, or too rare).",)), (("clock",), ())]
)
def test_with_one_clinician_there_is_one_baseline_and_what_the_clock_holds_is_not_missed(held, notes):
    rows = spells().with_columns(provider_id=pl.lit("ann"), sex=pl.lit("female"))
    pair = (("crowned", "not_crowned"),)
    found = group_ratios(rows, pair, [Levels("sex", "sex")], Analysis(), unit="course_id", model="cox", held=held)
    assert [(e.adjusted_for, e.stratified_by) for e in found.estimates] == [(held, ())]
    assert (found.notes, found.adjusted) == (notes, None)


def test_where_the_adjusted_model_is_refused_the_crude_one_stands(monkeypatch):
    def refuse(*_, stratum, **given):
        if stratum is not None:
            raise CoxInputError("No.")
        return fit_states(*_, stratum=stratum, **given)

    monkeypatch.setattr("pipeline.questions.group_ratios.fit_states", refuse)
    found = ratios(spells().head(300))
    assert [e.stratified_by for e in found.estimates] == [()]
    assert found.notes == ("The adjusted model could not be fitted: No.",)
    assert found.adjusted is None


def test_a_question_gives_the_ratios_of_all_its_pairs():
    thirds = pl.Series("state", ["crowned_soon", "crowned_later", "not_yet_crowned"] * 667)[:2000]
    rows = spells().with_columns(thirds, failure="event").head(300)
    question = replace(KEPT_BY_DELAY, adjust=())
    found = answer(question, Asked(rows, (), 5.0), Analysis(), lambda *_: Standing())
    assert [e.contrast for e in found.estimates if not e.stratified_by] == [" vs ".join(p) for p in question.contrasts]
