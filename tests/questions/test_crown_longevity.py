"""The main comparison on practices small enough to be worked by hand: which way its signs point, and what it leaves."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from pipeline.practice.tables import CROWNS, PATIENTS
from pipeline.questions import crown_longevity as longevity
from pipeline.questions.analysis import Analysis
from pipeline.questions.answer import empty_group, full_window, write_crude
from pipeline.questions.crown_longevity import compare_since_seat
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.questions.group_ratios import Ratios
from pipeline.questions.question import SINCE_OPENING, SINCE_SEAT
from pipeline.questions.steady_ratio import Standing, write_adjusted
from pipeline.results import Comparison, Difference, Steady
from pipeline.stats.cox import CoxInputError
from pipeline.stats.differences import Differences
from pipeline.stats.risk_table import RiskTable
from pipeline.stats.standardised import AdjustedDifference

SEAT = dt.date(2020, 1, 1)
ONE_YEAR = Analysis(horizon_years=1)


def adjusted(std_error: float) -> AdjustedDifference:
    return AdjustedDifference("through_crown", "before_seat", 365, 100, 6.5, std_error, 2.5, 10.5, 0.001, 0.95)


def test_an_adjusted_difference_keeps_its_sign_and_the_order_of_its_limits():
    found = write_adjusted(SINCE_SEAT, adjusted(2.04), 1)
    assert found is not None
    assert (found.per_100, found.ci_low, found.ci_high) == (6.5, 2.5, 10.5)
    assert (found.group, found.reference, found.years, found.from_days) == ("through_crown", "before_seat", 1, 100)
    changing = write_adjusted(SINCE_SEAT, adjusted(2.04), 1, changes=True)
    assert (found.method, changing.method) == (SINCE_SEAT.adjusted, SINCE_SEAT.changing)


@pytest.mark.parametrize("error", [np.nan, np.inf])
def test_an_adjusted_difference_without_an_error_is_none(error):
    assert write_adjusted(SINCE_SEAT, adjusted(error), 1) is None


def test_a_crude_difference_turns_survival_into_failures():
    # Six and a half per 100 fewer survive, so as many more fail; the limits change places.
    one = Differences(*(np.array([v]) for v in (365, -0.065, 0.02, -0.105, -0.025, 0.001, 0.0)), 0.95)
    found = write_crude(SINCE_SEAT.pair, one, 100, 1, method=SINCE_SEAT.crude)
    assert found is not None
    assert (found.per_100, found.ci_low, found.ci_high) == pytest.approx((6.5, 2.5, 10.5))
    assert (found.from_days, found.years) == (100, 1)
    assert write_crude(SINCE_SEAT.pair, replace(one, std_error=np.array([np.nan])), 100, 1, method="") is None


def practice(*, vital_failures: int = 5) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Crowns of one seat date, one a patient, all followed for 400 days but for failures, no two on one day.

    40 with the root canal before (5 fail), 40 opened on day 100 (12 fail), 10 never opened; then one of unknown order
    and one never seen again. Of those that fail half are women's, of the others a quarter, and all that are vital.
    """
    kinds = [
        ("before_seat", 40, 5, None, 0),
        ("through_crown", 40, 12, 100, 5),
        ("vital", 10, vital_failures, None, 2),
        (None, 1, 1, None, 0),
    ]
    rows = [
        (timing, opened, 200 + shift + 10 * i if i < failed else 400, i < failed, is_woman(timing, i, failed))
        for timing, n, failed, opened, shift in kinds
        for i in range(n)
    ]
    rows.append(("vital", None, 0, False, True))
    crowns = pl.DataFrame(
        {
            "crown_id": [f"C{i:02}" for i in range(len(rows))],
            "patient_id": [f"p{i:02}" for i in range(len(rows))],
            "seat_date": SEAT,
            "entry_date": SEAT,
            "access_date": [None if r[1] is None else SEAT + dt.timedelta(r[1]) for r in rows],
            "exit_date": [SEAT + dt.timedelta(r[2]) for r in rows],
            "failure": [r[3] for r in rows],
            "endo_timing": [r[0] for r in rows],
        }
    )
    people = crowns.select(
        "patient_id", sex=pl.Series(["female" if woman else "male" for *_, woman in rows], dtype=pl.String)
    )
    return declared(crowns, CROWNS.schema), declared(people, PATIENTS.schema)


