"""Crown failure: core under the crown."""

from pipeline.techniques.question import CHOSEN, CROWN_FAILURE, OF_CROWNS, Question

QUESTION = Question(
    id="core",
    title="Core under the crown",
    unit="crown",
    factor="core",
    outcomes=(CROWN_FAILURE,),
    adjust=OF_CROWNS,
    why_adjust="Patients and teeth of higher risk may get another kind of crown.",
    needs=("crown_details.core",),
    caveats=(CHOSEN,),
)
