"""Robustness by hand: when an E-value is given, what is balanced, and who was lost."""

import dataclasses

import numpy as np
import polars as pl
import pytest
from drawn import frame

from pipeline.questions.analysis import Analysis
from pipeline.questions.covariates import Levels, Numeric
from pipeline.questions.robustness import balance, detectable_per_100, followup_rows, robustness_of
from pipeline.results import Comparison, Difference, Estimate, Group, Milestone, Verdict

ANALYSIS = Analysis(horizon_years=1.0)
DIFFERENCE = Difference("opened", "before", 1.0, 0, 10.0, 0.2, 19.8, "")
LABELS = {"opened": "Opened", "before": "Before"}
# One year is 365 days. The cut-off is 1 January 2022, day 731 of the clock of all.
SPELLS = frame("""
    crown_id | patient_id | state  | entry_days | exit_days | event | exit_date  | exit_reason  | age | sex    | bruxism
    C1       | p1         | opened | 0          | 100       | true  | 2020-04-10 | failed       | 50  | male   | true
    C2       | p2         | opened | 0          | 200       | false | 2020-07-19 | last_contact | 60  | male   |
    C3       | p3         | opened | 0          | 731       | false | 2022-01-01 | cutoff       | 70  | female | false
    C4       | p4         | opened | 0          | 731       | false | 2022-01-01 | cutoff       |     | female | false
    C5       | p5         | before | 0          | 300       | false | 2020-10-27 | last_contact | 40  | male   | true
    C6       | p6         | before | 0          | 300       | false | 2020-10-27 | death        | 40  | male   | false
    C7       | p7         | before | 0          | 150       | true  | 2020-05-30 | failed       | 50  | male   | false
    C8       | p8         | before | 0          | 731       | false | 2022-01-01 | cutoff       | 50  | female | false
    # C9 waits without a root canal until it is opened on day 50: that row is cut, not lost.
    C9       | p9         | before | 0          | 50        | false | 2021-11-01 | last_contact | 50  | female | false
    C9       | p9         | opened | 50         | 670       | false | 2021-11-01 | last_contact | 50  | female | false
""")


def comparison(code: str, *, survival: float = 0.9, adjusted: tuple[str, ...] = ("age",)) -> Comparison:
    at = (Milestone(1.0, 5, 3, 1, 1, survival, 0.5, 0.99),)
    groups = tuple(Group(n, LABELS[n], 5, 5, 1, 9.0, 1.0, 0.5, 2.0, milestones=at) for n in LABELS)
    ratio = Estimate("opened vs before", "cox", adjusted, (), 2.0, 1.5, 2.6, 0.01, "patient_id", 9, 9, 2, 9)
    verdict = Verdict(code, "", "", "", "", "", 5.0)
    return Comparison("x", "", "", "", "", groups, (ratio,), None, DIFFERENCE, verdict, (), (), (), 1.0)


def test_the_detectable_difference_is_2_8_errors():
    # Limits 0.2 to 19.8: an error of 5.
    assert detectable_per_100(DIFFERENCE, ANALYSIS) == pytest.approx(2.8016 * 5, rel=1e-4)


def test_who_was_lost_is_counted_beside():
    found = robustness_of(comparison("cannot_tell"), SPELLS, ANALYSIS, covariates=(), away_days=365).leaving
    # C2 on day 200 and C5 on day 300; C6 died and C9's first row was cut.
    assert [(g.group, g.teeth, g.lost) for g in found.lost] == [("opened", 5, 1), ("before", 5, 1)]


def test_an_e_value_only_where_a_difference_is_claimed_and_only_of_an_adjusted_ratio():
    def asked(made: Comparison):
        found = robustness_of(made, SPELLS, ANALYSIS, covariates=())
        return found.e_value, found.e_value_limit

    assert asked(comparison("cannot_tell")) == (None, None)
    assert asked(comparison("differs", adjusted=())) == (None, None)
    # Rare (10 % failed): the ratio as it is: 2 + sqrt(2 x 1) and 1.5 + sqrt(1.5 x 0.5).
    assert asked(comparison("differs")) == (pytest.approx(2 + 2**0.5), pytest.approx(1.5 + 0.75**0.5))
    # Common (20 %): (1 - 0.5^sqrt 2) / (1 - 0.5^sqrt 0.5) in its place.
    ratio = (1 - 0.5 ** (2**0.5)) / (1 - 0.5 ** (0.5**0.5))
    assert asked(comparison("differs", survival=0.8))[0] == pytest.approx(ratio + (ratio * (ratio - 1)) ** 0.5)


