"""Crown failure: material of the crown."""

from pipeline.questions.techniques.question import (
    AGE,
    BUILT,
    CHOSEN,
    CROWN_FAILURE,
    ENDO_FIRST,
    SEX,
    TOOTH_GROUP,
    YEAR,
    Question,
    same,
)

QUESTION = Question(
    id="material",
    title="Material of the crown",
    unit="crown",
    factor="material",
    outcomes=(CROWN_FAILURE,),
    adjust=(AGE, SEX, TOOTH_GROUP, ENDO_FIRST, YEAR, *BUILT),
    why_adjust="Patients and teeth of higher risk may get another kind of crown.",
    needs=("crown_details.material",),
    reference="metal_ceramic",
    levels=same(
        ("metal", "Metal"),
        ("metal_ceramic", "Metal ceramic"),
        ("zirconia", "Zirconia"),
        ("glass_ceramic", "Glass ceramic"),
        ("resin", "Resin"),
        ("other", "Other materials"),
    ),
    caveats=(CHOSEN,),
    learn=True,
)
