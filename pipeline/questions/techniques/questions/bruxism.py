"""Crown failure: grinding or clenching."""

from pipeline.questions.techniques.question import CROWN_FAILURE, OF_CROWNS, Question, yes_no

QUESTION = Question(
    id="bruxism",
    title="Grinding or clenching",
    unit="crown",
    factor="bruxism",
    outcomes=(CROWN_FAILURE,),
    adjust=OF_CROWNS,
    why_adjust="Grinding goes with age and sex, and may decide the material.",
    needs=("patients.bruxism",),
    reference="no",
    levels=yes_no("Grinding or clenching", "No grinding or clenching"),
    caveats=("Grinding is often noted after something broke, which makes it look worse than it is.",),
)
