"""Root canals: how the canals were shaped."""

from pipeline.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Question, same

QUESTION = Question(
    id="instrumentation",
    title="How the canals were shaped",
    unit="course",
    factor="instrumentation",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.instrumentation",),
    reference="hand",
    levels=same(
        ("hand", "Hand files"),
        ("rotary_sequence", "Rotary files in sequence"),
        ("rotary_single_file", "A single rotary file"),
        ("reciprocating", "A reciprocating file"),
    ),
    caveats=(CHOSEN, AFTERWARDS),
    learn=True,
)
