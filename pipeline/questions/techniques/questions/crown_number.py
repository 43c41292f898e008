"""Crown failure: a second crown on the tooth or the first."""

from pipeline.questions.techniques.question import CHOSEN, CROWN_FAILURE, OF_CROWNS, Question, same

QUESTION = Question(
    id="crown_number",
    title="A second crown on the tooth or the first",
    unit="crown",
    factor="crown_number",
    outcomes=(CROWN_FAILURE,),
    adjust=OF_CROWNS,
    why_adjust="Patients and teeth of higher risk may get another kind of crown.",
    needs=("crowns.seat_date",),
    reference="first",
    levels=same(("first", "First crown"), ("later", "Second or later crown")),
    caveats=(CHOSEN, "First means the first on record: an older crown may have been lost before the records begin."),
)