def is_woman(timing: str | None, i: int, failed: int) -> bool:
    return timing not in longevity.ROOT_CANAL or (i % 2 == 1 if i < failed else i % 4 == 3)


def declared(drawn: pl.DataFrame, schema: dict[str, pl.DataType]) -> pl.DataFrame:
    return drawn.select(
        (pl.col(name) if name in drawn.columns else pl.lit(None)).cast(dtype).alias(name)
        for name, dtype in schema.items()
    )


@pytest.fixture(scope="module")
def compared() -> Comparison:
    return compare_since_seat(*practice(), ONE_YEAR)


def test_the_crude_difference_by_hand(compared):
    # From day 100 to day 365 12 of 40 opened crowns fail and 5 of 40 others: Greenwood's variances add up.
    d = compared.crude_difference
    error = 100 * np.sqrt(0.3 * 0.7 / 40 + 0.125 * 0.875 / 40)
    assert (d.per_100, d.ci_low, d.ci_high) == pytest.approx(
        (17.5, 17.5 - 1.959964 * error, 17.5 + 1.959964 * error), abs=1e-5
    )
    assert d.from_days == 100


def test_the_adjusted_difference_is_the_mean_over_crowns_with_a_root_canal(compared):
    """The fitted ratios and one hazard per day of failure, 1 / (sum of ratios at risk), give every crown's share."""
    spells = state_spells(crown_rows(*practice()))
    fit = longevity.estimate_states(spells, ONE_YEAR).adjusted
    log = dict(zip(fit.names, fit.coef, strict=True))
    [sex] = set(log) - set(longevity.ROOT_CANAL)
    entry, exit_, event = (spells[c].to_numpy() for c in ("entry_days", "exit_days", "event"))
    of_sex = log[sex] * (spells["sex"] == sex.removeprefix("sex_")).to_numpy()
    of_state = spells["state"].replace_strict(log, default=0.0, return_dtype=pl.Float64).to_numpy()
    hazard = sum(
        1 / np.exp(of_sex + of_state)[(entry < day) & (exit_ >= day)].sum() for day in exit_[event] if 100 < day <= 365
    )
    target = of_sex[spells["state"].is_in(longevity.ROOT_CANAL).to_numpy()]
    assert len(target) == 80
    opened, before = (np.mean(1 - np.exp(-hazard * np.exp(log[s] + target))) for s in ("through_crown", "before_seat"))
    d = compared.difference
    assert d.method.startswith("adjusted")
    assert d.per_100 == pytest.approx(100 * (opened - before))
    assert d.ci_low < 5 < d.per_100 < 25 < d.ci_high
    assert d.from_days == 100


def test_ratios_of_the_states_follow_from_one_another(compared):
    models = {(): {}, ("sex",): {}}
    for e in compared.estimates:
        models[e.adjusted_for][e.contrast] = e
        assert e.ci_low < e.hazard_ratio < e.ci_high
        assert (e.crowns, e.events, e.clusters, e.stratified_by) == (91, 22, 91, ())
    for found in models.values():
        ratio = {contrast: e.hazard_ratio for contrast, e in found.items()}
        assert len(ratio) == 3
        assert ratio["through_crown vs before_seat"] == pytest.approx(
            ratio["through_crown vs vital"] / ratio["before_seat vs vital"]
        )
        assert ratio["through_crown vs before_seat"] > 2


def test_what_the_model_left_out_is_said(compared):
    assert "Not adjusted for year of the seat (the same in all, or too rare)." in compared.notes
    assert "Not adjusted for smoking (not recorded)." in compared.notes
    assert not any("sex" in note for note in compared.notes)
    assert compared.missing == ()


def test_the_naive_comparison_counts_the_same_crowns_from_the_seat(compared):
    assert dict(compared.naive.survival) == pytest.approx({"before_seat": 35 / 40, "through_crown": 28 / 40})
    assert compared.naive.ci_low < compared.naive.hazard_ratio < compared.naive.ci_high


