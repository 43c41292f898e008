"""The technique part of the inside page: what it says is what the result holds."""

from dataclasses import replace
from types import SimpleNamespace

from dashboards.pages.technique import technique_block
from dashboards.pages.technique_learning import learning_block
from pipeline.results.technique import (
    DosePoint,
    Learning,
    LearningClinician,
    LearningSpan,
    TechniqueAnswer,
    TechniqueContrast,
    TechniqueGroup,
)

GROUPS = (
    TechniqueGroup(
        "yes",
        "Rubber dam",
        900,
        700,
        60,
        4000.0,
        1.5,
        1.1,
        1.9,
        adjusted_rate_per_100_tooth_years=1.6,
        adjusted_rate_ci_low=1.2,
        adjusted_rate_ci_high=2.1,
    ),
    TechniqueGroup("no", "No <dam>", 800, 650, 90, 3600.0, 2.5, 2.0, 3.1),
)
CONTRAST = TechniqueContrast(
    group="no",
    reference="yes",
    hazard_ratio=1.62,
    ratio_ci_low=1.2,
    ratio_ci_high=2.2,
    difference_per_100=-6.04,
    difference_ci_low=-9.0,
    difference_ci_high=-3.1,
    p=0.0001,
    p_family=0.002,
    verdict="differs",
    sentence="In these records, 6 fewer failures.",
    next_step="",
)


def answer(**changes: object) -> TechniqueAnswer:
    fields: dict[str, object] = {
        "id": "technique_rubber_dam_tooth_loss",
        "question": "rubber_dam",
        "title": "Rubber dam or not: tooth loss",
        "unit": "course",
        "outcome": "tooth_loss",
        "horizon_years": 5.0,
        "reference": "yes",
        "groups": GROUPS,
        "contrasts": (CONTRAST,),
        "dose": (),
        "dose_unit": "",
        "reference_dose": None,
        "adjusted_for": ("age", "sex"),
        "stratified_by": ("clinician",),
        "missing": (),
        "caveats": ("Not by chance.",),
        "notes": ("One note.",),
        "family": 12,
    }
    return TechniqueAnswer(**{**fields, **changes})


def block(*answers: TechniqueAnswer) -> dict:
    return technique_block(SimpleNamespace(techniques=answers, quality=SimpleNamespace(notes=None)))


def test_nothing_asked_gives_no_block() -> None:
    assert block() == {}


def test_one_question_as_said_drawn_and_tabled() -> None:
    found = block(answer())
    assert found["family"].startswith("1 question with 12 adjusted comparisons")
    (asked,) = found["asked"]
    assert (asked.title, asked.short) == ("Root canals: rubber dam or not", "1 difference named")
    (part,) = asked.parts
    assert part.chart.id == "technique-0-0"
    assert part.chart.sheet.rows == (("No <dam>", "", 1.62, 1.2, 2.2),)
    assert "<dam>" not in part.chart.json
    assert part.contrasts.rows == (
        ("No <dam>", "1.62", "1.20 to 2.20", "6.0 fewer", "−9.0 to −3.1", "Differs in these records"),
    )
    assert part.groups.rows[0] == ("Rubber dam", "900", "700", "60", "4,000", "1.5", "1.1 to 1.9", "1.6", "1.2 to 2.1")
    assert part.small_print[0].startswith("Adjusted for age and sex, within clinicians")


def test_outcomes_of_one_question_stand_together() -> None:
    two = block(answer(), answer(outcome="endo_failure", contrasts=()))
    assert [len(asked.parts) for asked in two["asked"]] == [2]
    assert [p.chart is None for asked in two["asked"] for p in asked.parts] == [False, True]  # without a contrast


def test_healed_shares_and_a_dose_have_their_tables() -> None:
    seen = tuple(
        TechniqueGroup(g.name, g.label, 100, 90, 25, 0.0, None, None, None, 0.75, 0.65, 0.83, due=160) for g in GROUPS
    )
    dose = (DosePoint(2.5, 1.0, 1.0, 1.0), DosePoint(5.25, 1.3, 0.9, 1.9))
    (asked,) = block(
        answer(outcome="radiographic_success", groups=seen, contrasts=()),
        answer(dose=dose, dose_unit="percent", reference_dose=2.5),
    )["asked"]
    healed, along = asked.parts
    assert healed.groups.rows[0] == ("Rubber dam", "160", "100 (62 %)", "90", "25", "75 %", "65 % to 83 %", "–", "–")
    assert along.dose.rows[1] == ("5.25", "1.30", "0.90 to 1.90")
    assert "against 2.5 percent" in along.dose.caption


