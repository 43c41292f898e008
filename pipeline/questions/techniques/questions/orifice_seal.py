"""Root canals: seal over the canal openings."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Question, same

QUESTION = Question(
    id="orifice_seal",
    title="Seal over the canal openings",
    unit="course",
    factor="orifice_seal",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.orifice_seal",),
    reference="none",
    levels=same(
        ("none", "No orifice seal"),
        ("composite", "Composite seal"),
        ("glass_ionomer", "Glass ionomer seal"),
        ("zinc_oxide_eugenol", "Zinc oxide eugenol seal"),
    ),
    caveats=(CHOSEN, AFTERWARDS),
    learn=True,
)
