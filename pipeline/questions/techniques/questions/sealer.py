"""Root canals: kind of sealer."""

from pipeline.questions.techniques.question import AFTERWARDS, CHOSEN, COURSE_OUTCOMES, OF_COURSES, Question, same

QUESTION = Question(
    id="sealer",
    title="Kind of sealer",
    unit="course",
    factor="sealer",
    outcomes=COURSE_OUTCOMES,
    adjust=OF_COURSES,
    why_adjust="Harder teeth may be treated another way.",
    needs=("endo_details.sealer",),
    reference="epoxy_resin",
    levels=same(
        ("zinc_oxide_eugenol", "Zinc oxide eugenol sealer"),
        ("epoxy_resin", "Epoxy resin sealer"),
        ("calcium_silicate", "Calcium silicate sealer"),
        ("calcium_hydroxide", "Calcium hydroxide sealer"),
        ("other", "Other sealers"),
    ),
    caveats=(CHOSEN, AFTERWARDS),
    learn=True,
)
