"""Root canals: one visit or more."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Band, Question

QUESTION = Question(
    id="visits",
    title="One visit or more",
    unit="course",
    factor="course_visits",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_courses.visits",),
    reference="one",
    bands=(Band("one", "One visit", 0.0, 1.0), Band("more", "Two or more visits", 1.0, None)),
    dose_unit="visits",
    caveats=(CHOSEN, AFTERWARDS, "Teeth with pain or swelling more often take several visits."),
    small="leave_out",
)
