"""Root canals shaped with a single file: one that reciprocates, or one that turns."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Question, same

QUESTION = Question(
    id="single_file_motion",
    title="The motion of a single file",
    unit="course",
    factor="instrumentation",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.instrumentation",),
    reference="rotary_single_file",
    levels=same(("rotary_single_file", "A single rotary file"), ("reciprocating", "A reciprocating file")),
    caveats=(CHOSEN, AFTERWARDS),
)
