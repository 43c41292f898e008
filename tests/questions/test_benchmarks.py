"""Published figures: a declared table, and strict rules on what may stand beside ours."""

from __future__ import annotations

import datetime as dt
import json
import re

import polars as pl
import pytest

from dashboards.charts.benchmarks import benchmarks_chart
from dashboards.pages import owner
from pipeline.practice.tables import CROWNS, ENDO_COURSES, TOOTH_FOLLOWUP
from pipeline.questions.benchmarks import (
    AGREE,
    BENCHMARKS,
    ON_RECORD,
    compare_published,
    disagreements,
    nearest,
    own_outcomes,
    read_benchmarks,
)
from pipeline.results import to_plain
from pipeline.results.monitoring import Benchmark
from tests.drawn import frame

TABLE = read_benchmarks()
OWN = own_outcomes(CROWNS.empty(), ENDO_COURSES.empty(), TOOTH_FOLLOWUP.empty())
FIT = next(row for row in TABLE.iter_rows(named=True) if row["benchmark_id"] == "b031")


def against(**change: object) -> list[str]:
    row = FIT | change
    return [found.field for found in disagreements(row, nearest(row, OWN))]


def by_id(benchmark_id: str) -> dict[str, object]:
    return TABLE.row(by_predicate=pl.col("benchmark_id") == benchmark_id, named=True)


def test_the_shipped_table_is_as_declared() -> None:
    BENCHMARKS.check(TABLE)
    shares = TABLE.filter(pl.col("measure").is_in(["share_free", "share_with"]))
    assert shares.filter((pl.col("estimate") < 0) | (pl.col("estimate") > 100)).height == 0
    assert shares.filter(pl.col("estimate_low") > pl.col("estimate")).height == 0
    assert shares.filter(pl.col("estimate_high") < pl.col("estimate")).height == 0
    # A typed figure is the printed one, wherever that is a plain number; a median is a time, in years or in months.
    printed = TABLE.with_columns(number=pl.col("source_estimate").cast(pl.Float64, strict=False)).drop_nulls("number")
    medians = printed.filter(pl.col("measure") == "median_time")
    assert printed.filter(pl.col("measure") != "median_time", pl.col("estimate") != pl.col("number")).height == 0
    months = pl.when(pl.col("source_unit").str.starts_with("months")).then(12).otherwise(1)
    assert medians.height == 4
    assert medians.filter((pl.col("horizon_years") - pl.col("number") / months).abs() > 0.005).height == 0
    counted = TABLE.with_columns(number=pl.col("source_n").cast(pl.Int64, strict=False))
    assert counted.filter(pl.col("n").ne_missing(pl.col("number"))).height == 0


@pytest.mark.parametrize(
    ("benchmark_id", "estimate", "n", "text"),
    [
        ("b143", 5.7, 437, "25 of 437 teeth crowned while vital (603 examined, 166 root-filled before)"),
        ("b117", 68.0, None, "Next intervention"),
        ("b119", 48.0, None, "Next intervention"),
        ("b180", 81.4, 86, "81.4 % with the 5 % solution, 72.1 % with the 1 % solution"),
        ("b040", 74.0, 30843, "Retreatment of the root canal, apical surgery or extraction"),
        ("b128", 74.9, None, "vital"),
        ("b129", 79.4, None, "post and core"),
        ("b181", 18.6, 298, "24 samples (18.6 %) with 3 %, 18 (13.4 %) with 0.5 %"),
    ],
)
def test_figures_held_against_their_source(benchmark_id: str, estimate: float, n: int | None, text: str) -> None:
    row = by_id(benchmark_id)
    assert (row["estimate"], row["n"]) == (estimate, n)
    assert text in str(row["definition"])
    assert round(100 * 25 / 437, 1) == by_id("b143")["estimate"]


def test_a_figure_is_seen_with_its_address_or_says_that_it_is_from_memory() -> None:
    seen = TABLE.filter("seen")
    assert seen["seen_where"].str.starts_with("seen (").all()
    assert TABLE.filter(~pl.col("seen"))["seen_where"].str.contains("from memory").all()
    text = [name for name, kind in TABLE.schema.items() if kind == pl.String]
    assert seen.filter(pl.any_horizontal(pl.col(text).str.contains("(?i)from memory"))).height == 0
    assert {by_id("b117")["doi"], by_id("b119")["doi"]} == {"10.1016/j.jdent.2008.03.017"}
    assert "b118" not in TABLE["benchmark_id"]


def test_a_figure_that_agrees_in_everything_is_comparable() -> None:
    assert against() == []


