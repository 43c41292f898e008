"""What is decided from counts of parts is what the rows would decide: columns, strata, where a curve starts."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.questions.covariates import (
    Levels,
    Numeric,
    count_covariates,
    count_levels,
    design,
    merge_covariates,
    plan_design,
    plan_strata,
    strata,
    stratum_codes,
)
from pipeline.questions.crown_longevity import Analysis
from pipeline.questions.groups import curve_start
from pipeline.questions.longevity_looks import add_counts, count_part, plan_again
from pipeline.tables import CROWNS, PATIENTS

COVARIATES = (Numeric("age", "age", 10.0), Levels("material", "material"), Levels("smoker", "smoking"))


def rows(seed: int, n: int = 60) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    return pl.DataFrame(
        {
            "age": [None if g else float(a) for g, a in zip(rng.random(n) < 0.1, rng.integers(20, 90, n), strict=True)],
            "material": rng.choice(["a", "b", "c", "d", None], n, p=[0.4, 0.3, 0.1, 0.1, 0.1]).tolist(),
            "smoker": rng.choice([True, False, None], n).tolist(),
            "provider_id": rng.choice(["x", "y", "z", None], n).tolist(),
            "event": rng.random(n) < 0.4,
            "part": rng.integers(0, 4, n),
        }
    )


def test_means_of_parts_are_weighted_by_their_values():
    # 30 alone, and 40, 50 with a gap: the mean of the three values is 40, where the gap stands.
    parts = [pl.DataFrame({"age": a, "event": [True] * len(a)}) for a in ([30.0], [40.0, 50.0, None])]
    merged = merge_covariates(count_covariates(p, COVARIATES[:1]) for p in parts)
    plan = plan_design(merged, COVARIATES[:1])
    assert plan.missing == ("age: 1 of 4 rows without a value",)
    assert plan.columns(parts[1])[:, 0] == pytest.approx([0, 1, 0])


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_columns_and_strata_of_parts_are_those_of_all_rows(seed):
    whole = rows(seed)
    parts = [whole.filter(pl.col("part") == n) for n in range(4)]
    wanted = design(whole, COVARIATES)
    plan = plan_design(merge_covariates(count_covariates(p, COVARIATES) for p in parts), COVARIATES)
    assert (plan.names, plan.used, plan.left_out, plan.missing) == (
        wanted.names, wanted.used, wanted.left_out, wanted.missing,
    )  # fmt: skip
    np.testing.assert_allclose(plan.columns(whole), wanted.x, rtol=1e-12, atol=1e-14)
    codes, n_strata = strata(whole, "provider_id", min_failures=6)
    counted = pl.concat(count_levels(p["provider_id"], p["event"].cast(pl.Int64)) for p in parts)
    kept, n = plan_strata(counted, min_failures=6)
    assert n == n_strata
    assert stratum_codes(whole["provider_id"], kept).tolist() == codes.tolist()


def opened(entries: list[int], exits: list[int], failed: list[bool]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Crowns opened on these days after the seat, one a patient."""
    seat = pl.lit("2010-01-01").str.to_date()
    n = len(entries)
    crowns = pl.DataFrame(
        {
            "crown_id": [f"C{i}" for i in range(n)],
            "patient_id": [f"P{i}" for i in range(n)],
            "endo_timing": ["through_crown"] * n,
            "failure": failed,
            "a": entries,
            "z": exits,
        }
    ).with_columns(
        seat_date=seat,
        entry_date=seat,
        access_date=seat + pl.duration(days="a"),
        exit_date=seat + pl.duration(days="z"),
    )
    people = crowns.select("patient_id")
    return tuple(
        t.select(pl.col(c).cast(d) if c in t.columns else pl.lit(None, d).alias(c) for c, d in s.items())
        for t, s in ((crowns, CROWNS.schema), (people, PATIENTS.schema))
    )  # type: ignore[return-value]


def starts(entries: list[int], exits: list[int], failed: list[bool], analysis: Analysis) -> tuple[int | None, ...]:
    """Where the curve of opened crowns starts: by the rows, and by the counts of two parts."""
    crowns, people = opened(entries, exits, failed)
    spells = pl.DataFrame({"entry_days": entries, "exit_days": exits, "event": failed})
    odd = pl.Series(range(len(entries))) % 2 == 1
    counted = add_counts(count_part(crowns.filter(mine), people.filter(mine)) for mine in (odd, ~odd))
    by_counts = plan_again(counted, analysis).starts.get("through_crown")
    return curve_start(spells, rules=analysis.curve_rules()), by_counts


def test_a_curve_starts_past_the_days_with_too_few():
    # Three are followed from day 5, two on day 9, where one fails, and five from day 12 on: it starts on day 9.
    entries, exits = [1, 3, 5, 10, 11, 12], [8, 9, 30, 30, 30, 30]
    few = Analysis(min_at_risk=3, max_step_per_100=50)
    assert starts(entries, exits, [False, True, False, False, True, False], few) == (9, 9)


def test_a_curve_that_never_has_enough_does_not_start():
    assert starts([1, 2], [5, 9], [True, False], Analysis(min_at_risk=3)) == (None, None)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.integers(1, 30), st.integers(1, 30), st.booleans()), min_size=1, max_size=25))
def test_a_curve_of_counts_starts_where_that_of_the_rows_does(drawn):
    entries, exits = [e for e, _, _ in drawn], [e + d for e, d, _ in drawn]
    by_rows, by_counts = starts(entries, exits, [f for *_, f in drawn], Analysis(min_at_risk=3, max_step_per_100=50))
    assert by_counts == by_rows
