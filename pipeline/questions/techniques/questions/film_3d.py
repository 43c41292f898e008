"""Root canals: a three-dimensional film before the end of the treatment or none."""

from pipeline.questions.techniques.question import (
    AFTERWARDS,
    CHOSEN,
    COURSE_OUTCOMES,
    FILM_3D,
    OF_COURSES,
    Question,
    yes_no,
)

QUESTION = Question(
    id="film_3d",
    title="A three-dimensional film or none",
    unit="course",
    factor="film_3d",
    outcomes=COURSE_OUTCOMES,
    adjust=tuple(c for c in OF_COURSES if c is not FILM_3D),
    why_adjust="Harder teeth may be treated another way.",
    needs=("procedures: three-dimensional film codes",),
    reference="no",
    levels=yes_no("Three-dimensional film", "No three-dimensional film"),
    caveats=(CHOSEN, AFTERWARDS, "Such a film is taken of harder teeth, which makes it look worse than it is."),
    events=("radiograph_3d",),
)
