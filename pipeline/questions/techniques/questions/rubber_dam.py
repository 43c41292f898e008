"""Root canals: rubber dam or not."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Question, yes_no

QUESTION = Question(
    id="rubber_dam",
    title="Rubber dam or not",
    unit="course",
    factor="rubber_dam",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.rubber_dam",),
    reference="yes",
    levels=yes_no("Rubber dam", "No rubber dam"),
    caveats=(CHOSEN, AFTERWARDS),
    learn=True,
    safety=True,
)
