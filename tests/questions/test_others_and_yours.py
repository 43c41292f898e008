"""What others found and what ours adds: which of the three leads, and what may not be put together."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import pytest
from scipy.special import polygamma

from dashboards.pages.evidence import evidence_block
from pipeline.machine.errors import DataError
from pipeline.practice.settings import Borrowing, Rules
from pipeline.release.pool.agreed import DEFINITIONS, NOTE, SCHEMA, agreed_rules
from pipeline.release.pool.contribution import Contrast, Contribution, Ratio, Side
from pipeline.release.pool.evidence import others_of, with_evidence
from pipeline.release.pool.others_and_yours import Others, evidence
from pipeline.results import Comparison, Estimate, from_plain, to_plain
from pipeline.results.evidence import Evidence, EvidenceRow
from pipeline.results.monitoring import Benchmark
from pipeline.stats.mixture_prior import effective_size, predicted, updated, with_vague
from tests.dashboards.sample_results import cannot_tell as sample_results
from tests.drawn import frame

MAIN = "crown_longevity_by_endo_timing"
RULES = {f.name: str(f.default) for f in fields(Rules)} | {"crown_date": "seat"}
ANALYSIS = {"horizon_years": "5", "smallest_difference_per_100": "5.0", "min_failures": "10", "confidence": "0.95"}


def published(**change: Any) -> Benchmark:
    """A published share of 92 of 100 free of the event at 5 years, ours 90 with 20 failures of 250 teeth."""
    words = {f.name: "" for f in fields(Benchmark) if f.type is str}
    base: dict[str, Any] = {
        **words, "benchmark_id": "b1", "event": "endo_intervention", "start": "endo_completion",
        "teeth": "initial_endo", "citation": "Burry JC. 2016. J Endod", "n": 5000, "horizon_years": 5.0,
        "published": 0.92, "published_low": None, "published_high": None, "comparable": True, "disagrees": (),
        "reasons": (), "our_teeth": 250, "ours": 0.9, "ours_low": 0.851, "ours_high": 0.934, "our_failures": 20,
        "our_tooth_years": 1000.0,
    }  # fmt: skip
    return Benchmark(**(base | change))


def none_failed(**change: Any) -> Benchmark:
    return published(ours=1.0, ours_low=None, ours_high=None, our_failures=0, **change)


def estimate(ratio: float, error: float, *, adjusted_for: tuple[str, ...] = (), events: int = 30) -> Estimate:
    away = math.exp(1.959964 * error)
    low, high = ratio / away, ratio * away
    return Estimate(
        "through_crown vs before_seat", "cox_time_varying", adjusted_for, (), ratio, low, high, 0.5, "patient_id",
        400, 400, events, 300,
    )  # fmt: skip


def compared(*estimates: Estimate) -> Comparison:
    return replace(sample_results().comparisons[0], id=MAIN, estimates=estimates)


def given(code: int, ratio: float | None, *, adjusted: float | None = None, **rules: str) -> Contribution:
    """A contribution with one question; `ratio` and `adjusted` are logarithms."""
    sides = [Side(name, 200, 150, 40, (), ()) for name in ("through_crown", "before_seat")]
    of = [
        None if log is None else Ratio("cox_time_varying", covariates, log, 0.15, 0.3)
        for log, covariates in ((ratio, ()), (adjusted, ("sex",)))
    ]
    contrast = Contrast(MAIN, "crown_failure", "since_seat", sides[0], sides[1], of[0], of[1], None)
    told = agreed_rules(RULES | rules, ANALYSIS)
    return Contribution(SCHEMA, DEFINITIONS, "toothyears 0.1.0", NOTE, f"{code:016x}", "2025-12", told, (contrast,))


def found(
    benchmarks: list[Benchmark] | None = None,
    comparisons: list[Comparison] | None = None,
    others: list[Contribution] | None = None,
    **borrowing: float,
) -> Evidence:
    return evidence(
        benchmarks or [],
        comparisons or [],
        Others(tuple(others or ()), borrowing=Borrowing(**borrowing)),
        confidence=0.95,
    )


def share(*benchmarks: Benchmark, **borrowing: float) -> EvidenceRow:
    (row,) = found(list(benchmarks), **borrowing).rows
    return row


def test_where_the_two_agree_both_together_lead_and_ours_stays() -> None:
    row = share(published())
    assert row.ours is not None
    assert row.together is not None
    assert row.rests_on == "together"
    assert (row.ours.value, row.ours.low, row.ours.high) == pytest.approx((10, 6.6, 14.9))
    assert row.others.value == pytest.approx(8, abs=0.01)
    assert row.others.value < row.together.value < row.ours.value
    assert row.together.high - row.together.low < row.ours.high - row.ours.low
    assert row.worth is not None
    assert row.worth_before is not None
    assert 0 < row.worth_before < 250
    assert row.worth > 20
    assert "rests on the published figures and ours together; ours alone says 10 (7 to 15)" in row.verdict


# Ours against a published 8 of 100: what leads, by hand from how far off it lies and how much is known.
LEADS = frame("""
    failures | tooth_years | ours | low   | high  | leads
    20       | 1000        | 0.90 | 0.851 | 0.934 | together
    0        | 1000        | 1.0  |       |       | ours
    0        | 50          | 1.0  |       |       | together
    120      | 1000        | 0.40 | 0.340 | 0.460 | ours
    2400     | 120000      | 0.90 | 0.8962| 0.9037| ours
