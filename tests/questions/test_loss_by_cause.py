"""Losses by cause: whose tooth counts from when, by hand in fractions, and against R's survival and cmprsk."""

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from drawn import frame

from pipeline.practice.tables import LOSS_REASONS, PATIENTS
from pipeline.questions.analysis import Analysis
from pipeline.questions.groups import days_of
from pipeline.questions.loss_by_cause import crowned_teeth, incidence_by_cause, losses_by_cause, root_filled_teeth

DATA = Path(__file__).parents[1] / "data" / "losses"
FEW = Analysis(min_at_risk=1, max_step_per_100=100.0, min_failures=1)
NOBODY = pl.DataFrame(schema=PATIENTS.schema)

TEETH = frame(
    """
    patient_id | tooth_fdi | followed_to | extracted  | loss_reason
    p1         | 16        | 2021-01-01  | 2021-01-01 | endodontic
    p2         | 16        | 2022-01-01  | 2022-01-01 | fracture
    p3         | 16        | 2023-01-01  |            |
    p4         | 16        | 2024-01-01  | 2024-01-01 |
    p5         | 16        | 2025-01-01  |            |
""",
    end_reason="last_contact",
).with_columns(pl.col("followed_to").str.to_date())
COURSES = frame(
    """
    course_id | patient_id | started    | completed  | crown_at_start
    E1        | p1         | 2020-01-01 | 2020-01-01 | none
    E2        | p2         | 2020-01-01 | 2020-01-01 | none
    # Done again: the tooth is followed from the first time on. Opened through a crown. Done elsewhere. Not completed.
    E3        | p3         | 2020-01-01 | 2020-01-01 | none
    E3b       | p3         | 2022-01-01 | 2022-01-01 | crowned
    E4        | p4         | 2020-01-01 | 2020-01-01 | crowned
    E5        | p5         | 2020-01-01 | 2020-01-01 | none
    E6        | p6         | 2020-01-01 |            | none
""",
    tooth_fdi=16,
    kind="initial",
).with_columns(
    done_elsewhere=pl.col("course_id") == "E5",
    exit_date="started",
    failure=pl.lit(False),
    failure_cause=pl.lit(None, pl.String),
    exit_reason=pl.lit("last_contact"),
    loss_reason=pl.lit(None, pl.String),
)
CROWNS = frame(
    """
    crown_id | patient_id | seat_date  | entry_date | endo_timing   | access_date | crown_kind | done_elsewhere
    # Crowned after the root canal; opened; before the seat; not known; late entry; not single; not ours; a later one.
    C1       | p2         | 2021-01-01 | 2021-01-01 | before_seat   |             | single     | false
    C2       | p4         | 2019-01-01 | 2019-01-01 | through_crown | 2020-01-01  | single     | false
    C3       | p3         | 2020-06-01 | 2020-06-01 |               |             | single     | false
    C4       | p5         | 2018-01-01 | 2019-01-01 | vital         |             | single     | false
    C5       | p1         | 2020-02-01 | 2020-02-01 | before_seat   |             | onlay      | false
    C6       | p1         | 2020-03-01 | 2020-03-01 | before_seat   |             | single     | true
    C7       | p4         | 2022-01-01 | 2022-01-01 | before_seat   |             | single     | false
""",
    tooth_fdi=16,
)


def drawn(spells: pl.DataFrame) -> set[tuple[object, ...]]:
    rows = spells.select("state", "patient_id", "entry_days", "exit_days", "event", "reason").rows()
    assert len(set(rows)) == len(rows)
    return set(rows)


def test_root_filled_teeth_from_their_first_completed_course_here():
    assert drawn(root_filled_teeth(CROWNS, COURSES, TEETH, NOBODY)) == {
        ("all", "p1", 0, 366, True, "endodontic"),
        ("all", "p2", 0, 731, True, "fracture"),
        ("all", "p3", 0, 1096, False, None),
        ("all", "p4", 0, 1461, True, "unknown"),  # lost, and nobody wrote why
        ("crowned_at_start", "p4", 0, 1461, True, "unknown"),
        # Any kind of crown covers the tooth; it enters on the day of its seat.
        ("not_crowned", "p1", 0, 31, False, None),
        ("crowned", "p1", 31, 366, True, "endodontic"),
        ("not_crowned", "p2", 0, 366, False, None),
        ("crowned", "p2", 366, 731, True, "fracture"),
        ("not_crowned", "p3", 0, 152, False, None),
        ("crowned", "p3", 152, 1096, False, None),
    }


def test_crowned_teeth_from_their_first_single_crown_here():
    assert drawn(crowned_teeth(CROWNS, COURSES, TEETH)) == {
        ("all", "p2", 0, 365, True, "fracture"),
        ("before_seat", "p2", 0, 365, True, "fracture"),
        # Followed on when the second crown is seated.
        ("all", "p4", 0, 1826, True, "unknown"),
        ("vital", "p4", 0, 365, False, None),
        ("after_seat", "p4", 365, 1826, True, "unknown"),
        ("all", "p3", 0, 944, False, None),
        # A root canal elsewhere, begun after the seat, makes it one no less.
        ("all", "p5", 365, 2557, False, None),
        ("vital", "p5", 365, 730, False, None),
        ("after_seat", "p5", 730, 2557, False, None),
    }


def spells(rows: str) -> pl.DataFrame:
    return frame(rows, state="all").with_columns(event=pl.col("reason").is_not_null())