def test_the_curve_along_a_dose_is_drawn_said_and_saved() -> None:
    dose = (DosePoint(1.0, 1.4, 0.8, 20.0), DosePoint(2.5, 1.0, 1.0, 1.0), DosePoint(5.25, 0.7, 0.4, 1.2))
    found = block(answer(dose=dose, dose_unit="percent", reference_dose=2.5, dose_sentence="No change can be told."))
    (part,) = found["asked"][0].parts
    assert part.dose_says == "No change can be told."
    assert (part.chart.id, part.dose_chart.id) == ("technique-0-0", "technique-0-0-dose")
    assert part.dose_chart.sheet.rows[0] == (1.0, 1.4, 0.8, 20.0)  # cut in the picture, whole in the data
    assert part.dose_chart.spec["data"][1]["y"][0] == 2.0


def test_a_pair_that_leaves_the_reference_out_names_both() -> None:
    third = TechniqueGroup("half", "Half a dam", 500, 400, 40, 2000.0, 2.0, 1.4, 2.7)
    other = replace(CONTRAST, group="no", reference="half")
    (part,) = block(answer(groups=(*GROUPS, third), contrasts=(CONTRAST, other)))["asked"][0].parts
    assert [row[0] for row in part.contrasts.rows] == ["No <dam>", "No <dam>, not half a dam"]


def test_healing_is_tabled_without_a_hazard_ratio() -> None:
    healed = replace(CONTRAST, hazard_ratio=None, ratio_ci_low=None, ratio_ci_high=None)
    (part,) = block(answer(outcome="radiographic_success", contrasts=(healed,)))["asked"][0].parts
    assert part.chart is None
    assert part.contrasts.heads == ("Group", "Not healed per 100", "Range", "What to say")
    assert part.contrasts.rows == (("No <dam>", "6.0 fewer", "−9.0 to −3.1", "Differs in these records"),)


SPANS = (
    LearningSpan(None, None, 200, 150, 9, 600.0, 1.5, 0.7, 2.8),
    LearningSpan(1, 50, 50, 48, 6, 200.0, 3.0, 1.1, 6.5),
    LearningSpan(51, None, 60, 55, 5, 250.0, 2.0, 0.6, 4.7),
)
LEARNING = Learning(
    id="learning_instrumentation_reciprocating",
    label="A reciprocating file",
    title="How the canals were shaped",
    unit="every_course",
    outcome="endo_failure",
    clinicians=(
        LearningClinician("Z", 2020, 60, SPANS),
        LearningClinician("A", 2018, 90, SPANS),
        LearningClinician("M", 2023, 21, ()),
    ),
    answers=("x", "gone"),
    notes=("Taken up: a note.",),
)


def test_clinicians_who_took_a_technique_up_stand_by_name() -> None:
    found = learning_block(SimpleNamespace(techniques=(answer(id="x"),), learning=(LEARNING,)))
    (taken,) = found["taken"]
    assert taken.title == "How the canals were shaped: taking up a reciprocating file"
    assert taken.lead == "3 clinicians took it up."
    assert [row[0] for row in taken.table.rows[:4]] == [
        "A: before",
        "A: cases 1 to 50",
        "A: cases from 51",
        "Z: before",
    ]
    assert taken.table.rows[1] == ("A: cases 1 to 50", "2018", "90", "50", "6", "200", "3.0", "1.1 to 6.5")
    assert taken.notes == ("Taken up: a note.", "Too few teeth to be shown: M.")
    assert [t.heading for t in taken.together] == ["Rubber dam or not: tooth loss"]


def test_the_chart_of_a_learning_curve_holds_what_its_table_holds() -> None:
    found = learning_block(SimpleNamespace(techniques=(), learning=(LEARNING,)))
    chart = found["taken"][0].chart
    assert [row[0] for row in chart.sheet.rows] == [row[0] for row in found["taken"][0].table.rows]
    assert chart.sheet.rows[1][2:] == (3.0, 1.1, 6.5)
    # Before and after differ in shape, not only in colour.
    assert {trace["marker"]["symbol"] for trace in chart.spec["data"] if trace["mode"] == "markers"} == {
        "square",
        "circle",
    }


def test_nobody_took_anything_up() -> None:
    assert learning_block(SimpleNamespace(techniques=(answer(),), learning=())) == {}
