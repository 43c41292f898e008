"""Crown failure: margin of the crown."""

from pipeline.questions.techniques.question import CHOSEN, CROWN_FAILURE, OF_CROWNS, Question, same

QUESTION = Question(
    id="margin",
    title="Margin of the crown",
    unit="crown",
    factor="margin",
    outcomes=(CROWN_FAILURE,),
    adjust=OF_CROWNS,
    why_adjust="Patients and teeth of higher risk may get another kind of crown.",
    needs=("crown_details.margin",),
    reference="chamfer",
    levels=same(
        ("chamfer", "Chamfer"), ("shoulder", "Shoulder"), ("knife_edge", "Knife edge"), ("other", "Other margins")
    ),
    caveats=(CHOSEN,),
    learn=True,
)
