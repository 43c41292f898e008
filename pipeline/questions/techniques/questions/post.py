"""Crown failure: post under the core."""

from pipeline.questions.techniques.question import CHOSEN, CROWN_FAILURE, WITHOUT_POST, Question

QUESTION = Question(
    id="post",
    title="Post under the core",
    unit="crown",
    factor="post",
    outcomes=(CROWN_FAILURE,),
    adjust=WITHOUT_POST,
    why_adjust="Patients and teeth of higher risk may get another kind of crown.",
    needs=("crown_details.post",),
    caveats=(CHOSEN,),
    events=("post_core", "post_core_addon"),
)
