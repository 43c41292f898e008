"""Learning curves: who took up a technique and when, results by case number since then, and before and after it.

Both are ordinary technique questions on rows of the clinicians who took the technique up, within clinicians and
adjusted for calendar time among the rest, and count in the one family of looks. One clinician's stretches are
described, never compared.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.techniques.engine import Asked
from pipeline.questions.techniques.grouping import MIN_FAILURES, MIN_PATIENTS
from pipeline.questions.techniques.question import CROWN_FAILURE, ENDO_FAILURE, HEALED, Band, Question, same
from pipeline.questions.techniques.rows import words_of
from pipeline.results import DAYS_PER_YEAR
from pipeline.results.technique import Learning, LearningClinician, LearningSpan
from pipeline.stats.rates import failure_rate

MIN_EARLIER = 20
MIN_USES = 20
# Words that are no technique taken up.
NOT_TAKEN_UP = ("none", "false", "other", "unknown", "not recorded")


def adoptions(rows: pl.DataFrame, column: str) -> pl.DataFrame:
    """Techniques that a clinician took up while the records ran: `provider_id, word, adopted, uses`.

    Taken up on the day of a word's first use, if at least `MIN_EARLIER` teeth with another word were begun before, and
    it is then used at least `MIN_USES` times and for half or more of the teeth with a word.
    """
    known = rows.select("provider_id", "start", word=words_of(rows[column])).drop_nulls()
    used = known.group_by("provider_id", "word").agg(adopted=pl.col("start").min(), uses=pl.len())
    counted = (
        used.join(known.select("provider_id", day="start"), on="provider_id")
        .group_by("provider_id", "word", "adopted", "uses")
        .agg(earlier=(pl.col("day") < pl.col("adopted")).sum(), since=(pl.col("day") >= pl.col("adopted")).sum())
    )
    return (
        counted.filter(
            ~pl.col("word").is_in(NOT_TAKEN_UP),
            pl.col("earlier") >= MIN_EARLIER,
            pl.col("uses") >= MIN_USES,
            2 * pl.col("uses") >= pl.col("since"),
        )
        .select("provider_id", "word", "adopted", "uses")
        .sort("word", "provider_id")
    )


def numbered_cases(rows: pl.DataFrame, column: str, word: str, adopted: pl.DataFrame) -> pl.DataFrame:
    """Rows of the clinicians who took `word` up, with `phase` and `case_number`.

    `phase` is `before` or `after` the clinician's first use, whatever was used on the tooth. `case_number` counts the
    clinician's teeth with `word` from 1, by day, then by `row_id`; null for other teeth.
    """
    mine = adopted.filter(pl.col("word") == word).select("provider_id", "adopted")
    joined = rows.join(mine, on="provider_id", how="inner")
    cases = (
        joined.filter(words_of(joined[column]) == word)
        .sort("start", "row_id")
        .select("row_id", case_number=pl.int_range(1, pl.len() + 1).over("provider_id"))
    )
    phase = pl.when(pl.col("start") < pl.col("adopted")).then(pl.lit("before")).otherwise(pl.lit("after"))
    return joined.join(cases, on="row_id", how="left").with_columns(phase=phase).sort("row_id")


EDGES = (20, 50, 100, 200)  # last case of each stretch; the last one goes on
RULE = (
    f"A stretch of fewer than {MIN_PATIENTS} patients, or in whose time fewer than {MIN_FAILURES} failures would be "
    "expected at the clinician’s usual rate, is counted together with the next one. Expected, not seen: to wait for "
    "failures would show the first cases only where they went badly."
)


@dataclass(frozen=True)
class _Part:
    """Rows of one stretch; the case numbers are those of `LearningSpan`."""

    first: int | None
    last: int | None
    rows: pl.DataFrame


def clinicians_of(cases: pl.DataFrame, adopted: pl.DataFrame, analysis: Analysis) -> tuple[LearningClinician, ...]:
    """Every clinician of `adopted` (`provider_id, adopted, uses`) with the stretches of `cases`.

    Too small ones count with the next by `RULE`, the last with the one before, never across the first use.
    """
    return tuple(
        LearningClinician(
            who, day.year, uses, _spans(cases.filter(pl.col("provider_id") == who, pl.col("exit_days") > 0), analysis)
        )
        for who, day, uses in adopted.sort("provider_id").select("provider_id", "adopted", "uses").iter_rows()
    )


def _spans(mine: pl.DataFrame, analysis: Analysis) -> tuple[LearningSpan, ...]:
    years = _years(mine)
    usual = float(mine["event"].sum()) / years if years else 0.0
    edges = zip((1, *(edge + 1 for edge in EDGES)), (*EDGES, None), strict=True)
    stretches = [
        _Part(first, last, mine.filter(pl.col("case_number").is_between(first, last or mine.height)))
        for first, last in edges
    ]
    before = _Part(None, None, mine.filter(pl.col("phase") == "before"))
    kept = [*([before] if _large(before.rows, usual) else []), *_together(stretches, usual)]
    return tuple(_span(part, analysis) for part in kept)


def _together(parts: list[_Part], usual: float) -> list[_Part]:
    out: list[_Part] = []
    small: _Part | None = None
    for part in parts:
        grown = part if small is None else _Part(small.first, part.last, pl.concat([small.rows, part.rows]))
        small = None if _large(grown.rows, usual) else grown
        if small is None:
            out.append(grown)
    if small is not None and small.rows.height and out:
        last = out.pop()
        out.append(_Part(last.first, small.last, pl.concat([last.rows, small.rows])))
    elif small is not None and out:
        out[-1] = _Part(out[-1].first, small.last, out[-1].rows)
    return out


def _large(rows: pl.DataFrame, usual: float) -> bool:
    return rows["patient_id"].n_unique() >= MIN_PATIENTS and usual * _years(rows) >= MIN_FAILURES


def _years(rows: pl.DataFrame) -> float:
    return float((rows["exit_days"] - rows["entry_days"].clip(0)).sum()) / DAYS_PER_YEAR


def _span(part: _Part, analysis: Analysis) -> LearningSpan:
    rows = part.rows
    rate = failure_rate(rows["exit_days"], rows["event"], entry_days=rows["entry_days"], confidence=analysis.confidence)
    counts = (rows.height, rows["patient_id"].n_unique(), int(rows["event"].sum()))
    return LearningSpan(part.first, part.last, *counts, rate.tooth_years, rate.per_100, rate.low, rate.high)


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
