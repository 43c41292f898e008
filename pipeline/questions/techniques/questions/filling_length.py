"""Root canals: where the filling ends."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Band, Question

QUESTION = Question(
    id="filling_length",
    title="Where the filling ends",
    unit="course",
    factor="length_short_of_apex_mm",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.length_short_of_apex_mm",),
    reference="0_5_to_1",
    bands=(
        Band("long", "Long, past the apex", None, 0.0, below=True),
        Band("0_to_0_5", "0 to 0.5 mm short", 0.0, 0.5, at_least=True),
        Band("0_5_to_1", "Over 0.5 to 1 mm short", 0.5, 1.0),
        Band("1_to_2", "Over 1 to 2 mm short", 1.0, 2.0),
        Band("over_2", "Over 2 mm short", 2.0, None),
    ),
    dose_unit="mm",
    spline=True,
    caveats=(CHOSEN, AFTERWARDS),
    small="leave_out",
)
