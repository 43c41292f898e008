"""Root canals: a file that separated and was left in the canal, or taken out, or none."""

from pipeline.questions.techniques.question import AFTERWARDS, COURSE_OUTCOMES, OF_COURSES, Level, Question

QUESTION = Question(
    id="separated_instrument",
    title="A file that separated",
    unit="course",
    factor="separated_instrument",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.separated_instrument",),
    reference="none",
    levels=(
        Level("none", "No separated file", ("none",)),
        # A file that is passed by stays in the tooth.
        Level("left", "A separated file left in the canal", ("before_cleaning", "after_cleaning", "bypassed")),
        Level("removed", "A separated file taken out", ("removed",)),
    ),
    also=(("left", "removed"),),
    pool_label="A separated file, left or taken out",
    caveats=("Files separate in narrow and curved canals, which do worse anyway.", AFTERWARDS),
)
