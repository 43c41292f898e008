"""Root canals: a single file, files in sequence, or hand files."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Level, Question

QUESTION = Question(
    id="instrumentation",
    title="How the canals were shaped",
    unit="course",
    factor="instrumentation",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.instrumentation",),
    # What is asked is whether one file does what several do, so the sequence is what others are held against.
    reference="rotary_sequence",
    levels=(
        # A reciprocating file is used alone as a rule: common practice, no source.
        Level("single_file", "A single file, turning or reciprocating", ("rotary_single_file", "reciprocating")),
        Level("hand", "Hand files", ("hand",)),
        Level("rotary_sequence", "Rotary files in sequence", ("rotary_sequence",)),
    ),
    caveats=(CHOSEN, AFTERWARDS),
    learn=True,
)
