"""Own cases: quarters of a year read off a curve by hand, and the same figures as the table of rates by clinician."""

import polars as pl
import pytest

from pipeline.practice.outcomes import CROWN_FAILURE
from pipeline.questions.groups import CurveRules, days_of
from pipeline.questions.success_rates import own_cases, rate_tables

RULES = CurveRules(min_at_risk=1, max_step=1.0, confidence=0.95, years=(5.0,))


def _spells(rows: list[tuple[str | None, int, bool]]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "patient_id": [f"p{n}" for n in range(len(rows))],
            "provider_id": [r[0] for r in rows],
            "entry_days": [0] * len(rows),
            "exit_days": [r[1] for r in rows],
            "event": [r[2] for r in rows],
            "failure": [r[2] for r in rows],
        },
        schema_overrides={"provider_id": pl.String},
    )


def test_quarters_by_hand() -> None:
    # Dr A: four teeth; failures on days 80 and 200, the others followed for 400 days. Quarters end on days 91, 183,
    # 274 and 365: 3/4, 3/4, 2/4, 2/4. Dr B: one tooth that never fails, seen for 100 days: one quarter.
    found = own_cases(
        _spells([("A", 80, True), ("A", 200, True), ("A", 400, False), ("A", 400, False), ("B", 100, False)]),
        outcome="crown_survival",
        horizon=1.0,
        rules=RULES,
    )
    assert [c.provider for c in found] == ["", "A", "B"]
    a = found[1]
    assert [p.days for p in a.points] == [days_of(q / 4) for q in (1, 2, 3, 4)]
    assert [p.survival for p in a.points] == pytest.approx([3 / 4, 3 / 4, 1 / 2, 1 / 2])
    assert (a.teeth, a.failures, a.followed, a.survival) == (4, 2, 2, pytest.approx(1 / 2))
    assert [p.survival for p in found[2].points] == [1.0]
    assert found[2].survival is None, "one year is not reached"
    assert (found[0].teeth, found[0].failures) == (5, 2)


def test_the_figures_are_those_of_the_table_and_the_order_of_rows_is_none() -> None:
    rows = [(("A", "B")[n % 2], 300 + 97 * n % 2500, n % 3 == 0) for n in range(60)] + [(None, 900, True)]
    found = own_cases(_spells(rows), outcome="crown_survival", horizon=5.0, rules=RULES)
    assert found == own_cases(_spells(rows)[::-1], outcome="crown_survival", horizon=5.0, rules=RULES)
    tables = rate_tables(_spells(rows), CROWN_FAILURE, horizon=5.0, rules=RULES, by=("overall", "provider_id"))
    by_name = {"": tables[0].rows[0]} | {r.name: r for r in tables[1].rows}
    for case in found:
        row = by_name[case.provider]
        assert (case.teeth, case.failures, case.patients) == (row.teeth, row.failures, row.patients)
        assert (case.survival, case.ci_low, case.ci_high) == (row.survival, row.ci_low, row.ci_high)


def test_nothing_where_no_clinician_is_recorded() -> None:
    assert own_cases(_spells([(None, 80, True)]), outcome="crown_survival", horizon=1.0, rules=RULES) == ()