# One field broken at a time, the edge beside the ordinary case.
BROKEN = frame("""
    field          | value                  | told
    outcome        | tooth_loss             | is about the loss of teeth, not the failure of root canals
    event          | tooth_lost             | counts loss of the tooth, not retreatment
    event          | retreatment            | counts retreatment alone, not retreatment, surgery
    event          | not_stated             | what counted as failure is not stated
    start          | crown_seat             | counts from the seat of the crown, not from the root canal
    start          | not_stated             | does not say from when
    clock          | unequal_followup       | followed for unequal times
    clock          | not_stated             | no one time
    censoring      | crude                  | crude share
    censoring      | modified_kaplan_meier  | modified Kaplan-Meier
    censoring      | unnamed                | how the share was estimated is not named
    censoring      | pooled                 | pooled over studies
    censoring      | model                  | predicted by a model
    censoring      | minimum_followup       | followed for some years
    censoring      | not_stated             | lost from sight
    teeth          | subset                 | only some kinds
    teeth          | crowned_after_endo     | crowned after a root canal, not teeth with a first
    measure        | ratio                  | no share of teeth
    measure        | other                  | no share of teeth
    estimate       |                        | no share of teeth
    horizon_years  |                        | its time is not on record
    n              |                        | its number of teeth is not on record
    citation       |                        | its citation is not on record
    definition     |                        | its definition of the outcome is not on record
    seen_where     |                        | where it was seen is not on record
    seen           | no                     | from memory
""")


@pytest.mark.parametrize("row", BROKEN.to_dicts(), ids=lambda row: f"{row['field']}-{row['value']}")
def test_each_disagreement_alone_is_reason_enough_and_is_named(row: dict[str, str | None]) -> None:
    field, told = str(row["field"]), str(row["told"])
    value: object = False if field == "seen" else row["value"]
    broken = FIT | {field: value}
    (found,) = disagreements(broken, nearest(broken, OWN))
    assert found.field == ("measure" if field == "estimate" else field)
    assert told in found.reason


def test_the_broken_fields_are_all_that_must_agree() -> None:
    assert {*AGREE, *ON_RECORD, "measure", "estimate", "seen"} == set(BROKEN["field"])


def test_all_that_differs_is_named() -> None:
    assert against(censoring="crude", teeth="subset", n=None) == ["censoring", "teeth", "n"]
    assert against(doi=None) == []  # some journals and theses have none


def test_general_practice_stands_beside_the_loss_of_root_filled_teeth() -> None:
    # Half lost by 11.1 years, 26 % left at 20: extraction, Kaplan-Meier, censored at the last visit.
    for benchmark_id in ("b049", "b050"):
        row = by_id(benchmark_id)
        own = nearest(row, OWN)
        assert disagreements(row, own) == ()
        assert (own.outcome, own.event, own.start, own.teeth) == (
            "tooth_loss", "tooth_lost", "endo_completion", "initial_endo",
        )  # fmt: skip


def test_an_estimator_that_was_not_read_is_no_agreement() -> None:
    row = by_id("b148")
    assert [found.field for found in disagreements(row, nearest(row, OWN))] == ["censoring"]


def course(number: int, completed: dt.date, exit_date: dt.date, *, failure: bool) -> dict[str, object]:
    row = dict.fromkeys(ENDO_COURSES.columns)
    return row | {
        "course_id": f"c{number}", "patient_id": f"p{number}", "tooth_fdi": 36, "tooth_group": "molar",
        "started": completed, "completed": completed, "visits": 1, "kind": "initial", "coded_as_initial": False,
        "crown_at_start": "none", "done_elsewhere": False, "failure": failure,
        "failure_cause": "retreatment" if failure else None,
        "exit_date": exit_date, "exit_reason": "failed" if failure else "cutoff",
        "retreatment_date": exit_date if failure else None,
    }  # fmt: skip


def courses_of(n: int, *, lost: int, after: int, **change: object) -> pl.DataFrame:
    """`n` first root canals of 2001, the first `lost` of which fail `after` years later; the rest followed to 2022."""
    done = dt.date(2001, 1, 1)
    rows = [course(i, done, dt.date(2001 + after if i < lost else 2022, 1, 1), failure=i < lost) for i in range(n)]
    return pl.DataFrame([row | change for row in rows], schema=ENDO_COURSES.schema)


def teeth_of(courses: pl.DataFrame) -> pl.DataFrame:
    """Every failure of `courses` an extraction."""
    rows = courses.select(
        "patient_id", "tooth_fdi", followed_to="exit_date", end_reason="exit_reason",
        extracted=pl.when("failure").then("exit_date"), loss_reason=pl.lit(None, pl.String()),
    )  # fmt: skip
    return rows.select(pl.col(name).cast(kind) for name, kind in TOOTH_FOLLOWUP.schema.items())


def compared(courses: pl.DataFrame, *, min_at_risk: int = 10) -> dict[str, Benchmark]:
    found = compare_published(TABLE, CROWNS.empty(), courses, teeth_of(courses), min_at_risk=min_at_risk)
    return {b.benchmark_id: b for b in found}