""")


@pytest.mark.parametrize("row", LEADS.to_dicts())
def test_which_of_the_three_leads(row: dict[str, Any]) -> None:
    ours, low, high = (None if row[k] is None else float(row[k]) for k in ("ours", "low", "high"))
    made = share(
        published(
            our_failures=row["failures"],
            our_tooth_years=float(row["tooth_years"]),
            our_teeth=row["tooth_years"] // 4,
            ours=ours,
            ours_low=low,
            ours_high=high,
        )
    )
    assert made.rests_on == row["leads"]
    assert made.conflict == (row["failures"] in {0, 120} and row["leads"] == "ours")
    assert ("conflict" in made.verdict) == made.conflict


def test_no_failure_of_ours_still_has_a_range_and_moves_the_two_together() -> None:
    # 20 teeth for 5 years each and none failed: at most 3.69 / 20 of cumulative hazard at 97.5 % one-sided.
    row = share(none_failed(our_tooth_years=100.0, our_teeth=20))
    assert row.ours is not None
    assert row.together is not None
    assert (row.ours.value, row.ours.low) == (0, 0)
    assert row.ours.high == pytest.approx(100 * (1 - math.exp(-3.6889 / 20)), abs=0.01)
    assert 0 < row.together.value < row.others.value
    assert row.worth is None
    assert row.worth_before is not None


def test_too_few_of_ours_leaves_the_others_alone() -> None:
    row = share(published(comparable=False, disagrees=("ours",), ours=None, our_teeth=None, our_failures=None))
    assert (row.rests_on, row.ours, row.together, row.worth) == ("others", None, None, None)
    assert "rests on the published figures alone" in row.verdict


def test_only_figures_that_mean_the_same_are_borrowed() -> None:
    assert found([published(comparable=False, disagrees=("censoring",))]).rows == ()
    assert found([published(comparable=False, disagrees=("ours", "teeth"))]).rows == ()
    assert found([published(horizon_years=None)]).rows == ()


def test_a_figure_without_a_range_and_a_number_is_left_out_and_named() -> None:
    made = found([published(n=None)])
    assert made.rows == ()
    assert made.left_out == (
        "Burry JC. 2016. J Endod: neither a range nor a number of teeth, so it cannot be weighed.",
    )
    assert found([published(n=None, published_low=0.9, published_high=0.94)]).rows[0].studies == 1


def test_two_sources_are_one_row_and_one_source_counts_once() -> None:
    twice = published(benchmark_id="b2", n=50)
    other = published(benchmark_id="b3", citation="Someone else. 2010. J", published=0.85)
    assert share(published(), twice) == share(published())
    assert share(published(), other).studies == 2
    assert share(other, published(), twice) == share(published(), twice, other)
    assert len(found([published(), published(benchmark_id="b4", horizon_years=10.0)]).rows) == 2


def test_a_very_precise_source_is_believed_no_more_than_practices_differ() -> None:
    vast = share(published(n=500_000_000))
    assert vast.others.high - vast.others.low > 20
    assert vast.worth_before == pytest.approx(share(published()).worth_before, rel=0.05)
    assert (share(published(), between_shares=0.1).worth_before or 0) > 2.5 * (vast.worth_before or math.inf)


def test_teeth_of_one_patient_count_for_fewer() -> None:
    # The same failures with a wider range: less is known of ours, so the others count for more.
    wide = share(published(ours_low=0.78, ours_high=0.956))
    assert (wide.worth or 0) / 250 > (share(published()).worth or 0) / 250


def test_a_published_number_of_teeth_is_worth_the_range_that_it_gives() -> None:
    # The error of log(-log S) is that of S, of n teeth, over S log S; the range that it gives weighs as much.
    error = math.sqrt(0.92 * 0.08 / 300) / (0.92 * -math.log(0.92))
    low, high = (math.exp(math.log(0.92) * math.exp(side * 1.959964 * error)) for side in (1, -1))
    ranged = share(published(n=None, published_low=low, published_high=high))
    counted = share(published(n=300))
    assert (counted.others.low, counted.others.high) == pytest.approx((ranged.others.low, ranged.others.high))
    assert counted.worth == pytest.approx(ranged.worth)
    # A share of none or all has no error on that scale.
    assert found([published(published=1.0)]).rows == found([published(published=0.0)]).rows == ()


def test_how_many_of_our_teeth_the_others_are_worth_by_hand() -> None:
    # Ours knows as much of the log rate as 20 failures do, or as many as its own range tells.
    error = math.sqrt(0.08 / (5000 * 0.92)) / -math.log(0.92)
    prior = predicted([math.log(-math.log(0.92))], [error], tau_scale=0.5)
    ends = [math.log(-math.log(s)) for s in (0.851, 0.934)]
    failures = min(20, ((ends[0] - ends[1]) / (2 * 1.959964)) ** -2)
    unit = math.sqrt(250 * float(polygamma(1, failures)))
    robust = with_vague(prior, weight=0.2, mean=prior.mean, sd=1.0)
    assert share(published()).worth_before == pytest.approx(effective_size(robust, unit), rel=1e-4)


def test_what_ratios_of_others_are_worth_by_hand() -> None:
    (row,) = found(comparisons=[compared(estimate(1.5, 0.3))], others=[given(1, 0.45), given(2, 0.3)]).rows
    prior = predicted([0.45, 0.3], [0.3, 0.3], tau_scale=0.5)
    robust = with_vague(prior, weight=0.2, mean=0.0, sd=0.3 * math.sqrt(30))
    after = updated(robust, math.log(1.5), 0.3)
    assert row.vague_weight == pytest.approx(after.vague)
    assert row.together is not None
    assert row.together.value == pytest.approx(math.exp(after.mixture.quantile(0.5)))
    assert row.worth_before == pytest.approx(effective_size(robust, 0.3 * math.sqrt(400)))


def test_ratios_of_other_practices_meet_ours_of_the_same_kind() -> None:
    own = compared(estimate(1.5, 0.3), estimate(1.4, 0.32, adjusted_for=("sex",)))
    (row,) = found(comparisons=[own], others=[given(1, 0.45, adjusted=0.6), given(2, 0.3, adjusted=0.45)]).rows
    assert row.ours is not None
    assert row.together is not None
    assert (row.kind, row.studies, row.rests_on) == ("ratio", 2, "together")
    assert row.ours.value == 1.4
    assert row.others.value == pytest.approx(math.exp(0.525), rel=0.02)
    assert row.ours.value < row.together.value < row.others.value
    assert "the range" in row.verdict
    (crude,) = found(comparisons=[own], others=[given(1, 0.45)]).rows
    assert crude.ours is not None
    assert crude.ours.value == 1.5


def test_ratios_in_conflict_leave_ours_in_the_lead() -> None:
    others = [given(i, 1.5) for i in range(1, 6)]
    (row,) = found(comparisons=[compared(estimate(0.5, 0.2, events=100))], others=others).rows
    assert (row.conflict, row.rests_on) == (True, "ours")
    assert row.together is not None
    assert row.together.value == pytest.approx(0.5, rel=0.15)
    assert "Other practices and ours conflict" in row.verdict


def test_only_others_know() -> None:
    (row,) = found(comparisons=[compared()], others=[given(1, 0.45), given(2, 0.3)]).rows
    assert (row.rests_on, row.ours, row.worth) == ("others", None, None)
    assert found(comparisons=[compared(estimate(1.5, 0.3))], others=[]).rows == ()


def test_the_order_of_others_changes_no_bit() -> None:
    own = [compared(estimate(1.5, 0.3))]
    others = [given(i, x) for i, x in enumerate((0.45, 0.3, -0.15, 0.6), 1)]
    assert found(comparisons=own, others=others) == found(comparisons=own, others=others[::-1])


def test_our_own_file_among_the_others_is_left_out() -> None:
    own, other = given(7, 0.45), given(8, 0.3)
    told = others_of([other, own], code=own.code, rules=own.rules, borrowing=Borrowing())
    assert (told.given, told.own_files) == ((other,), 1)
    older = replace(own, data_until="2024-12")
    assert others_of([own, older], code=own.code, rules=own.rules, borrowing=Borrowing()).given == ()


def test_others_by_other_rules_or_twice_are_refused() -> None:
    rules = given(1, 0.3).rules
    with pytest.raises(DataError, match="count by different rules"):
        others_of([given(8, 0.3, course_gap_days="90")], code="", rules=rules, borrowing=Borrowing())
    with pytest.raises(DataError, match="same practice"):
        others_of([given(8, 0.3), given(8, 0.45)], code="", rules=rules, borrowing=Borrowing())


def test_results_carry_it_and_pages_show_it_once() -> None:
    sample = replace(sample_results(), evidence=None)
    assert evidence_block(sample.evidence, "share") == {}
    results = with_evidence(
        replace(sample, benchmarks=(published(),), analysis={**sample.analysis, "confidence": "0.95"}), Others(), dict
    )
    assert results.evidence is not None
    assert from_plain(Evidence, to_plain(results.evidence)) == results.evidence
    block = evidence_block(results.evidence, "share")
    assert block["chart"] is not None
    assert block["table"] is not None
    assert len(block["list"]) == 1
    assert "Theirs narrowed the range as much as about" in block["list"][0]
    assert block["table"].rows[0][-1] == "both together"
    alone = evidence_block(results.evidence, "ratio")
    assert alone["chart"] is None
    assert "our comparisons stand alone" in alone["nothing"]
