"""Published figures: a declared table, and strict rules on what may stand beside ours."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.questions.benchmarks import BENCHMARKS, compare_published, own_outcomes, read_benchmarks, reasons_against
from pipeline.tables import CROWNS, ENDO_COURSES, TOOTH_FOLLOWUP

TABLE = read_benchmarks()
OWN = {(o.event, o.clock): o for o in own_outcomes(CROWNS.empty(), ENDO_COURSES.empty(), TOOTH_FOLLOWUP.empty())}
FIT = {
    "event": "endo_intervention", "clock": "endo_completion", "censoring": "kaplan_meier", "teeth": "all_endo",
    "measure": "share_free", "years": 5.0, "figure": 92.0, "verified": True,
}  # fmt: skip


def against(**change: object) -> tuple[str, ...]:
    row = FIT | change
    return reasons_against(row, OWN.get((str(row["event"]), str(row["clock"]))))


def test_the_shipped_table_is_as_declared() -> None:
    assert BENCHMARKS.check(TABLE).height == 215
    shares = TABLE.filter(pl.col("measure").is_in(["share_free", "share_with"]))
    assert shares.filter((pl.col("figure") < 0) | (pl.col("figure") > 100)).height == 0
    assert shares.filter(pl.col("figure_low") > pl.col("figure")).height == 0
    assert shares.filter(pl.col("figure_high") < pl.col("figure")).height == 0
    # A typed figure is the printed one, wherever that is a plain number.
    printed = TABLE.with_columns(number=pl.col("source_estimate").cast(pl.Float64, strict=False)).drop_nulls("number")
    assert printed.filter(pl.col("figure") != pl.col("number")).height == 0
    memory = TABLE.filter(~pl.col("verified"))
    assert memory["source_where"].str.contains("from memory").all()


def test_a_figure_that_agrees_in_everything_is_comparable() -> None:
    assert against() == ()


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"event": "any_intervention"}, "another event"),
        ({"event": "not_stated"}, "not stated"),
        ({"clock": "access_repair"}, "another day"),
        ({"clock": "not_stated"}, "does not say from when"),
        ({"censoring": "crude"}, "crude"),
        ({"censoring": "pooled"}, "pooled"),
        ({"censoring": "model"}, "model"),
        ({"censoring": "minimum_followup"}, "followed for some years"),
        ({"censoring": "not_stated"}, "lost from sight"),
        ({"teeth": "subset"}, "only some"),
        ({"teeth": "crowned_after_endo"}, "only some"),
        ({"years": None}, "no one time"),
        ({"verified": False}, "from memory"),
        ({"measure": "ratio"}, "no share"),
        ({"figure": None}, "no share"),
    ],
)
def test_each_disagreement_alone_is_reason_enough(change: dict[str, object], word: str) -> None:
    (reason,) = against(**change)
    assert word in reason


def course(number: int, completed: dt.date, exit_date: dt.date, *, failure: bool) -> dict[str, object]:
    row = dict.fromkeys(ENDO_COURSES.columns)
    return row | {
        "course_id": f"c{number}", "patient_id": f"p{number}", "tooth_fdi": 36, "tooth_group": "molar",
        "started": completed, "completed": completed, "visits": 1, "kind": "initial", "coded_as_initial": False,
        "crown_at_start": "none", "failure": failure, "failure_cause": "retreatment" if failure else None,
        "exit_date": exit_date, "exit_reason": "failed" if failure else "cutoff",
        "retreatment_date": exit_date if failure else None,
    }  # fmt: skip


def test_ours_is_the_share_on_the_published_clock() -> None:
    done = dt.date(2010, 1, 1)
    courses = pl.DataFrame(
        [course(i, done, dt.date(2012 if i < 3 else 2022, 1, 1), failure=i < 3) for i in range(20)],
        schema=ENDO_COURSES.schema,
    )
    found = compare_published(TABLE, CROWNS.empty(), courses, TOOTH_FOLLOWUP.empty(), min_at_risk=10)
    same = [b for b in found if b.comparable and b.event == "endo_intervention" and b.clock == "endo_completion"]
    assert [b.years for b in same] == [1, 5, 10]
    assert [b.ours for b in same] == pytest.approx([1.0, 17 / 20, 17 / 20])
    assert all(b.our_teeth == 20 and b.our_definition for b in same)
    assert all(b.reasons and b.ours is None for b in found if not b.comparable)
    few = compare_published(TABLE, CROWNS.empty(), courses, TOOTH_FOLLOWUP.empty(), min_at_risk=18)
    assert [b.years for b in few if b.comparable] == [1]
    assert (
        "fewer than 18"
        in next(b for b in few if b.years == 5 and b.outcome == "survival_free_of_untoward_event").reasons[0]
    )


def test_only_figures_seen_in_their_source_stand_beside_ours() -> None:
    for row in TABLE.iter_rows(named=True):
        own = OWN.get((row["event"], row["clock"]))
        if own is not None and not reasons_against(row, own):
            assert (row["verified"], row["censoring"], row["teeth"]) == (True, "kaplan_meier", own.teeth)


def test_a_share_with_the_event_is_turned_into_one_without() -> None:
    found = compare_published(TABLE, CROWNS.empty(), ENDO_COURSES.empty(), TOOTH_FOLLOWUP.empty(), min_at_risk=10)
    crude = next(b for b in found if b.outcome == "untoward_event_any" and b.years == 5)
    assert crude.figure.startswith("10.3")
    assert crude.published == pytest.approx(0.897)
