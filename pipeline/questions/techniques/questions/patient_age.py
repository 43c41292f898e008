"""Crown failure: age of the patient at the seat."""

from pipeline.questions.techniques.question import (
    CROWN_FAILURE,
    ENDO_FIRST,
    MATERIAL,
    SEX,
    TOOTH_GROUP,
    YEAR,
    Band,
    Question,
)

QUESTION = Question(
    id="patient_age",
    title="Age of the patient at the seat",
    unit="crown",
    factor="age",
    outcomes=(CROWN_FAILURE,),
    adjust=(SEX, TOOTH_GROUP, ENDO_FIRST, MATERIAL, YEAR),
    why_adjust="Older patients have other teeth crowned, in other materials.",
    needs=("patients.birth_date|birth_year",),
    reference="40_to_59",
    bands=(
        Band("under_40", "Patients under 40", None, 40.0, below=True),
        Band("40_to_59", "Patients of 40 to 59", 40.0, 60.0, at_least=True, below=True),
        Band("60_or_more", "Patients of 60 or more", 60.0, None, at_least=True),
    ),
    dose_unit="years",
    spline=True,
    caveats=(
        "Age is no choice of the clinician; this describes patients.",
        "Follow-up ends at the last visit or at death.",
    ),
    small="leave_out",
)
