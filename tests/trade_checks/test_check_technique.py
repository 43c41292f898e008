"""Each rule on rows drawn by hand: one that breaks it beside one that keeps it."""

import polars as pl
import pytest

from pipeline.practice.tables import CROWN_DETAILS, ENDO_COURSES, ENDO_DETAILS, FINDINGS, Table
from pipeline.questions.trade_checks.check_technique import check_technique, count_technique
from pipeline.questions.trade_checks.rules import RULES
from pipeline.results.technique import TradeCheck


def details(table: Table, text: str) -> pl.DataFrame:
    """The drawn columns by the types of their table, an empty cell null; all other columns null."""
    lines = [[cell.strip() for cell in line.split("|")] for line in text.strip().splitlines() if "#" not in line]
    given = pl.DataFrame(lines[1:], schema=lines[0], orient="row").with_columns(pl.all().replace("", None))
    return pl.DataFrame([_cells(given, name, dtype) for name, dtype in table.schema.items()])


def _cells(given: pl.DataFrame, name: str, dtype: pl.DataType) -> pl.Series:
    if name not in given.columns:
        return pl.Series(name, [None] * given.height, dtype=dtype)
    return given[name].str.to_date() if dtype == pl.Date() else given[name].cast(dtype)


ENDO = details(
    ENDO_DETAILS,
    """
    patient_id|tooth_fdi|service_date|canals|length_short_of_apex_mm|master_apical_size_iso|naocl_percent|visits
    p1        | 16      | 2020-03-01 | 1    | 0                     | 25                   | 2.5         | 1
    p2        | 16      | 2020-03-01 | 4    | 2                     | 27                   | 0.025       | 1
    p3        | 26      | 2020-03-01 | 3    | 2.5                   | 65                   | 0           | 6
    p4        | 11      | 2020-03-01 | 4    | -1                    | 140                  | 5.25        | 2
    p5        | 55      | 2020-03-01 |      | 5.5                   |                      |             |
""",
)
COURSES = details(
    ENDO_COURSES,
    """
    course_id | patient_id | tooth_fdi | started    | completed  | visits
    E1        | p1         | 16        | 2020-02-01 | 2020-03-01 | 2
    E2        | p2         | 16        | 2020-03-01 | 2020-03-01 | 1
    # The day of these details lies in two courses: neither is held against them.
    E3        | p4         | 11        | 2020-02-01 | 2020-03-01 | 3
    E4        | p4         | 11        | 2020-03-01 | 2020-04-01 | 3
""",
)
CROWN = details(
    CROWN_DETAILS,
    """
    patient_id | tooth_fdi | prep_date  | seat_date  | ferrule_mm | core      | post  | pulp_status_at_prep
    p1         | 16        | 2020-01-10 | 2020-01-09 | 2          | none      | metal | root_filled
    p2         | 16        | 2020-01-10 | 2020-01-10 | 7          | composite | fibre | normal
    p3         | 16        | 2020-01-10 | 2020-12-10 | 6          | none      | none  | hyperemic
    p4         | 85        |            | 2020-12-10 |            |           | Metal |
""",
)
NO_FINDINGS = FINDINGS.empty()
BROKEN = {
    "naocl_strength": (4, 1),
    "naocl_zero": (4, 1),
    "filling_long": (5, 1),
    "filling_short": (5, 2),
    "filling_far_short": (5, 1),
    "apical_size": (4, 2),
    "canal_count": (4, 2),
    "many_visits": (4, 1),
    "visits_and_days": (2, 1),  # p3 has no course, and the day of p4 lies in two
    "root_canal_of_primary_tooth": (5, 1),
    "crown_of_primary_tooth": (4, 1),
    "seat_before_preparation": (3, 1),
    "long_wait_for_seat": (3, 1),
    "ferrule_height": (3, 1),
    "post_without_core": (3, 1),
    "post_in_vital_tooth": (3, 1),
}


def checked(
    endo: pl.DataFrame = ENDO, crown: pl.DataFrame = CROWN, findings: pl.DataFrame = NO_FINDINGS, **options
) -> dict[str, TradeCheck]:
    return {c.id: c for c in check_technique(endo, crown, COURSES, findings, **options)}


def test_every_rule_has_a_row_that_breaks_it():
    assert set(BROKEN) == {rule.id for rule in RULES if rule.broken is not None}


@pytest.mark.parametrize("rule", BROKEN)
def test_rules(rule: str):
    found = checked()[rule]
    assert (found.checked, found.rows) == BROKEN[rule]
    assert found.sentence.startswith(f"{found.rows} of {found.checked} rows ")


def test_few_fourth_canals_are_a_question_of_finding_them():
    found = checked()["fourth_canal"]
    assert (found.checked, found.rows) == (3, 2)
    kept = checked(ENDO.filter(pl.col("patient_id") != "p3"))["fourth_canal"]  # one of two is not more than half
    assert (kept.checked, kept.rows) == (2, 0)


def test_texts_that_were_left_out_are_counted():
    left = pl.DataFrame(
        {
            "field": ["naocl_percent", "naocl_percent", "preop_pai", "pai"],
            "note": ["unreadable", "out_of_range", "out_of_range", "out_of_range"],
            "rows": [3, 9, 2, 1],
        }
    )
    recalls = details(FINDINGS, "patient_id | pai\np1 | 2\np2 | ")
    found = checked(findings=recalls, left_out=left)
    assert (found["naocl_words"].checked, found["naocl_words"].rows) == (7, 3)
    assert (found["preop_pai_scale"].checked, found["preop_pai_scale"].rows) == (2, 2)
    assert (found["pai_scale"].checked, found["pai_scale"].rows) == (2, 1)
    assert "naocl_words" not in checked()


def test_nothing_recorded_breaks_nothing():
    found = check_technique(ENDO.clear(), CROWN.clear(), COURSES.clear(), NO_FINDINGS)
    assert {(c.checked, c.rows) for c in found} == {(0, 0)}
    assert count_technique(ENDO.clear()) == ()


def test_bands_hold_every_row_once():
    counts = count_technique(ENDO)
    lengths = {c.label: c.rows for c in counts if c.field == "length_short_of_apex_mm"}
    assert lengths == {
        "beyond the apex": 1,
        "0 to 0.5 mm short": 1,
        "over 0.5 to 1 mm short": 0,
        "over 1 to 2 mm short": 1,
        "over 2 to 5 mm short": 1,
        "over 5 mm short": 1,
    }
    assert [(c.label, c.rows, c.means) for c in counts if c.field == "naocl_percent"][-1] == (
        "5.25 %", 1, "stock of 5.25 %",
    )  # fmt: skip


def test_row_order_changes_nothing():
    assert check_technique(ENDO.reverse(), CROWN.reverse(), COURSES.reverse(), NO_FINDINGS) == check_technique(
        ENDO, CROWN, COURSES, NO_FINDINGS
    )
