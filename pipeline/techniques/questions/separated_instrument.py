"""Root canals: a file that separated, and whether the canal was cleaned first."""

from pipeline.techniques.question import AFTERWARDS, COURSE_OUTCOMES, OF_COURSES, Question, same

QUESTION = Question(
    id="separated_instrument",
    title="A file that separated, and whether the canal was cleaned first",
    unit="course",
    factor="separated_instrument",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.separated_instrument",),
    reference="none",
    levels=same(
        ("none", "No separated file"),
        ("before_cleaning", "Separated before cleaning"),
        ("after_cleaning", "Separated after cleaning"),
        ("removed", "Separated and removed"),
    ),
    also=(("before_cleaning", "after_cleaning"), ("before_cleaning", "removed")),
    caveats=("Files separate in narrow and curved canals, which do worse anyway.", AFTERWARDS),
)
