"""Answers: a known truth found, nothing found where there is nothing, small groups never shown, every look paid for."""

import datetime as dt
import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.practice.own_question import LOG, from_options
from pipeline.practice.tables import CROWN_DETAILS, CROWNS, ENDO_COURSES, ENDO_DETAILS, PATIENTS, TOOTH_FOLLOWUP, Table
from pipeline.questions.analysis import Analysis
from pipeline.questions.asking.answer import answer, as_text, ask_all, groups_asked
from pipeline.questions.asking.rows import Tables
from pipeline.results import DAYS_PER_YEAR, from_plain, to_plain
from pipeline.results.asked import Asked
from pipeline.storing.store import open_store

ANALYSIS = Analysis()
MATERIALS = ("metal", "zirconia", "resin", "other", "glass_ceramic")
BEGIN = dt.date(2010, 1, 1)


def filled(table: Table, columns: dict[str, object], n: int) -> pl.DataFrame:
    """A declared table of `n` rows from some columns; the others are null, false or a plain word."""
    series = []
    for name, column in table.columns.items():
        spare: object = None
        if not column.nullable:
            spare = column.words[0] if column.words else False if column.dtype == pl.Boolean() else 1
        values = columns.get(name, [spare] * n)
        series.append(pl.Series(name, values, dtype=column.dtype))
    return table.check(pl.DataFrame(series))


def practice(*, resin: float = 1.0, seed: int = 1, n: int = 1500) -> Tables:
    """Crowns of five materials; zirconia on 4, other on 5 patients; resin fails `resin` times as often."""
    random = np.random.default_rng(seed)
    material = [MATERIALS[0] if r < 0.6 else MATERIALS[2] for r in random.random(n)]
    material[:9] = ["zirconia"] * 4 + ["other"] * 5
    rate = np.where(np.array(material) == "resin", resin, 1.0) * 0.03 / DAYS_PER_YEAR
    seat = [BEGIN + dt.timedelta(days=int(d)) for d in random.integers(0, 2000, n)]
    possible = random.integers(300, 4500, n)
    days = np.minimum(np.ceil(random.exponential(1 / rate)).astype(int), possible)
    failed = days < possible
    ends = [s + dt.timedelta(days=int(d)) for s, d in zip(seat, days, strict=True)]
    people = [f"p{i:05}" for i in range(n)]
    crowns = filled(CROWNS, {
        "crown_id": [f"C{i:05}" for i in range(n)], "patient_id": people, "tooth_fdi": [16] * n,
        "tooth_group": ["molar"] * n, "seat_date": seat, "entry_date": seat, "exit_date": ends, "material": material,
        "failure": failed, "exit_reason": ["failed" if f else "last_contact" for f in failed],
        "endo_timing": ["vital"] * n, "provider_id": ["d1"] * n,
    }, n)  # fmt: skip
    patients = filled(PATIENTS, {"patient_id": people, "birth_year": random.integers(1940, 1990, n)}, n)
    details = filled(CROWN_DETAILS, {
        "patient_id": people, "tooth_fdi": [16] * n, "seat_date": seat, "row_number": list(range(1, n + 1)),
        "ferrule_mm": random.choice([1.0, 2.0, 3.0], n),
    }, n)  # fmt: skip
    teeth = filled(TOOTH_FOLLOWUP, {
        "patient_id": people, "tooth_fdi": [16] * n, "followed_to": ends, "end_reason": crowns["exit_reason"],
        "extracted": [e if f else None for e, f in zip(ends, failed, strict=True)],
    }, n)  # fmt: skip
    return Tables(crowns, ENDO_COURSES.empty(), teeth, patients, ENDO_DETAILS.empty(), details)


def asked(tables: Tables, *, family: int = 1, groups: str = "material", **options) -> Asked:
    ask = from_options(population="crowns", groups=groups, outcome="crown_failure", **options)
    rows, flow, refused = groups_asked(tables, ask, ANALYSIS)
    return answer(rows, flow, ask, ANALYSIS, family=family, refused=refused)


def test_a_known_truth_is_found():
    found = asked(practice(resin=4.0))
    (contrast,) = found.contrasts
    assert (contrast.group, contrast.reference, contrast.verdict.code) == ("resin", "metal", "differs")
    # By 5 years exp(-0.15) of metal are in place, exp(-0.6) of resin.
    assert contrast.difference is not None
    assert contrast.difference.per_100 == pytest.approx(100 * (np.exp(-0.15) - np.exp(-0.6)), abs=6)
    assert contrast.difference.method.startswith("adjusted")


@pytest.mark.thorough
def test_nothing_is_found_where_there_is_nothing():
    codes = [asked(practice(seed=s)).contrasts[0].verdict.code for s in range(20)]
    assert codes.count("differs") <= 2


def test_small_groups_are_left_out_and_counted():
    found = asked(practice())
    assert found.comparison is not None
    # Zirconia (4 patients) and other (5) are pooled; the pool of 9 is still too small.
    assert [g.name for g in found.comparison.groups] == ["metal", "resin"]
    assert (found.comparison.flow[-1].removed, found.comparison.flow[-1].left) == (9, 1491)


