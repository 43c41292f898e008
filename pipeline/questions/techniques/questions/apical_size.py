"""Root canals: final apical size."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Band, Question

QUESTION = Question(
    id="apical_size",
    title="Final apical size",
    unit="course",
    factor="master_apical_size_iso",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.master_apical_size_iso",),
    reference="30_to_35",
    bands=(
        Band("to_25", "Size 25 or less", None, 25.0),
        Band("30_to_35", "Size 30 to 35", 25.0, 35.0),
        Band("40_to_50", "Size 40 to 50", 35.0, 50.0),
        Band("over_50", "Over size 50", 50.0, None),
    ),
    dose_unit="hundredths of a mm",
    spline=True,
    caveats=(
        CHOSEN,
        AFTERWARDS,
        "Size follows the width of the root, which adjustment for the tooth group covers in part.",
    ),
    small="leave_out",
)
