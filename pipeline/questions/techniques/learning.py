"""Learning curves: results by case number since a technique was taken up, and before and after it was.

Both are ordinary technique questions on rows of the clinicians who took the technique up, within clinicians and
adjusted for calendar time among the rest, and count in the one family of looks.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.techniques.adoption import MIN_EARLIER, MIN_USES, adoptions, numbered_cases
from pipeline.questions.techniques.engine import Asked
from pipeline.questions.techniques.learning_spans import EDGES, RULE, clinicians_of
from pipeline.questions.techniques.question import CROWN_FAILURE, ENDO_FAILURE, HEALED, Band, Question, same
from pipeline.results.technique import Learning

FIRST, SECOND = EDGES[:2]
CASES = (
    Band(f"first_{FIRST}", f"Cases 1 to {FIRST}", 0.0, float(FIRST)),
    Band(f"{FIRST + 1}_to_{SECOND}", f"Cases {FIRST + 1} to {SECOND}", float(FIRST), float(SECOND)),
    Band(f"over_{SECOND}", f"Cases after the {SECOND}th", float(SECOND), None),
)
BY_NUMBER = (
    "A clinician's later cases are also later in time; adjustment for the year takes out only what changes steadily.",
    "Harder teeth may be taken on once a technique is familiar, which hides learning.",
)
BY_PHASE = (
    "Whatever else changed at that time counts as well; adjustment for the year takes out only what changes steadily.",
    "All teeth from the first case on count as after, whichever way they were done.",
)


@dataclass(frozen=True)
class Taken:
    """Learning curves to be asked, and the clinicians behind them; `lacking` where nobody took anything up."""

    asked: tuple[Asked, ...]
    learning: tuple[Learning, ...]
    lacking: str = ""


def learning_questions(
    questions: Sequence[Question], rows: Mapping[tuple[str, str], pl.DataFrame], analysis: Analysis
) -> Taken:
    """Two questions for each technique that a clinician took up, on every outcome that has rows.

    Root canals count whether or not they are the first of their tooth: a case is a case. `rows` as in `answer_all`.
    """
    asked: list[Asked] = []
    found: list[Learning] = []
    for question in (q for q in questions if q.learn):
        unit = "crown" if question.unit == "crown" else "every_course"
        outcomes = (CROWN_FAILURE,) if unit == "crown" else (ENDO_FAILURE, HEALED)
        frame = rows.get((unit, outcomes[0]))
        if frame is None or frame.is_empty():
            continue
        adopted = adoptions(frame, question.factor)
        for word in adopted["word"].unique().sort().to_list():
            label = _label(questions, question, word)
            pair = _questions(question, word, label, unit, outcomes)
            cases = numbered_cases(frame, question.factor, word, adopted)
            numbers = cases.select("row_id", "phase", "case_number")
            for one in pair:
                for outcome in outcomes:
                    other = rows.get((unit, outcome))
                    mine = None if other is None else other.join(numbers, on="row_id").sort("row_id")
                    asked.append((one, outcome, mine))
            ids = tuple(f"technique_{one.id}_{outcome}" for one in pair for outcome in outcomes)
            found.append(
                Learning(
                    id=f"learning_{question.id}_{word}",
                    label=label,
                    title=question.title,
                    unit=unit,
                    outcome=outcomes[0],
                    clinicians=clinicians_of(cases, adopted.filter(pl.col("word") == word), analysis),
                    answers=ids,
                    notes=(
                        f"Taken up: first used after {MIN_EARLIER} or more teeth done another way, then {MIN_USES} "
                        "times or more and for at least half of the teeth.",
                        RULE,
                    ),
                )
            )
    lacking = "" if found else f"a clinician who took up a technique after {MIN_EARLIER} teeth done another way"
    return Taken(tuple(asked), tuple(found), lacking)


def _questions(of: Question, word: str, label: str, unit: str, outcomes: tuple[str, ...]) -> tuple[Question, Question]:
    said = label[:1].lower() + label[1:]
    common = {"unit": unit, "outcomes": outcomes, "adjust": of.adjust, "needs": of.needs, "safety": of.safety}
    by_number = Question(
        id=f"learning_{of.id}_{word}",
        title=f"Learning curve of {said}, by case number",
        factor="case_number",
        why_adjust="Teeth chosen for a new technique may differ from later ones.",
        reference=CASES[-1].name,
        bands=CASES,
        dose_unit="cases",
        spline=True,
        caveats=BY_NUMBER,
        **common,  # type: ignore[arg-type]
    )
    by_phase = Question(
        id=f"adoption_{of.id}_{word}",
        title=f"Before and after taking up {said}",
        factor="phase",
        why_adjust="Results may have been getting better or worse over the years anyway.",
        reference="before",
        levels=same(("before", "The time before"), ("after", "The time since it was taken up")),
        caveats=BY_PHASE,
        **common,  # type: ignore[arg-type]
    )
    return by_number, by_phase


def _label(questions: Sequence[Question], of: Question, word: str) -> str:
    """The label of the group that is this word alone, in any question of the same factor; else the word itself."""
    named = [g.label for q in questions if q.factor == of.factor for g in q.levels if g.words == (word,)]
    return named[0] if named else word[:1].upper() + word[1:].replace("_", " ")
