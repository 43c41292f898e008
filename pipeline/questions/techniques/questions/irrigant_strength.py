"""Root canals: strength of the sodium hypochlorite."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Band, Question

QUESTION = Question(
    id="irrigant_strength",
    title="Strength of the sodium hypochlorite",
    unit="course",
    factor="naocl_percent",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.naocl_percent",),
    reference="1_to_3",
    bands=(
        Band("to_1", "Up to 1 %", None, 1.0),
        Band("1_to_3", "Over 1 to 3 %", 1.0, 3.0),
        Band("3_to_5_25", "Over 3 to 5.25 %", 3.0, 5.25),
        Band("over_5_25", "Over 5.25 %", 5.25, None),
    ),
    dose_unit="percent",
    spline=True,
    caveats=(CHOSEN, AFTERWARDS),
    small="leave_out",
    safety=True,
)
