"""Root canals with a separated file left in them: whether the canal was cleaned first."""

from pipeline.questions.techniques.question import AFTERWARDS, COURSE_OUTCOMES, OF_COURSES, Question, same

QUESTION = Question(
    id="separated_when",
    title="A separated file left in the canal: was the canal cleaned first",
    unit="course",
    factor="separated_instrument",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.separated_instrument",),
    reference="after_cleaning",
    levels=same(("before_cleaning", "Separated before cleaning"), ("after_cleaning", "Separated after cleaning")),
    caveats=("Files separate in narrow and curved canals, which do worse anyway.", AFTERWARDS),
)
