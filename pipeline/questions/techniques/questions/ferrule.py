"""Crown failure: height of the ferrule."""

from pipeline.questions.techniques.question import CHOSEN, CROWN_FAILURE, OF_CROWNS, Band, Question

QUESTION = Question(
    id="ferrule",
    title="Height of the ferrule",
    unit="crown",
    factor="ferrule_mm",
    outcomes=(CROWN_FAILURE,),
    adjust=OF_CROWNS,
    why_adjust="Teeth with less left of them differ in kind and in what was done before.",
    needs=("crown_details.ferrule_mm",),
    reference="2_or_more",
    bands=(
        Band("under_1", "Ferrule below 1 mm", None, 1.0, below=True),
        Band("1_to_2", "Ferrule of 1 mm to less than 2 mm", 1.0, 2.0, at_least=True, below=True),
        Band("2_or_more", "Ferrule of 2 mm or more", 2.0, None, at_least=True),
    ),
    dose_unit="mm",
    spline=True,
    caveats=(CHOSEN,),
    small="leave_out",
)
