"""Root canals: first treatment or retreatment."""

from pipeline.questions.techniques.question import (
    AGE,
    APICAL,
    COURSE_OUTCOMES,
    CROWNED,
    FILM_3D,
    LESION,
    SEX,
    SPLINTED,
    TOOTH_GROUP,
    YEAR,
    Question,
    same,
)

QUESTION = Question(
    id="endo_kind",
    title="First treatment or retreatment",
    unit="every_course",
    factor="kind",
    outcomes=COURSE_OUTCOMES,
    adjust=(AGE, SEX, TOOTH_GROUP, LESION, CROWNED, YEAR, APICAL, SPLINTED, FILM_3D),
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_courses.kind",),
    reference="initial",
    levels=same(("initial", "First treatment"), ("retreatment", "Retreatment")),
    caveats=(
        "A retreatment is done because a first treatment failed: the tooth is another one.",
        "Every course counts from its own end; a tooth that is treated again counts as retreated from then on.",
    ),
)
