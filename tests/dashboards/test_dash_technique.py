"""The technique part of the inside page: what it says is what the result holds."""

from types import SimpleNamespace

from dashboards.pages.technique import technique_block
from pipeline.results_technique import DosePoint, TechniqueAnswer, TechniqueContrast, TechniqueGroup

GROUPS = (
    TechniqueGroup("yes", "Rubber dam", 900, 700, 60, 4000.0, 1.5, 1.1, 1.9),
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
    return technique_block(SimpleNamespace(techniques=answers))


def test_nothing_asked_gives_no_block() -> None:
    assert block() == {}


def test_one_question_as_said_drawn_and_tabled() -> None:
    found = block(answer())
    assert found["family"].startswith("1 question with 12 adjusted comparisons")
    (asked,) = found["asked"]
    assert (asked.title, asked.short) == ("Root canals: rubber dam or not", "1 difference named")
    (part,) = asked.parts
    assert [c.id for c in found["charts"]] == ["technique-0-0"]
    assert part.chart.sheet.rows == (("No <dam>", "", 1.62, 1.2, 2.2),)
    assert "<dam>" not in part.chart.json
    assert part.contrasts.rows == (
        ("No <dam>", "1.62", "1.20 to 2.20", "6.0 fewer", "−9.0 to −3.1", "Differs in these records"),
    )
    assert part.groups.rows[0] == ("Rubber dam", "900", "700", "60", "4,000", "1.5", "1.1 to 1.9")
    assert part.small_print[0].startswith("Adjusted for age and sex, within clinicians")


def test_outcomes_of_one_question_stand_together() -> None:
    two = block(answer(), answer(outcome="endo_failure", contrasts=()))
    assert [len(asked.parts) for asked in two["asked"]] == [2]
    assert len(two["charts"]) == 1  # nothing to draw without a contrast


def test_healed_shares_and_a_dose_have_their_tables() -> None:
    seen = tuple(TechniqueGroup(g.name, g.label, 100, 90, 25, 0.0, None, None, None, 0.75, 0.65, 0.83) for g in GROUPS)
    dose = (DosePoint(2.5, 1.0, 1.0, 1.0), DosePoint(5.25, 1.3, 0.9, 1.9))
    (asked,) = block(
        answer(outcome="radiographic_success", groups=seen, contrasts=()),
        answer(dose=dose, dose_unit="percent", reference_dose=2.5),
    )["asked"]
    healed, along = asked.parts
    assert healed.groups.rows[0] == ("Rubber dam", "100", "90", "25", "75 %", "65 % to 83 %")
    assert along.dose.rows[1] == ("5.25", "1.30", "0.90 to 1.90")
    assert "against 2.5 percent" in along.dose.caption