def test_groups_and_flow_are_counted_by_hand(compared):
    counts = {g.name: (g.crowns, g.patients, g.failures) for g in compared.groups}
    assert counts == {"before_seat": (40, 40, 5), "vital": (11, 11, 5), "through_crown": (40, 40, 12)}
    assert [(s.left, s.removed) for s in compared.flow] == [(92, 0), (91, 1)]
    assert compared.flow[-1].left == sum(g.crowns for g in compared.groups)
    crowns, people = practice()
    told = longevity.count_flow(crowns, crown_rows(crowns, people))
    assert dict(zip(longevity.FLOW, told, strict=True)) == {"crowns": 92, "timed": 91}


def test_without_failures_of_vital_crowns_there_is_no_adjusted_difference():
    found = compare_since_seat(*practice(vital_failures=0), ONE_YEAR)
    assert found.difference == found.crude_difference
    assert {e.contrast for e in found.estimates} == {"through_crown vs before_seat"}
    assert found.notes[0] == "No failure with no root canal so far: no hazard ratio."
    plain = next(e for e in found.estimates if not e.adjusted_for)
    assert plain.crowns == 80
    # Nobody is lost and nothing fails before day 200, so counting from the seat misleads nobody here.
    assert plain.hazard_ratio == pytest.approx(found.naive.hazard_ratio)
    assert plain.hazard_ratio > 2.4


def test_one_state_with_failures_has_no_ratio_and_says_which_have_none():
    crowns, people = practice(vital_failures=0)
    only = crowns.with_columns(failure=pl.col("failure") & (pl.col("endo_timing") == "before_seat"))
    found = compare_since_seat(only, people, ONE_YEAR)
    assert [e.model for e in found.estimates] == ["cox_penalised"]
    assert found.naive is None
    # Too few have failed for a range.
    assert found.difference is None
    assert sum("no hazard ratio" in note for note in found.notes) == 2


def test_a_group_without_crowns_is_named_and_counts_nothing():
    crowns, people = practice()
    found = compare_since_seat(crowns.filter(pl.col("endo_timing") != "through_crown"), people, ONE_YEAR)
    assert found.notes[-1] == "No crown with root canal through the crown."
    assert [g.name for g in found.groups] == ["before_seat", "vital"]
    assert (found.difference, found.verdict.code) == (None, "too_early")
    none = empty_group(SINCE_SEAT, "vital")
    assert (none.label, none.crowns, none.patients, none.failures) == ("No root canal so far", 0, 0, 0)
    assert (none.tooth_years, none.rate_per_100_tooth_years, none.rate_ci_low, none.rate_ci_high) == (0, 0, 0, 0)


def test_a_difference_is_taken_by_fewer_years_where_the_crowns_are_not_followed_to_the_horizon():
    far = compare_since_seat(*practice(), Analysis(horizon_years=2))
    near = compare_since_seat(*practice(), ONE_YEAR)
    assert (far.difference, far.crude_difference, far.naive.survival) == (near.difference, near.crude_difference, ())
    assert far.difference.years == 1
    assert "Too few are followed for 2 years: this is from 3 months to 1 year." in far.verdict.range
    # Day 400 itself is reached.
    whole = compare_since_seat(*practice(), Analysis(horizon_years=400 / 365.25))
    assert whole.crude_difference.years == 400 / 365.25


def tables(before: tuple[int, int, int], opened: tuple[int, int, int]) -> Callable[[list[int]], list[RiskTable]]:
    """Both groups' tables: failed by the first day, failed by the horizon, followed to the horizon."""
    none = np.zeros(2, dtype=np.int64)

    def told(days: list[int]) -> list[RiskTable]:
        return [
            RiskTable(np.array(days), none, np.array([0, kept]), np.array([early, late]), none)
            for early, late, kept in (before, opened)
        ]

    return told


@pytest.mark.parametrize(
    ("first", "before", "opened", "window"),
    [
        (913, (0, 0, 50), (0, 0, 10), (913, 5.0)),
        (914, (0, 0, 50), (0, 0, 10), None),  # less than half of five years lies after it, and of the others too
        (547, (0, 0, 50), (0, 0, 9), None),
        (547, (0, 0, 50), (2, 3, 9), (547, 5.0)),  # one failed since and counts as if it were followed
        (547, (0, 0, 50), (3, 3, 9), None),
        (547, (0, 0, 50), (0, 10, 0), None),  # nobody is followed to the horizon
        (547, (0, 9, 0), (0, 0, 10), None),
        (547, (0, 10, 1), (0, 0, 10), (547, 5.0)),  # one alone is followed to it, of many that failed
        (None, (0, 0, 50), (0, 0, 50), None),
    ],
)
def test_the_window_of_two_small_groups(first, before, opened, window):
    assert longevity.short_window(first, tables(before, opened), Analysis()) == window


