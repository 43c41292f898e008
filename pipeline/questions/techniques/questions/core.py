"""Crown failure: core under the crown."""

from pipeline.questions.techniques.question import CHOSEN, CROWN_FAILURE, WITHOUT_POST, Question

QUESTION = Question(
    id="core",
    title="Core under the crown",
    unit="crown",
    factor="core",
    outcomes=(CROWN_FAILURE,),
    adjust=WITHOUT_POST,
    why_adjust="Patients and teeth of higher risk may get another kind of crown.",
    needs=("crown_details.core",),
    caveats=(CHOSEN,),
    events=("core", "post_core"),
)
