"""What is decided from counts of parts is what the rows would decide: columns, strata, where a curve starts."""

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_crown_longevity import practice

from pipeline.practice.tables import CROWNS, PATIENTS
from pipeline.questions.analysis import Analysis
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
from pipeline.questions.crown_longevity import ROOT_CANAL, difference_window
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.questions.groups import curve_end, curve_start
from pipeline.questions.longevity_passes import (
    Counted,
    add_counts,
    add_second_passes,
    count_part,
    last_exit,
    plan_second_pass,
    second_pass,
)
from pipeline.stats.risk_set_errors import curve_squares
from pipeline.stats.risk_sets import count_changes

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
    assert [g.sentence for g in plan.missing] == ["age: 1 of 4 rows without a value"]
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
    # Beside them one of another group that is first seen late.
    other = crowns.head(1).with_columns(
        crown_id=pl.lit("B"),
        endo_timing=pl.lit("before_seat"),
        access_date=pl.lit(None, pl.Date),
        entry_date=pl.col("seat_date") + pl.duration(days=40),
        exit_date=pl.col("seat_date") + pl.duration(days=50),
    )
    crowns = pl.concat([crowns, other])
    spells = pl.DataFrame({"entry_days": entries, "exit_days": exits, "event": failed})
    odd = pl.Series(range(crowns.height)) % 2 == 1
    counted = add_counts(count_part(crowns.filter(mine), people) for mine in (odd, ~odd))
    by_counts = plan_second_pass(counted, analysis).starts.get("through_crown")
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


def counted(crowns: pl.DataFrame, people: pl.DataFrame) -> tuple[Counted, list[dict[str, pl.DataFrame]]]:
    """The first look at two parts."""
    odd = pl.Series(range(crowns.height)) % 2 == 1
    parts = [count_part(crowns.filter(mine), people.filter(mine)) for mine in (odd, ~odd)]
    return add_counts(parts), parts


def test_what_the_second_look_needs_by_hand():
    crowns, people = practice()
    first, parts = counted(crowns, people)
    assert first.with_failures == first.present == {"before_seat", "through_crown", "vital"}
    assert (first.numbers["crowns"], first.numbers["timed"]) == (92, 91)
    assert (first.numbers["last"] - first.numbers["first"]).days == 400
    again = plan_second_pass(first, Analysis(horizon_years=1))
    assert again.starts == {"before_seat": 0, "vital": 0, "through_crown": 100}
    assert again.window == (100, 1)
    seen = add_second_passes(second_pass(part["spells"], again) for part in parts)
    assert seen.crowns == 91
    assert set(seen.squares) == {"before_seat", "vital", "through_crown", "difference"}
    # No patient is in both parts: what the parts say adds up to what all rows say, array by array.
    [whole] = [second_pass(part["spells"], again) for part in [count_part(crowns, people)]]
    alone = add_second_passes([whole]).squares
    for name, found in seen.squares.items():
        for one, other in zip(found.values, alone[name].values, strict=True):
            np.testing.assert_allclose(one, other, rtol=1e-12)
    spells = count_part(crowns, people)["spells"].filter(pl.col("state") == "before_seat")
    direct = curve_squares(
        again.risk_sets,
        spells["exit_days"],
        spells["event"],
        group="before_seat",
        from_day=0,
        entry_days=spells["entry_days"],
        cluster=spells["patient"],
    )
    for one, other in zip(alone["before_seat"].values, direct.values, strict=True):
        np.testing.assert_array_equal(one, other)
    assert alone["before_seat"].n_units == direct.n_units == 40
    # Nothing failed among the vital: they have rows, and no failure.
    none, _ = counted(*practice(vital_failures=0))
    assert none.with_failures == {"before_seat", "through_crown"}
    assert none.present == first.present


def test_the_years_of_the_records_run_from_the_first_day_of_any_part_to_the_last_of_any():
    crowns, people = practice()
    moved = pl.col("entry_date", "exit_date", "seat_date", "access_date").dt.offset_by("2y")
    # In the first part, too, not all are seated on one day.
    seat = pl.when(pl.col("endo_timing") == "vital").then(pl.lit("4mo")).otherwise(pl.lit("0mo"))
    first = crowns.with_columns(pl.col("entry_date", "seat_date", "exit_date").dt.offset_by(seat))
    parts = [count_part(rows, people) for rows in (first, crowns.with_columns(moved))]
    for order in (parts, parts[::-1]):
        numbers = add_counts(order).numbers
        assert (numbers["first"], numbers["last"]) == (dt.date(2020, 1, 1), dt.date(2023, 2, 4))
        assert (numbers["crowns"], numbers["timed"]) == (184, 182)


def test_a_crude_difference_needs_both_curves_at_the_horizon_and_a_start_before_it():
    crowns, people = practice()

    def window(rows: pl.DataFrame, years: float) -> tuple[int, float] | None:
        return plan_second_pass(counted(rows, people)[0], Analysis(horizon_years=years)).window

    assert window(crowns, 400 / 365.25) == (100, 400 / 365.25)
    assert window(crowns, 401 / 365.25) == (100, 1)
    assert window(crowns, 101 / 365.25) == (100, 101 / 365.25)
    assert window(crowns, 100 / 365.25) is None
    none_opened = crowns.with_columns(endo_timing=pl.lit("before_seat"), access_date=pl.lit(None, pl.Date))
    assert window(none_opened, 1) is None