def test_the_longest_horizon_that_is_reached_is_taken():
    def by_years(days: list[int]) -> list[RiskTable]:
        assert days[0] == 183  # so that who failed on the first day itself has failed before
        return tables((0, 0, 50), (0, 0, 10 if days[1] < 1826 else 9))(days)

    assert longevity.short_window(182, by_years, Analysis()) == (182, 3.0)
    assert longevity.short_window(182, by_years, Analysis(horizon_years=3)) == (182, 3.0)
    assert longevity.short_window(182, by_years, Analysis(horizon_years=2)) == (182, 2)


def no_failure(*states: str) -> Comparison:
    crowns, people = practice()
    spared = pl.col("endo_timing").is_in(states)
    return compare_since_seat(crowns.with_columns(failure=pl.col("failure") & ~spared), people, ONE_YEAR)


def test_a_group_without_a_failure_has_the_limit_of_a_penalised_ratio():
    found = no_failure("through_crown")
    [ratio] = [e for e in found.estimates if e.contrast == "through_crown vs before_seat"]
    # On each of 5 days as many of both groups are at risk and one of the reference fails, so that with ratio b the
    # likelihood is (1 + b)^-5, the information 5 b / (1 + b)^2 and the penalised likelihood greatest at b = 1 / 11.
    assert ratio.hazard_ratio == pytest.approx(1 / 11)
    b = np.exp(np.linspace(-12, 4, 160_001))
    penalised = 0.5 * np.log(b) - 6 * np.log1p(b)
    within = np.flatnonzero(penalised >= penalised.max() - 1.959964**2 / 2)
    assert (ratio.ci_low, ratio.ci_high) == pytest.approx((b[within[0]], b[within[-1]]), rel=1e-3)
    assert (ratio.model, ratio.adjusted_for, ratio.clustered_on) == ("cox_penalised", (), "")
    assert (ratio.rows, ratio.crowns, ratio.events, ratio.clusters) == (80, 80, 5, 80)
    assert found.estimates[0] == ratio
    assert len(found.estimates) > 1
    assert longevity.PENALISED in found.notes
    assert found.verdict.code == "too_early"


def test_no_penalised_ratio_where_neither_or_too_few_failed():
    for states in ((), ("before_seat", "through_crown")):
        assert "cox_penalised" not in {e.model for e in no_failure(*states).estimates}
    spells = state_spells(crown_rows(*practice()))
    few = spells.with_columns(event=pl.col("event") & (pl.col("state") == "before_seat") & (pl.col("exit_days") < 235))
    assert longevity.penalised_ratio(few, ONE_YEAR) == []
    assert longevity.penalised_ratio(spells.filter(pl.col("state") != "through_crown"), ONE_YEAR) == []


@pytest.mark.parametrize(
    ("converged", "low", "high", "given"),
    [(True, 0.1, 2.0, True), (False, 0.1, 2.0, False), (True, 0.0, 2.0, False), (True, 0.1, np.inf, False)],
)
def test_a_penalised_ratio_is_given_with_both_its_limits_alone(monkeypatch, converged, low, high, given):
    ratio = SimpleNamespace(estimate=0.5, low=low, high=high, p=0.2)
    fit = SimpleNamespace(converged=converged, hazard_ratio=lambda *_, **__: ratio, n_rows=80, n_events=5)
    monkeypatch.setattr(longevity, "fit_firth", lambda *_, **__: fit)
    found = [e for e in no_failure("through_crown").estimates if e.model == "cox_penalised"]
    assert bool(found) is given


@pytest.mark.parametrize(("failures", "given"), [(4, False), (5, True)])
def test_a_group_needs_five_failures_for_a_ratio_and_a_range(failures, given):
    found = compare_since_seat(*practice(vital_failures=failures), ONE_YEAR)
    assert ("through_crown vs vital" in {e.contrast for e in found.estimates}) is given
    why = "Fewer than 5 failures with no root canal so far: no hazard ratio, its range would be a guess."
    assert (why in found.notes) is not given
    assert found.difference is not None
    assert compare_since_seat(*practice(), replace(ONE_YEAR, min_failures=6)).difference is None


