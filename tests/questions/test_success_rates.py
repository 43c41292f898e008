"""Success rates by hand: what a line counts, and that lines stand by name."""

import polars as pl
from drawn import frame

from pipeline.practice.outcomes import CROWN_FAILURE, ENDO_FAILURE, TOOTH_LOSS
from pipeline.questions.groups import CurveRules
from pipeline.questions.success_rates import rate_tables

RULES = CurveRules(min_at_risk=1, max_step=1.0, confidence=0.95, years=(1.0,))
# One year is 365 days here. p1 fails on day 100; p2 leaves on day 200; p3 and p4 are followed past the year.
CROWNS = frame("""
    crown_id | patient_id | tooth_group | provider_id | seat_date  | entry_date | exit_date  | failure
    C1       | p1         | molar       | zoe         | 2020-01-01 | 2020-01-01 | 2020-04-10 | true
    C2       | p2         | molar       | zoe         | 2020-01-01 | 2020-01-01 | 2020-07-19 | false
    C3       | p3         | anterior    | ann         | 2020-01-01 | 2020-01-01 | 2022-01-01 | false
    C4       | p4         | anterior    |             | 2020-01-01 | 2020-01-01 | 2022-01-01 | false
    C5       | p5         | anterior    |             | 2010-01-01 | 2020-01-01 | 2022-01-01 | false
    C6       | p6         | anterior    |             |            | 2020-01-01 | 2022-01-01 | false
""")


def tables():
    spells = CROWN_FAILURE.spells(CROWNS, CROWNS)
    made = rate_tables(
        spells,
        CROWN_FAILURE,
        horizon=1.0,
        rules=RULES,
        by=("overall", "tooth_group", "provider_id"),
    )
    return {t.id: t for t in made}


def test_only_crowns_followed_from_their_seat_count():
    # C5 came from elsewhere and C6 has no seat date: four are left; the failure leaves 3/4.
    (row,) = tables()["crown_survival_overall"].rows
    assert (row.teeth, row.failures, row.followed) == (4, 1, 2)
    assert row.survival == 3 / 4


def test_lines_stand_by_name_never_by_result():
    named = [r.name for r in tables()["crown_survival_by_provider"].rows]
    assert named == ["ann", "not recorded", "zoe"]
    grouped = [(r.name, r.survival) for r in tables()["crown_survival_by_tooth_group"].rows]
    # No molar is followed for a year, so there is no figure for molars.
    assert grouped == [("anterior", 1.0), ("molar", None)]


def test_a_retreated_tooth_is_followed_for_its_loss():
    # Retreated after 100 days and extracted after 300: an intervention on day 100, a loss on day 300.
    courses = frame("""
        course_id | patient_id | tooth_fdi | completed  | exit_date  | failure
        E1        | p1         | 16        | 2020-01-01 | 2020-04-10 | true
    """)
    teeth = frame("""
        patient_id | tooth_fdi | followed_to | extracted  | end_reason
        p1         | 16        | 2020-10-27  | 2020-10-27 | failed
    """).with_columns(tooth_fdi=courses["tooth_fdi"])
    teeth = teeth.with_columns(pl.col("followed_to", "extracted").cast(pl.String).str.to_date())
    free = ENDO_FAILURE.spells(courses, teeth)
    kept = TOOTH_LOSS.spells(courses, teeth)
    assert free.select("exit_days", "event").rows() == [(100, True)]
    assert kept.select("exit_days", "event").rows() == [(300, True)]
