"""Crown failure: cement of the crown."""

from pipeline.questions.techniques.question import CHOSEN, CROWN_FAILURE, OF_CROWNS, Question

QUESTION = Question(
    id="cement",
    title="Cement of the crown",
    unit="crown",
    factor="cement",
    outcomes=(CROWN_FAILURE,),
    adjust=OF_CROWNS,
    why_adjust="Patients and teeth of higher risk may get another kind of crown.",
    needs=("crown_details.cement",),
    caveats=(CHOSEN,),
    learn=True,
)