@pytest.mark.parametrize(("stops", "reached"), [(364, False), (365, True), (None, False)])
def test_both_curves_must_reach_the_horizon(stops, reached):
    sides = {name: pl.DataFrame() for name in SINCE_OPENING.pair}  # nobody enters late, so no row is looked at
    for one, other in (("through_crown", "before_seat"), ("before_seat", "through_crown")):
        ends = {other: 400} if stops is None else {one: stops, other: 400}
        assert (full_window(SINCE_OPENING, sides, ends, ONE_YEAR) == 0) is reached
    assert full_window(SINCE_OPENING, sides, {"before_seat": 400}, ONE_YEAR) is None


@pytest.mark.parametrize(("opened", "start"), [(None, None), (364, 364), (365, None), (366, None)])
def test_two_curves_are_compared_from_before_the_horizon_on(opened, start):
    # Twenty crowns are opened on one day, or one alone, which is too few to start at all.
    n = 1 if opened is None else 20
    late = pl.DataFrame({"entry_days": [opened or 5] * n, "exit_days": 900, "event": False})
    sides = {"through_crown": late, "before_seat": pl.DataFrame()}
    assert full_window(SINCE_SEAT, sides, dict.fromkeys(sides, 900), ONE_YEAR) == start


@pytest.mark.parametrize(
    ("failed", "columns"),
    [
        ({"before_seat", "through_crown", "vital"}, ("before_seat", "through_crown")),
        ({"before_seat", "through_crown"}, ("through_crown",)),
        ({"through_crown", "vital"}, ("through_crown",)),
        ({"before_seat", "vital"}, ("before_seat",)),
    ],
)
def test_the_reference_is_vital_or_else_the_first(failed, columns):
    assert longevity.model_states(failed) == columns
    spells = pl.DataFrame({"state": ["before_seat", "through_crown", "vital"]})
    made = longevity.state_columns(spells, failed)
    assert made.tolist() == [[float(state == c) for c in columns] for state in spells["state"]]


def test_the_crude_model_has_the_states_alone_and_the_adjusted_one_strata_of_clinicians():
    failed = {"before_seat", "through_crown", "vital"}
    crude, full = longevity.state_models(failed, ("sex",), ("sex_male",), 2)
    assert (crude.used, crude.stratified_by, crude.names) == ((), (), ("before_seat", "through_crown"))
    assert full.stratified_by == ("clinician",)
    assert full.names == ("before_seat", "through_crown", "sex_male")
    assert longevity.state_models(failed, ("sex",), ("sex_male",), 1)[1].stratified_by == ()


def test_a_model_that_is_refused_is_said_and_the_other_stands():
    spells = longevity.usable_spells(state_spells(crown_rows(*practice())), {"before_seat", "through_crown", "vital"})
    states = {"before_seat", "through_crown", "vital"}
    models = longevity.state_models(states, ("sex",), ("sex_male",), 1)

    def fit(model: longevity.StateModel, refused: tuple[bool, ...]) -> longevity.CoxFit:
        if bool(model.used) in refused:
            raise CoxInputError("no.")
        x = longevity.state_columns(spells, states)
        return longevity.fit_states(spells, x, names=models[0].names, stratum=None)

    def found(*refused: bool) -> tuple[list[object], list[str], object]:
        failures, failed = dict.fromkeys(states, 5), dict.fromkeys(states, 5.0)
        by = {"failures": failures, "failed": failed, "crowns": 9, "confidence": 0.95}
        return longevity.estimates_of(models, lambda m: fit(m, refused), **by)

    estimates, notes, last = found(True)
    assert [e.adjusted_for for e in estimates] == [()] * 3
    assert notes == ["The adjusted model could not be fitted: no."]
    assert last is None
    estimates, notes, last = found(False)
    assert [e.adjusted_for for e in estimates] == [("sex",)] * 3
    assert notes == ["The crude model could not be fitted: no."]
    assert longevity.can_standardise(last)
    assert not longevity.can_standardise(replace(last, converged=False))
    assert not longevity.can_standardise(replace(last, names=("before_seat", "other")))
    assert found(True, False)[1:] == (
        ["The crude model could not be fitted: no.", "The adjusted model could not be fitted: no."],
        None,
    )