def test_without_a_difference_nothing_is_said():
    found = robustness_of(dataclasses.replace(comparison("too_early"), difference=None), SPELLS, ANALYSIS)
    assert (found.detectable_per_100, found.leaving, found.balance) == (None, None, ())


def test_balance_counts_each_crown_once_in_its_last_state():
    covariates = (Numeric("age", "age", 10.0), Levels("sex", "sex"), Levels("bruxism", "bruxism"))
    rows = {r.name: r for r in balance(SPELLS, "opened", "before", covariates, unit="crown_id")}
    # C9 counts as opened. Male: 2 of 5 opened, 3 of 4 before; over sqrt((0.24 + 0.1875) / 2).
    assert rows["sex_male"].before == pytest.approx(0.35 / np.sqrt((0.24 + 0.1875) / 2))
    # Age: 50, 60, 70, 50 and a gap at the mean of all, 51.25; 40, 40, 50, 50.
    one, other = np.array([50, 60, 70, 51.25, 50]), np.array([40, 40, 50, 50])
    spread = np.sqrt((one.var(ddof=1) + other.var(ddof=1)) / 2)
    assert rows["age"].before == pytest.approx((one.mean() - other.mean()) / spread)
    assert rows["bruxism_unknown"].label == "bruxism: not recorded"
    assert "bruxism_false" not in rows
    sizes = [r.before for r in rows.values()]
    assert sizes == sorted(sizes, reverse=True)
    assert all(r.after is None for r in rows.values())
    # What each group is like: of ages those that are known; of the rest the share of all its teeth.
    assert (rows["age"].of_group, rows["age"].of_reference) == (57.5, 45.0)
    assert (rows["sex_male"].of_group, rows["sex_male"].of_reference) == pytest.approx((0.4, 0.75))
    assert (rows["bruxism_true"].of_group, rows["bruxism_true"].of_reference) == pytest.approx((0.2, 0.25))
    assert (rows["bruxism_unknown"].of_group, rows["bruxism_unknown"].of_reference) == pytest.approx((0.2, 0.0))


@pytest.mark.parametrize(("opened", "before", "given"), [(1, 1, False), (1, 3, False), (3, 1, False), (2, 2, True)])
def test_two_teeth_a_group_can_be_compared_and_one_cannot(opened, before, given):
    sides = (("opened", opened), ("before", before))
    few = pl.concat([SPELLS.filter(pl.col("state") == state, pl.col("entry_days") == 0).head(n) for state, n in sides])
    assert bool(balance(few, "opened", "before", (Numeric("age", "age", 10.0),), unit="crown_id")) is given


def test_what_is_the_same_in_all_is_not_balanced():
    alike = SPELLS.with_columns(smoker=True)
    covariates = (Levels("smoker", "smoking"), Levels("sex", "sex"))
    found = balance(alike, "opened", "before", covariates, unit="crown_id")
    assert {row.name for row in found} == {"sex_male", "sex_female"}


def test_followup_of_crowns_and_root_canals():
    crowns = frame("""
        crown_id | seat_date  | entry_date | exit_date  | failure | exit_reason
        C1       | 2020-01-01 | 2020-01-01 | 2020-04-10 | true    | failed
        C2       | 2020-01-01 | 2020-01-01 | 2020-07-19 | false   | last_contact
        C3       | 2020-01-01 | 2020-01-01 | 2020-10-27 | false   | death
        C4       | 2020-01-01 | 2020-01-01 | 2021-01-01 | false   | cutoff
        C5       |            | 2020-01-01 | 2021-01-01 | false   | cutoff
    """)
    courses = frame("""
        course_id | completed | exit_date | failure | exit_reason
    """).with_columns(pl.col("completed", "exit_date").cast(pl.Date))
    (found,) = followup_rows(crowns, courses)
    # 366 days were possible. Seen: 100 + 200 + 300 + 366; possible: 100 + 366 + 300 + 366.
    assert (found.of, found.teeth, found.lost) == ("crowns", 4, 1 / 4)
    assert found.clark_c == pytest.approx(966 / 1132)
    # Reverse curve: ends on days 200 (2/3), 300 (1/3): the median is 300.
    assert found.median_days == 300
