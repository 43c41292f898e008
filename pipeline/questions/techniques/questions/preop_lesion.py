"""Root canals: lesion before treatment."""

from pipeline.questions.techniques.question import (
    AGE,
    COURSE_OUTCOMES,
    CROWNED,
    FILM_3D,
    KIND,
    PULPAL,
    SEX,
    SPLINTED,
    TOOTH_GROUP,
    YEAR,
    Question,
    same,
)

QUESTION = Question(
    id="preop_lesion",
    title="Lesion before treatment",
    unit="course",
    factor="lesion",
    outcomes=COURSE_OUTCOMES,
    adjust=(AGE, SEX, TOOTH_GROUP, KIND, CROWNED, YEAR, PULPAL, SPLINTED, FILM_3D),
    why_adjust="Lesions go with age, tooth and earlier treatment.",
    needs=("endo_details.preop_pai",),
    reference="no",
    levels=same(("no", "No lesion (index 1 or 2)"), ("yes", "Lesion (index 3 to 5)")),
    caveats=("A lesion is no choice of the clinician; this describes teeth.",),
)
