"""Root canals: a perforation that was mended or none."""

from pipeline.questions.techniques.question import AFTERWARDS, COURSE_OUTCOMES, OF_COURSES, Question, yes_no

QUESTION = Question(
    id="perforation_repair",
    title="A perforation that was mended",
    unit="course",
    factor="perforation_repair",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("procedures: perforation codes",),
    reference="no",
    levels=yes_no("Perforation mended", "No perforation mended"),
    caveats=(
        "A perforation is no choice of the clinician; one that was left, or mended without a code, counts as none.",
        AFTERWARDS,
    ),
    events=("perforation_repair",),
)
