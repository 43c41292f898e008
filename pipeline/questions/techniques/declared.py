"""The list of all technique questions that are asked."""

from pipeline.questions.techniques import of_courses, of_crowns
from pipeline.questions.techniques.question import Question


def all_questions() -> tuple[Question, ...]:
    """Every technique question, in order of unit (crowns first) and id."""
    found = (*of_crowns.QUESTIONS, *of_courses.QUESTIONS)
    if len({q.id for q in found}) < len(found):
        raise ValueError("Two technique questions share an id.")
    return tuple(sorted(found, key=lambda q: (q.unit != "crown", q.id)))