def test_by_hand_in_fractions():
    # Of five teeth one is lost to the root canal; of four, one to a fracture; one leaves; of two, one to the former.
    group = incidence_by_cause(
        spells("""
            patient_id | entry_days | exit_days | reason
            a          | 0          | 100       | endodontic
            b          | 0          | 200       | fracture
            c          | 0          | 300       |
            d          | 0          | 400       | endodontic
            e          | 0          | 800       |
        """),
        np.array([0.5, 1.0, 2.0]),
        FEW,
    )
    shares = {c.cause: [p.estimate for p in c.points] for c in group.causes}
    last = Fraction(1, 5) + Fraction(3, 5) * Fraction(1, 2)
    assert shares["endodontic"] == pytest.approx([1 / 5, 1 / 5, float(last)])
    assert shares["fracture"] == pytest.approx([0, 1 / 5, 1 / 5])
    assert shares["caries"] == [0, 0, 0]
    assert [p.estimate for p in group.total.points] == pytest.approx([1 / 5, 2 / 5, float(last + Fraction(1, 5))])
    assert [p.at_risk for p in group.total.points] == [4, 2, 1]
    assert ({c.cause: c.losses for c in group.causes if c.losses}, group.total.losses) == (
        {"endodontic": 2, "fracture": 1}, 3,
    )  # fmt: skip
    # Nothing lost to caries yet among two patients followed at one year: 1 - 0.025 ** (1 / 2).
    caries = next(c for c in group.causes if c.cause == "caries").points[1]
    assert (caries.ci_low, caries.ci_high) == (0, pytest.approx(1 - 0.025**0.5))


def simulated() -> pl.DataFrame:
    rows = pl.read_csv(DATA / "teeth.csv")
    reason = pl.col("cause").replace_strict(dict(enumerate(LOSS_REASONS, 1)), default=None, return_dtype=pl.String)
    return rows.select(
        patient_id="patient", entry_days="entry", exit_days="exit", reason=reason, event=pl.col("cause") > 0
    )


def test_equals_r():
    # expected.R beside the data says how; R 4 with survival and cmprsk.
    theirs = json.loads((DATA / "expected.json").read_text(encoding="utf-8"))
    years = np.array([1.0, 5.0, 10.0])
    assert [days_of(y) for y in years] == [365, 1826, 3652]
    late = incidence_by_cause(simulated(), years, Analysis())
    ours = np.array([[p.estimate for p in c.points] for c in late.causes])
    np.testing.assert_allclose(ours.T, theirs["late"]["share"], rtol=0, atol=1e-12)
    np.testing.assert_allclose([p.estimate for p in late.total.points], theirs["late"]["total"], rtol=0, atol=1e-12)
    # Limits are log-log of the incidence, by R's errors summed over patients.
    for found, share, error in (
        *zip(late.causes, np.transpose(theirs["late"]["share"]), np.transpose(theirs["late"]["error"]), strict=True),
        (late.total, np.array(theirs["late"]["total"]), np.array(theirs["late"]["total_error"])),
    ):
        reach = 1.959963984540054 * error / (share * -np.log(share))
        for end, sign in (("ci_low", 1), ("ci_high", -1)):
            bound = share ** np.exp(sign * reach)
            np.testing.assert_allclose([getattr(p, end) for p in found.points], bound, rtol=0, atol=1e-9)
    at_once = simulated().filter(pl.col("entry_days") == 0)
    plain = incidence_by_cause(at_once, years, Analysis())
    ours = [[p.estimate for p in c.points] for c in plain.causes]
    np.testing.assert_allclose(ours, theirs["plain"], rtol=0, atol=1e-12)


def test_causes_add_up_to_the_total():
    group = incidence_by_cause(simulated(), np.arange(41) / 4, Analysis())
    assert len(group.total.points) > 30
    for i, point in enumerate(group.total.points):
        assert sum(c.points[i].estimate for c in group.causes) == pytest.approx(point.estimate, abs=1e-14)
        assert point.ci_low <= point.estimate <= point.ci_high
    assert sum(c.losses for c in group.causes) == group.total.losses == simulated()["event"].sum()


def test_the_order_of_rows_changes_nothing():
    shuffled = simulated().sample(fraction=1, shuffle=True, seed=5)
    years = np.array([1.0, 5.0])
    one, other = (incidence_by_cause(rows, years, Analysis()) for rows in (simulated(), shuffled))
    for a, b in zip((*one.causes, one.total), (*other.causes, other.total), strict=True):
        assert [p.estimate for p in a.points] == pytest.approx([p.estimate for p in b.points], abs=1e-14)
        assert [p.ci_high for p in a.points] == pytest.approx([p.ci_high for p in b.points], abs=1e-12)


def test_tables_with_what_is_left_out():
    found = losses_by_cause(CROWNS, COURSES, TEETH, NOBODY, FEW)
    endo, crowned = found.tables
    assert (endo.id, endo.clock, [g.name for g in endo.groups][:1]) == (
        "endo_tooth_loss_by_cause",
        "since_completion",
        ["all"],
    )
    assert endo.notes[0] == "Of 3 teeth lost, 1 have no cause recorded; they stand as a cause of their own."
    assert crowned.groups[0].total.losses == 2
    assert found.not_run == ()


def test_without_a_recorded_reason_it_says_what_is_missing():
    nameless = TEETH.with_columns(loss_reason=pl.lit(None, pl.String))
    found = losses_by_cause(CROWNS, COURSES, nameless, NOBODY, FEW)
    assert (found.tables, {n.needs for n in found.not_run}) == ((), {("procedures.reason",)})
    unknown = TEETH.with_columns(loss_reason=pl.when(pl.col("extracted").is_not_null()).then(pl.lit("unknown")))
    assert losses_by_cause(CROWNS, COURSES, unknown, NOBODY, FEW).tables == ()
    none = losses_by_cause(CROWNS.clear(), COURSES.clear(), TEETH.clear(), NOBODY, FEW)
    assert {n.needs for n in none.not_run} == {("procedures: root canal codes",), ("procedures: crown codes",)}