def test_ours_is_the_share_at_the_published_time() -> None:
    found = compared(courses_of(20, lost=3, after=3))
    same = {i: b for i, b in found.items() if b.comparable}
    assert list(same) == ["b030", "b031", "b032", "b034", "b049", "b050"]
    assert [same[i].ours for i in ("b030", "b031", "b032")] == pytest.approx([1.0, 17 / 20, 17 / 20])
    assert [same[i].ours for i in ("b034", "b049", "b050")] == pytest.approx([17 / 20] * 3)
    assert [same[i].published for i in ("b049", "b050")] == [0.5, 0.26]
    assert [i for i, b in found.items() if "is a median" in b.note] == ["b049", "b052", "b053", "b054"]
    # By 1 year 20 teeth for a year each; by 5 years three for 3 years and 17 for 5.
    assert [same[i].our_failures for i in ("b030", "b031", "b032")] == [0, 3, 3]
    assert [same[i].our_tooth_years for i in ("b030", "b031", "b032")] == pytest.approx([20, 94, 179], abs=0.02)
    assert all(b.our_teeth == 20 and b.our_definition and not b.disagrees for b in same.values())
    assert all(b.reasons and b.ours is None for i, b in found.items() if i not in same)


def test_too_few_teeth_followed_that_long_is_told_as_ours() -> None:
    found = compared(courses_of(20, lost=3, after=3), min_at_risk=18)
    assert [i for i, b in found.items() if b.comparable] == ["b030"]
    assert found["b031"].disagrees == ("ours",)
    assert "fewer than 18" in found["b031"].reasons[0]


def test_repeats_and_work_done_elsewhere_are_not_first_root_canals_of_ours() -> None:
    ours, repeats = courses_of(20, lost=0, after=1), courses_of(10, lost=10, after=1, kind="retreatment")
    others = courses_of(10, lost=10, after=1, done_elsewhere=True)
    renamed = [
        part.with_columns(course_id=pl.format("{}-{}", pl.lit(name), "course_id"),
                           patient_id=pl.format("{}-{}", pl.lit(name), "patient_id"))
        for name, part in (("repeat", repeats), ("other", others))
    ]  # fmt: skip
    found = compared(pl.concat([ours, *renamed]))
    assert found["b032"].ours == pytest.approx(1.0)
    assert (found["b034"].our_teeth, found["b034"].ours) == (30, pytest.approx(20 / 30))


def test_the_order_of_rows_changes_nothing() -> None:
    courses = courses_of(20, lost=3, after=3)
    assert compared(courses) == compared(courses.reverse())


def test_no_figure_from_memory_reaches_results_or_a_page() -> None:
    # The same figure twice: as it is, and as one that nobody read.
    unread = TABLE.filter(pl.col("benchmark_id") == "b031").with_columns(
        benchmark_id=pl.lit("b999"), seen=pl.lit(False), citation=pl.lit("Nobody N. 1999. From memory"),
        seen_where=pl.lit("from memory"),
    )  # fmt: skip
    courses = courses_of(20, lost=3, after=3)
    table = pl.concat([TABLE, unread])
    found = compare_published(table, CROWNS.empty(), courses, teeth_of(courses), min_at_risk=10)
    kept = {b.benchmark_id for b in found}
    assert kept == set(TABLE.filter("seen")["benchmark_id"])
    assert {"b999", "b180"}.isdisjoint(kept)
    page = owner._published(found, ())
    shown = json.dumps(
        [to_plain(found), page["intro"], page["definitions"], to_plain(page["table"]), to_plain(page["rest"])]
    )
    assert not re.search(r"from memory|Nobody|81\.4 % with", shown, re.IGNORECASE)
    chart = benchmarks_chart(found, id="b", label="x")
    assert chart is not None
    assert not re.search(r"from memory|Nobody", json.dumps(chart.spec), re.IGNORECASE)


def test_only_figures_that_agree_in_all_stand_beside_ours() -> None:
    beside = [row for row in TABLE.iter_rows(named=True) if not disagreements(row, nearest(row, OWN))]
    assert {row["benchmark_id"] for row in beside} == {"b030", "b031", "b032", "b034", "b049", "b050", "b216"}
    for row in beside:
        own = nearest(row, OWN)
        assert [row[name] for name in AGREE] == [getattr(own, name) for name in AGREE]
        assert row["seen"]
        assert all(row[name] not in (None, "") for name in ON_RECORD)


def test_a_share_with_the_event_is_turned_into_one_without() -> None:
    crude = compared(ENDO_COURSES.empty())["b009"]
    assert crude.figure.startswith("10.3")
    assert crude.published == pytest.approx(0.897)
