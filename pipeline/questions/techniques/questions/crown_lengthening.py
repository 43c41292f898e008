"""Crown failure: tooth laid free for the crown or not."""

from pipeline.questions.techniques.question import CHOSEN, CROWN_FAILURE, LENGTHENED, OF_CROWNS, Question, yes_no

QUESTION = Question(
    id="crown_lengthening",
    title="Crown lengthening or not",
    unit="crown",
    factor="crown_lengthening",
    outcomes=(CROWN_FAILURE,),
    adjust=tuple(c for c in OF_CROWNS if c is not LENGTHENED),
    why_adjust="Teeth with less left of them differ in kind and in what was done before.",
    needs=("procedures: crown lengthening codes",),
    reference="no",
    levels=yes_no("Crown lengthening", "No crown lengthening"),
    caveats=(CHOSEN, "It is done where little tooth is left, which makes it look worse than it is."),
    events=("crown_lengthening",),
)
