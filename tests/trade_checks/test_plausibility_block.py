"""The blocks on plausible technique and on planning: every number in words is one of the results."""

from types import SimpleNamespace

from dashboards.pages.data_quality import plausibility_block, plausibility_sentence
from dashboards.pages.planning import planning_block, planning_sentence
from pipeline.results.planning import Plan, PlanGroup
from pipeline.results.technique import TradeCheck, TradeCount


def check(name: str, rows: int, *, kind: str = "unusual", checked: int = 40) -> TradeCheck:
    return TradeCheck(name, "endo_details", "visits", kind, checked, rows, f"{rows} of {checked}.", "Look.", "source")


def plan(*, settled: bool = False, months: int | None = 14, needed: int | None = 90) -> Plan:
    more = None if needed is None else 20
    groups = tuple(PlanGroup(n, n.title(), 100, 20, 400.0, 12.0, more, more) for n in ("one", "other"))
    return Plan("q", "Question", settled, 5.0, 5.0, 1.5, 1.0, groups, 40, needed, months, needed and 3, 10, ("Said.",))


def test_broken_rules_are_counted_and_listed():
    checks = (check("a", 3, kind="impossible"), check("b", 2), check("c", 0), check("d", 0, checked=0))
    said = plausibility_sentence(checks)
    assert said.startswith("3 rules could be checked; 2 are broken in some rows, 1 of them by what cannot be right")
    counts = (TradeCount("endo_details", "naocl_percent", "1.5 %", 3, 4, "3 parts water to 1 part of 6 %"),)
    block = plausibility_block(SimpleNamespace(trade_checks=checks, trade_counts=counts))
    assert [row[0] for row in block["found"].rows] == ["3 of 40.", "2 of 40."]
    assert [row[0] for row in block["kept"].rows] == ["0 of 40.", "0 of 0."]
    assert block["counts"][0].rows == (("1.5 %", "3", "75 %", "3 parts water to 1 part of 6 %"),)


def test_nothing_recorded_and_nothing_broken():
    assert plausibility_sentence(()).startswith("No technique was recorded")
    assert plausibility_sentence((check("a", 0),)) == "1 rule could be checked, and every row keeps all of them."


def test_planning_in_words():
    assert planning_sentence(()).startswith("No question of two groups")
    assert planning_sentence((plan(settled=True),)) == "1 question: all answered for now."
    pace = (
        "enough failures in this practice alone within 10 years, if its pace holds. Months count that those followed "
        "now go on failing; “More cases” would be followed as long as they were."
    )
    assert planning_sentence((plan(), plan(settled=True))) == f"1 question of 2 is open; it would have {pace}"
    assert planning_sentence((plan(months=None),)) == f"1 question of 1 is open; it would not have {pace}"
    two = (plan(), plan(months=None), plan(settled=True))
    assert planning_sentence(two) == f"2 questions of 3 are open; 1 of them would have {pace}"


def test_the_table_of_planning():
    plans = (plan(), plan(months=None), plan(months=None, needed=None))
    block = planning_block(SimpleNamespace(not_run=(), planning=plans))
    assert [row[-2:] for row in block["table"].rows[::2]] == [("14", "3"), ("over 120", "3"), ("–", "–")]