def test_small_words_are_pooled_where_the_pool_is_large_enough():
    tables = practice()
    more = tables.crowns.with_columns(
        material=pl.when(pl.col("crown_id") < "C00018").then(pl.lit("other")).otherwise("material")
    ).with_columns(material=pl.when(pl.col("crown_id") < "C00009").then(pl.lit("zirconia")).otherwise("material"))
    found = asked(Tables(more, *(getattr(tables, f) for f in list(Tables.__dataclass_fields__)[1:])))
    assert found.comparison is not None
    (pool,) = [g for g in found.comparison.groups if g.name == "other, pooled"]
    assert (pool.crowns, pool.patients) == (18, 18)
    (contrast,) = [c for c in found.contrasts if c.group == pool.name]
    assert (contrast.verdict.code, contrast.difference) == ("too_early", None)


def test_bands_of_a_number_from_the_details():
    found = asked(practice(), groups="ferrule_mm:2,3")
    assert found.comparison is not None
    names = {g.name: g.crowns for g in found.comparison.groups}
    assert set(names) == {"under 2", "2 to under 3", "3 and more"}
    assert sum(names.values()) == 1500


def test_more_questions_widen_every_range():
    tables = practice(resin=2.0)
    one, ten = (asked(tables, family=n).contrasts[0] for n in (1, 10))
    assert one.difference is not None
    assert ten.difference is not None
    # z of 1 - 0.05 / 20 over z of 0.975, 2.807 / 1.960, and a little more by Student's t.
    widths = [d.ci_high - d.ci_low for d in (one.difference, ten.difference)]
    assert widths[1] / widths[0] == pytest.approx(2.807 / 1.960, rel=0.02)
    assert one.p is not None
    assert ten.p_family == pytest.approx(min(1.0, 10 * one.p))


def test_a_question_without_groups_is_refused_in_words():
    found = asked(practice(), groups="margin")
    assert (found.comparison, found.contrasts) == (None, ())
    assert found.refused == "Fewer than two groups have 10 patients or more."
    assert "Not answered." in as_text(found)


def test_row_order_changes_nothing():
    tables = practice(resin=2.0)
    frames = (getattr(tables, f) for f in Tables.__dataclass_fields__)
    turned = Tables(*(f.reverse() for f in frames if isinstance(f, pl.DataFrame)))
    assert asked(turned) == asked(tables)


def test_results_come_back_from_json():
    found = asked(practice())
    assert from_plain(Asked, json.loads(json.dumps(to_plain(found)))) == found


@pytest.mark.parametrize("outcome", ["tooth_loss", "complication"])
def test_other_outcomes_of_crowns(outcome: str):
    tables = practice()
    ask = from_options(population="crowns", groups="material", outcome=outcome)
    rows, _, refused = groups_asked(tables, ask, ANALYSIS)
    assert refused == ""
    kept = tables.crowns.filter(pl.col("material").is_in(["metal", "resin"]))
    assert rows["event"].sum() == (kept["failure"].sum() if outcome == "tooth_loss" else 0)


def test_the_log_counts_each_question_once(tmp_path: Path):
    tables = practice(n=400)
    asks = [
        from_options(population="crowns", groups=g, outcome="crown_failure")
        for g in ("material", "ferrule_mm:2,3", "margin")
    ]
    with open_store(tmp_path / "practice.duckdb") as store:
        with store.transaction():
            for table in (CROWNS, TOOTH_FOLLOWUP):
                store.replace(table, tables.crowns if table is CROWNS else tables.tooth_followup)
            store.append(PATIENTS, tables.patients)
            store.append(CROWN_DETAILS, tables.crown_details)
            store.mark_done("ingest")
            store.mark_done("link")
        first = ask_all(store, asks[:1], ANALYSIS, say=lambda _: None)
        both = ask_all(store, asks, ANALYSIS, say=lambda _: None)
        again = ask_all(store, asks[:1], ANALYSIS, say=lambda _: None)
        log = json.loads(store.text(LOG) or "")
    # One contrast of materials and two of bands; margins were not recorded, so that question showed nothing.
    assert [a.family for a in (*first, *both, *again)] == [1, 3, 3, 3, 3]
    assert log == {asks[0].key(): 1, asks[1].key(): 2}
    assert [bool(a.refused) for a in both] == [False, False, True]


def test_groups_that_are_the_clinicians_are_said_to_be():
    tables = practice(resin=4.0)
    crowns = tables.crowns.with_columns(
        provider_id=pl.when(pl.col("material") == "resin").then(pl.lit("d2")).otherwise(pl.lit("d1"))
    )
    others = {f: getattr(tables, f) for f in Tables.__dataclass_fields__ if f != "crowns"}
    (contrast,) = asked(Tables(crowns=crowns, **others)).contrasts
    assert contrast.difference is not None
    assert contrast.difference.method.startswith("adjusted")
    assert "may be one between clinicians" in contrast.verdict.sentence
    assert "between clinicians" not in asked(tables).contrasts[0].verdict.sentence
