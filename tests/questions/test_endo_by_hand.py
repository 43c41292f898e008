"""Crowned against not crowned teeth on a practice worked by hand: which way the differences point, and from when."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipeline.questions.analysis import Analysis
from pipeline.questions.endo_outcomes import (
    EndoTeeth,
    compare_teeth,
    crown_spells_of_teeth,
    days_to_crown,
    years_of_records,
)
from pipeline.questions.group_ratios import group_ratios
from pipeline.questions.question import KEPT_BY_CROWN, OF_TEETH
from pipeline.results import Comparison

ONE_YEAR = Analysis(horizon_years=1)
DONE = dt.date(2020, 1, 1)


def teeth(*, never: int = 40, never_lost: int = 12, crown_day: int = 100) -> pl.DataFrame:
    """40 teeth crowned on one day (5 lost) and others never crowned (12 lost), no two on one day; 400 days at most.

    Of those lost half are women's, of the others a quarter.
    """
    groups = ((40, 5, crown_day, 0), (never, never_lost, None, 5))
    rows = [
        (200 + shift + 10 * i if i < lost else 400, i < lost, day, i % 2 == 1 if i < lost else i % 4 == 3)
        for n, lost, day, shift in groups
        for i in range(n)
    ]
    n = len(rows)
    return pl.DataFrame(
        {
            "course_id": [f"E{i:02}" for i in range(n)],
            "patient_id": [f"p{i:02}" for i in range(n)],
            "completed": [DONE] * n,
            "exit_date": [DONE + dt.timedelta(r[0]) for r in rows],
            "exit_days": [r[0] for r in rows],
            "failure": [r[1] for r in rows],
            "crown_days": pl.Series([r[2] for r in rows], dtype=pl.Int64),
            "crown_day_seen": [False] * n,
            "sex": ["female" if r[3] else "male" for r in rows],
            "completion_year": [2020.0] * n,
        }
    ).with_columns(
        age_at_completion=pl.lit(None, pl.Float64),
        **{
            name: pl.lit(None, pl.String)
            for name in ("tooth_group", "kind", "bruxism", "smoker", "diabetes", "provider_id")
        },
    )


def compared(rows: pl.DataFrame, analysis: Analysis = ONE_YEAR) -> Comparison:
    return compare_teeth(KEPT_BY_CROWN, EndoTeeth(rows, rows.height + 6, 3, 2, 1), analysis)


@pytest.fixture(scope="module")
def found() -> Comparison:
    return compared(teeth())


def test_the_crude_difference_by_hand(found):
    # From day 100 to day 365 5 of 40 crowned teeth are lost and 12 of 40 others: Greenwood's variances add up.
    d = found.crude_difference
    step = 100 * 1.959964 * np.sqrt(0.125 * 0.875 / 40 + 0.3 * 0.7 / 40)
    assert (d.per_100, d.ci_low, d.ci_high) == pytest.approx((-17.5, -17.5 - step, -17.5 + step), abs=1e-5)
    assert (d.group, d.reference, d.years, d.from_days) == ("crowned", "not_crowned", 1, 100)
    assert d.method.endswith("; not adjusted")


def test_the_adjusted_difference_is_the_mean_over_all_teeth(found):
    rows = teeth()
    spells = crown_spells_of_teeth(rows)
    entry, exit_, event = (spells[c].to_numpy() for c in ("entry_days", "exit_days", "event"))
    [plain, full] = found.estimates
    assert (plain.adjusted_for, full.adjusted_for) == ((), ("sex",))
    [sex] = group_fit(spells)
    crown = np.log(full.hazard_ratio)
    woman = (spells["sex"] == "female").to_numpy() * sex
    risk = np.exp(woman + crown * (spells["state"] == "crowned").to_numpy())
    hazard = sum(1 / risk[(entry < day) & (exit_ >= day)].sum() for day in exit_[event] if 100 < day <= 365)
    target = (rows["sex"] == "female").to_numpy() * sex
    crowned, bare = (np.mean(1 - np.exp(-hazard * np.exp(target + b))) for b in (crown, 0.0))
    d = found.difference
    assert d.per_100 == pytest.approx(100 * (crowned - bare))
    assert d.method.startswith("adjusted")
    assert d.ci_low < d.per_100 < -12 < d.ci_high
    assert d.from_days == 100


def group_fit(spells: pl.DataFrame) -> list[float]:
    """The coefficient of being a woman."""
    ratios = group_ratios(spells, (("crowned", "not_crowned"),), OF_TEETH, ONE_YEAR, unit="course_id", model="m")
    fit = ratios.adjusted
    return [-b if name.endswith("_male") else b for name, b in zip(fit.names, fit.coef, strict=True) if "sex" in name]


def test_groups_flow_and_notes_are_counted_by_hand(found):
    assert {g.name: (g.crowns, g.failures, g.starts_at_days) for g in found.groups} == {
        "crowned": (40, 5, 100),
        "not_crowned": (40, 12, 0),
    }
    assert [(s.left, s.removed) for s in found.flow] == [(86, 0), (83, 3), (81, 2), (80, 1)]
    assert any(note.startswith("40 teeth got a crown while followed; days from completion to the seat: median 100") for
               note in found.notes)  # fmt: skip
    assert not any("by the day the root canal was completed" in note for note in found.notes)
    assert found.verdict.doubt.startswith("Teeth were not crowned by chance")


def test_the_naive_comparison_counts_a_crown_from_the_completion(found):
    naive = found.naive
    assert dict(naive.survival) == pytest.approx({"crowned": 35 / 40, "not_crowned": 28 / 40})
    # Nothing is lost before the crowns are on, so counting from the completion misleads nobody here.
    assert naive.hazard_ratio == pytest.approx(found.estimates[0].hazard_ratio)
    assert naive.ci_low < naive.hazard_ratio < 0.6
    assert compared(teeth(), Analysis(horizon_years=2)).naive.survival == ()
    # One state without a loss has no ratio.
    assert compared(teeth(never_lost=0)).naive is None


def test_no_difference_where_a_curve_does_not_reach_the_horizon():
    assert compared(teeth(), Analysis(horizon_years=2)).difference is None
    assert compared(teeth(), Analysis(horizon_years=400 / 365.25)).crude_difference is not None
    # Crowns that come on the day of the horizon leave nothing to compare; the day before they do.
    assert compared(teeth(crown_day=365)).crude_difference is None
    assert compared(teeth(never=0, never_lost=0)).difference is None
    bare = compared(teeth().with_columns(crown_days=pl.lit(None, pl.Int64)))
    assert ([g.name for g in bare.groups], bare.difference, bare.naive) == (["not_crowned"], None, None)
    # Nothing lost in either: no error.
    kept = teeth(never_lost=0).with_columns(failure=False, exit_days=pl.lit(400, pl.Int64))
    assert compared(kept).difference is None


def test_crowns_of_the_day_of_completion_are_said():
    rows = teeth(crown_day=0)
    assert "40 teeth were crowned by the day the root canal was completed." in compared(rows).notes
    assert compared(rows).crude_difference.from_days == 0
    one = teeth(crown_day=1)
    assert not any("by the day the root canal was completed" in note for note in compared(one).notes)


def test_days_to_the_crown_are_those_of_teeth_crowned_while_followed():
    # The last one's crown came on its last day, so it was never followed as crowned.
    days = pl.DataFrame({"crown_days": [0, 10, 20, 40, None, 50], "exit_days": [9, 99, 99, 99, 99, 50]})
    assert days_to_crown(days) == (4, (7.5, 15, 25))
    assert days_to_crown(days.tail(2)) is None


def test_years_of_records_run_from_the_first_completion_to_the_last_day():
    rows = pl.DataFrame(
        {
            "completed": [DONE + dt.timedelta(100), DONE, DONE + dt.timedelta(500)],
            "exit_date": [DONE + dt.timedelta(d) for d in (150, 1461, 600)],
        }
    )
    assert years_of_records(rows) == 4
    assert years_of_records(rows.clear()) == 0


def test_teeth_never_followed_stay_in_the_flow_and_the_groups_and_are_told():
    rows = teeth()
    unseen = rows.with_columns(
        exit_days=pl.when(pl.col("course_id") == "E79").then(0).otherwise("exit_days"),
        exit_date=pl.when(pl.col("course_id") == "E79").then(DONE).otherwise("exit_date"),
    )
    found = compared(unseen)
    assert found.flow[-1].left == sum(g.crowns for g in found.groups) == 80
    told = "1 tooth was not seen again after completion: each is in its group, with no follow-up."
    assert told in found.notes
    assert not any("not seen again" in note for note in compared(rows).notes)