def test_a_row_that_ends_before_it_begins_is_in_no_model():
    spells = pl.DataFrame(
        {"state": ["vital", "vital", "vital", "through_crown"], "entry_days": [0, 5, 6, 0], "exit_days": [5, 5, 5, 9]}
    )
    assert longevity.usable_spells(spells, {"vital"})["entry_days"].to_list() == [0, 5]


def test_milestones_hold_the_horizon_once():
    years = (0, 1, 2, 3, 5, 7, 10, 15)
    assert Analysis(horizon_years=5).curve_rules().years == years
    rules = Analysis(horizon_years=4, max_step_per_100=5).curve_rules()
    assert rules.years == (*years[:4], 4, *years[4:])
    assert rules.max_step == 0.05


def test_years_between_the_first_day_and_the_last():
    assert longevity.years_between(SEAT, SEAT + dt.timedelta(1461)) == 4
    assert longevity.years_between(None, SEAT) == longevity.years_between(SEAT, None) == 0


def test_the_years_of_records_run_from_the_first_entry_to_the_last_exit(monkeypatch):
    monkeypatch.setattr(longevity, "comparison_of", lambda *_, years, **__: years)
    crowns, people = practice()
    followed = crowns.filter(pl.col("exit_date") > SEAT)
    later = pl.when(pl.col("endo_timing") == "vital").then(pl.duration(days=200)).otherwise(pl.duration(days=0))
    # Those without a root canal are seated and last seen 200 days after the others.
    moved = followed.with_columns(pl.col("seat_date", "entry_date", "exit_date") + later)
    assert compare_since_seat(moved, people, ONE_YEAR) == pytest.approx(600 / 365.25)


def test_without_checks_nothing_is_given_that_needs_all_rows(compared):
    found = compare_since_seat(*practice(), ONE_YEAR, checks=False)
    assert (found.steady, found.mean_years, found.within_patient) == (None, None, None)
    assert longevity.NOT_CHECKED in found.notes
    assert longevity.NOT_CHECKED not in compared.notes
    assert compared.mean_years is not None


@pytest.mark.parametrize("steady", [True, None, False])
def test_with_no_difference_to_stand_on_the_fitted_ratio_is_told_unless_it_is_steady(monkeypatch, steady):
    judged = Steady("through_crown vs before_seat", steady, 0.5, (), (), None, "")
    ratio, other = (2.0, 1.5, 3.0), (9.0, 8.0, 10.0)
    monkeypatch.setattr(longevity, "stand_on", lambda *_, **__: Standing(None, ratio, replace(judged, overall=told)))
    told = None
    # So few are at risk that no window has enough of them.
    found = compare_since_seat(*practice(), replace(ONE_YEAR, min_at_risk=1000))
    assert (found.difference, found.steady.overall) == (None, None if steady else ratio)
    # With a difference what stands with it is kept, and without an adjusted model there is nothing to tell.
    told = other
    assert compare_since_seat(*practice(), ONE_YEAR).steady.overall == other
    crowns, people = practice()
    without = compare_since_seat(
        crowns, people.with_columns(sex=pl.lit(None, pl.String)), replace(ONE_YEAR, min_at_risk=1000)
    )
    assert without.steady.overall == other


def test_the_verdict_stands_on_the_adjusted_difference():
    crude, full = (
        Difference("through_crown", "before_seat", 1, 0, mid, mid - 1, mid + 1, how)
        for mid, how in ((20.0, "crude"), (-20.0, "adjusted"))
    )
    groups = {n: replace(empty_group(SINCE_SEAT, n), failures=40) for n in ("before_seat", "through_crown")}
    made = [
        longevity.made_of(
            groups,
            ratios=Ratios(),
            naive=None,
            crude=crude,
            stands=Standing(adjusted_one, (0.5, 0.4, 0.6)),
            flow=(),
            years=5,
            analysis=ONE_YEAR,
        )
        for adjusted_one in (full, None)
    ]
    assert ["20 fewer failures" in m.verdict.sentence for m in made] == [True, False]
    # A crude difference is shown, and claims nothing.
    assert [m.verdict.code for m in made] == ["differs", "cannot_tell"]
    assert "could not be adjusted" in made[1].verdict.sentence
    assert "20 more failures" in made[1].verdict.result
    assert [m.difference.method for m in made] == ["adjusted", "crude"]
    assert {m.crude_difference.method for m in made} == {"crude"}