@pytest.mark.parametrize(
    ("opened_on", "fewer_seen", "days"),
    [(300, None, 400), (300, None, 401), (300, "before_seat", 400), (300, "through_crown", 400), (10, None, 800)],
)
def test_the_window_of_counts_is_that_of_the_rows_at_every_edge(opened_on, fewer_seen, days):
    crowns, people = practice()
    seat = pl.col("seat_date")
    at = pl.when(pl.col("access_date").is_not_null()).then(seat + pl.duration(days=opened_on))
    less = pl.when(pl.col("endo_timing") == fewer_seen).then(350).otherwise(400) if fewer_seen else pl.lit(400)
    rows = crowns.with_columns(
        failure=False, access_date=at, exit_date=pl.when(pl.col("exit_date") > seat).then(seat + pl.duration(days=less))
    ).with_columns(pl.col("exit_date").fill_null(seat))
    asked = Analysis(horizon_years=days / 365.25)
    spells, rules = state_spells(crown_rows(rows, people)), asked.curve_rules()
    sides = {s: spells.filter(pl.col("state") == s) for s in ROOT_CANAL[::-1]}
    ends = {s: curve_end(side, rules=rules, late=s == "through_crown") for s, side in sides.items()}
    assert plan_second_pass(counted(rows, people)[0], asked).window == difference_window(sides, ends, asked)


def test_a_group_that_is_followed_past_no_day_has_no_curve():
    crowns, people = practice()
    last = pl.when(pl.col("endo_timing") == "vital").then("seat_date").otherwise("exit_date")
    none = crowns.with_columns(exit_date=last, failure=pl.col("failure") & (pl.col("endo_timing") != "vital"))
    first = add_counts([count_part(none.filter(pl.col("endo_timing") != "through_crown"), people)])
    assert first.present == {"before_seat", "vital"}
    assert set(plan_second_pass(first, Analysis(horizon_years=1)).starts) == {"before_seat"}


@settings(max_examples=10, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.integers(0, 400), st.integers(1, 2000), st.booleans()), min_size=4, max_size=40))
def test_the_window_of_counts_is_that_of_the_rows(drawn):
    crowns, people = practice()
    opened, stay = ([d[i] for d in drawn] for i in (0, 1))
    crowns = crowns.filter(pl.col("endo_timing") == "through_crown").head(len(drawn))
    n = crowns.height
    start = pl.Series(opened[:n])
    late = crowns.with_columns(
        access_date=pl.col("seat_date") + pl.duration(days=start),
        exit_date=pl.col("seat_date") + pl.duration(days=start + pl.Series(stay[:n])),
        failure=pl.Series([d[2] for d in drawn][:n]),
    )
    plain = late.with_columns(
        pl.format("B{}", "crown_id").alias("crown_id"),
        endo_timing=pl.lit("before_seat"),
        access_date=pl.lit(None, pl.Date),
    )
    both = pl.concat([late, plain])
    few = Analysis(min_at_risk=3, min_failures=0)
    spells = state_spells(crown_rows(both, people))
    sides = {s: spells.filter(pl.col("state") == s) for s in ROOT_CANAL[::-1]}
    planned = plan_second_pass(add_counts([count_part(both, people)]), few).window
    ends = {s: curve_end(spells, rules=few.curve_rules(), late=s == "through_crown") for s, spells in sides.items()}
    assert planned == difference_window(sides, ends, few)


def test_a_late_curve_of_counts_starts_at_0_only_if_all_enter_then():
    few = Analysis(min_at_risk=10)
    assert starts([0, 0, 0], [9, 9, 9], [True, False, False], few) == (0, 0)
    assert starts([0, 5, 5], [9, 9, 9], [True, False, False], few) == (None, None)
    assert starts([0, 5, 5], [9, 9, 9], [True, False, False], Analysis(min_at_risk=3, max_step_per_100=50)) == (5, 5)


def test_the_last_day_on_which_a_group_leaves():
    table = count_changes([3, 9, 5], [1, 0, 1], entry_days=[0, 0, 4], group=["a", "a", "b"])
    assert [last_exit(table, name) for name in ("a", "b", "c")] == [9, 5, -1]


@pytest.mark.parametrize(
    ("entry", "exit_", "sound"),
    [(0, 0, True), (0, 1, True), (-9, 0, True), (1, 1, False), (5, 6, True), (5, 5, False), (6, 5, False)],
)
def test_labels_are_counted_where_a_model_can_be_fitted_to_them(entry, exit_, sound):
    crowns, people = practice()
    seat = pl.col("seat_date")
    one = crowns.head(1).with_columns(
        entry_date=seat + pl.duration(days=entry), exit_date=seat + pl.duration(days=exit_), failure=False
    )
    assert (count_part(one, people)["label_risk_sets"].height > 0) is sound
