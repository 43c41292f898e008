"""What would settle an open question: the words and numbers of the page are those of the plans."""

from types import SimpleNamespace

from dashboards.pages.planning import planning_block
from pipeline.results.planning import Plan, PlanGroup

GROUPS = (
    PlanGroup("no", "No rubber dam", 400, 20, 1500.0, 30.0, 1600, 80),
    PlanGroup("yes", "Rubber dam", 600, 25, 2400.0, 45.5, 2400, 100),
)


def plan(id: str, **changes: object) -> Plan:
    fields: dict[str, object] = {
        "id": id,
        "title": "Rubber dam or not: tooth loss",
        "settled": False,
        "smallest_per_100": 5.0,
        "horizon_years": 5.0,
        "hazard_ratio": 1.5,
        "design_effect": 1.1,
        "groups": GROUPS,
        "failures_so_far": 45,
        "failures_needed": 225,
        "months": None,
        "practices": 5,
        "within_years": 10,
        "sentences": ("One.", "Two."),
        "looks": 80,
    }
    return Plan(**{**fields, **changes})


def block(*plans: Plan) -> dict:
    return planning_block(SimpleNamespace(not_run=(), planning=plans))


def test_comparisons_and_techniques_stand_apart() -> None:
    found = block(plan("main", looks=1), plan("technique_rubber_dam_tooth_loss:no:yes"))
    assert len(found["table"].rows) == 2
    assert found["technique_table"].rows == (
        (
            "Rubber dam or not: tooth loss: no rubber dam against rubber dam",
            "400 and 600", "20 and 25", "225", "1,600 and 2,400", "over 120", "5",
        ),
    )  # fmt: skip


def test_how_many_technique_questions_are_open_is_counted() -> None:
    found = block(
        plan("technique_a", settled=True),
        plan("technique_b"),
        plan("technique_c", months=30),
        plan("technique_d", failures_needed=None, practices=None, sentences=("Each clinician mostly works one way.",)),
    )
    assert found["technique_lead"].startswith(
        "3 of 4 technique comparisons are open; 1 of them would have enough within 10 years at this pace. For 1 it "
        "cannot be worked out. Each must stand among 80 looks"
    )
    assert [row[5] for row in found["technique_table"].rows] == ["over 120", "30"]
    assert found["stuck"].rows == (
        ("Rubber dam or not: tooth loss: no rubber dam against rubber dam", "Each clinician mostly works one way."),
    )
    assert found["technique_short"] == "3 of 4 comparisons open, 1 of them to be settled here within 10 years."


def test_all_answered_is_said_and_nothing_is_said_of_none() -> None:
    assert block(plan("technique_a", settled=True))["technique_lead"] == "1 technique comparison: all answered for now."
    assert block(plan("main"))["technique_lead"] == ""
