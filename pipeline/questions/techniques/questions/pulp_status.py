"""Crown failure: pulp when the tooth was prepared."""

from pipeline.questions.techniques.question import (
    AGE,
    CHOSEN,
    CROWN_FAILURE,
    LENGTHENED,
    MATERIAL,
    SEX,
    TOOTH_GROUP,
    YEAR,
    Question,
    same,
)

QUESTION = Question(
    id="pulp_status",
    title="Pulp when the tooth was prepared",
    unit="crown",
    factor="pulp_status_at_prep",
    outcomes=(CROWN_FAILURE,),
    adjust=(AGE, SEX, TOOTH_GROUP, MATERIAL, YEAR, LENGTHENED),
    why_adjust="The state of the pulp goes with age and tooth; a root canal before the seat is part of it.",
    needs=("crown_details.pulp_status_at_prep",),
    reference="normal",
    levels=same(
        ("normal", "Normal pulp"),
        ("hyperemic", "Hyperemic pulp"),
        ("necrotic", "Necrotic pulp"),
        ("root_filled", "Root-filled tooth"),
    ),
    caveats=(CHOSEN,),
)
