"""Root canals: irrigant activated or not."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Question, yes_no

QUESTION = Question(
    id="irrigant_activation",
    title="Irrigant activated or not",
    unit="course",
    factor="irrigant_activation",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.irrigant_activation",),
    reference="no",
    levels=yes_no("Irrigant activated", "Irrigant not activated"),
    caveats=(CHOSEN, AFTERWARDS),
    learn=True,
)
