"""States of crowns seated vital, by hand: who is in which state, from when, and what 100 of them sum to."""

import dataclasses

import numpy as np
import polars as pl
import pytest
from drawn import frame

from pipeline.practice.tables import CROWNS, PATIENTS
from pipeline.questions.crown_longevity import Analysis
from pipeline.questions.crown_states import crown_states, state_stays
from pipeline.results.states import whole_parts

ROWS = frame("""
    crown_id | patient_id | endo_timing   | entry_days | access_days | exit_days | failure
    A        | p1         | vital         | 0          |             | 900       | false
    B        | p1         | vital         | 0          |             | 500       | true
    C        | p2         | through_crown | 0          | 300         | 800       | true
    D        | p2         | through_crown | 0          | 300         | 800       | false
    # Opened at the last visit: passes, and is followed no further.
    E        | p3         | through_crown | 0          | 400         | 400       | false
    # Failed on the day of the opening: lost unopened.
    F        | p3         | through_crown | 0          | 400         | 400       | true
    # Seated before the records begin: vital from day 100; opened before then: opened from day 100.
    G        | p4         | through_crown | 100        | 300         | 700       | false
    H        | p4         | through_crown | 100        | 50          | 700       | false
    # A root canal before the seat, or in an order that nobody knows: not seated vital.
    I        | p5         | before_seat   | 0          |             | 900       | false
    J        | p5         |               | 0          |             | 900       | false
    # Never under observation after a late entry.
    K        | p6         | vital         | 200        |             | 200       | false
""")


def test_stays_in_each_state():
    found = state_stays(ROWS).select("crown_id", "state", "passes_to", "entry_days", "exit_days")
    expected = frame("""
        crown_id | state | passes_to | entry_days | exit_days
        A        | 0     | -1        | 0          | 900
        B        | 0     | 2         | 0          | 500
        C        | 0     | 1         | 0          | 300
        C        | 1     | 2         | 300        | 800
        D        | 0     | 1         | 0          | 300
        D        | 1     | -1        | 300        | 800
        E        | 0     | 1         | 0          | 400
        F        | 0     | 2         | 0          | 400
        G        | 0     | 1         | 100        | 300
        G        | 1     | -1        | 300        | 700
        H        | 1     | -1        | 100        | 700
    """)
    assert found.rows() == expected.rows()


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        ((0.784, 0.093, 0.123), (79, 9, 12)),  # down to 78, 9 and 12; the largest rest is 0.4
        ((0.785, 0.085, 0.130), (79, 8, 13)),  # halves tie: the earlier goes first
        ((0.29, 0.71, 0.0), (29, 71, 0)),
        ((1 / 3, 1 / 3, 1 / 3), (34, 33, 33)),
        ((1.0, 0.0, 0.0), (100, 0, 0)),
    ],
)
def test_whole_parts_sum_to_100(shares, expected):
    assert whole_parts(shares) == expected
    assert sum(whole_parts(shares)) == 100


def test_whole_parts_of_any_shares_are_off_by_less_than_one():
    rng = np.random.default_rng(1)
    for shares in rng.dirichlet([3, 1, 1], size=300):
        parts = whole_parts(shares)
        assert sum(parts) == 100
        assert all(abs(n - 100 * share) < 1 for n, share in zip(parts, shares, strict=True))


def practice(n: int = 40) -> tuple[pl.DataFrame, pl.DataFrame]:
    """`n` crowns, two a patient: of each ten, one is opened after 2 years and lost after 4, one lost after 3."""
    seat = pl.date(2010, 1, 1)
    crowns = pl.DataFrame({"crown_id": [f"C{i:03d}" for i in range(n)], "i": list(range(n))}).with_columns(
        patient_id="p" + (pl.col("i") // 2).cast(pl.String),
        seat_date=seat,
        entry_date=seat,
        endo_timing=pl.when(pl.col("i") % 10 == 0).then(pl.lit("through_crown")).otherwise(pl.lit("vital")),
        access_date=pl.when(pl.col("i") % 10 == 0).then(seat + pl.duration(days=730)),
        failure=pl.col("i") % 10 < 2,
        exit_date=seat
        + pl.duration(
            days=pl.when(pl.col("i") % 10 == 0).then(1460).when(pl.col("i") % 10 == 1).then(1095).otherwise(2200)
        ),
    )
    patients = crowns.select("patient_id").unique(maintain_order=True)
    return _as(crowns, CROWNS.schema), _as(patients, PATIENTS.schema)


def _as(made: pl.DataFrame, schema) -> pl.DataFrame:
    return made.select(
        (pl.col(name) if name in made.columns else pl.lit(None)).cast(kind).alias(name) for name, kind in schema.items()
    )


def test_the_shares_of_a_practice_and_where_they_stop():
    found = crown_states(*practice(), Analysis())
    assert found is not None
    assert (found.crowns, found.patients, found.opened, found.lost, found.lost_opened) == (40, 20, 4, 8, 4)
    assert [found.at(y).per_100 for y in (1.0, 2.5, 3.5, 5.0)] == [
        (100, 0, 0),
        (90, 10, 0),
        (80, 10, 10),
        (80, 0, 20),
    ]
    # All leave after 6 years: no sentence on 10 years, and the picture stops.
    assert (found.told, found.stops_early, found.points[-1].years) == ((1.0, 5.0), True, 6.0)
    for point in found.points:
        assert sum(point.share) == pytest.approx(1)
        assert all(a <= s <= b for a, s, b in zip(point.ci_low, point.share, point.ci_high, strict=True))
        assert sum(point.followed) >= 10


def test_too_few_crowns_make_no_picture():
    crowns, patients = practice(9)
    assert crown_states(crowns, patients, Analysis()) is None
    assert crown_states(crowns.clear(), patients, Analysis()) is None


def test_names_and_order_change_nothing():
    crowns, patients = practice()
    mixed = crowns.sample(fraction=1, shuffle=True, seed=2).with_columns(crown_id=pl.col("crown_id").str.reverse())
    one, other = crown_states(crowns, patients, Analysis()), crown_states(mixed, patients, Analysis())
    for a, b in zip(one.points, other.points, strict=True):
        assert a.share == b.share
        assert a.ci_high == pytest.approx(b.ci_high)
    assert dataclasses.replace(one, points=()) == dataclasses.replace(other, points=())
