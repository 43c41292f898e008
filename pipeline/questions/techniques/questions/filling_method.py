"""Root canals: how the canals were filled."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Question, same

QUESTION = Question(
    id="filling_method",
    title="How the canals were filled",
    unit="course",
    factor="obturation",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.obturation",),
    reference="cold_lateral",
    levels=same(
        ("cold_lateral", "Cold lateral"),
        ("warm_vertical", "Warm vertical"),
        ("single_cone", "Single cone"),
        ("carrier", "Carrier"),
    ),
    caveats=(CHOSEN, AFTERWARDS),
    learn=True,
)
