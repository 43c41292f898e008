"""How misread notes would move a technique comparison: the matrix method with the errors that the check found."""

from collections.abc import Iterable, Sequence

import polars as pl

from pipeline.questions.techniques.grouping import named
from pipeline.questions.techniques.question import HEALED, Question
from pipeline.results.notes import MisreadContrast
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast
from pipeline.stats.misclassification import Beta, Table, probabilistic

LEAST_CHECKED = 5  # values of either group held against the chart, below which nothing is said of their errors
DRAWS = 2000


def misread_contrasts(
    answers: Iterable[TechniqueAnswer],
    questions: Sequence[Question],
    values: pl.DataFrame,
    checks: pl.DataFrame,
    *,
    seed: int,
    confidence: float,
) -> tuple[MisreadContrast, ...]:
    """Each comparison of two groups of which notes tell the field, as it would be without the misreading.

    Sensitivity is the share of what is truly the one group that was read as it, specificity that of the other, among
    checked values of the two; both are drawn from what so many checks teach. Errors are taken to be alike for teeth
    that failed and others. The odds ratio is crude. Healing is left out: its groups are of those recalled.
    """
    told = set(values.filter(pl.col("outcome") == "used")["field"])
    pairs = _pairs(checks)
    by_id = {q.id: q for q in questions}
    found = []
    for a in answers:
        question = by_id.get(a.question)
        field = question.needs[0].partition(".")[2] if question and question.needs else ""
        if question is None or field not in told or a.outcome == HEALED:
            continue
        groups = {g.name: g for g in a.groups}
        for c in a.contrasts:
            if c.group in groups and c.reference in groups:
                one = _moved(a, c, question, field, pairs, seed=seed, confidence=confidence)
                found += [one] if one is not None else []
    return tuple(found)


def _pairs(checks: pl.DataFrame) -> list[tuple[str, str, str]]:
    """Field, value read and value of the chart, of every check that tells both."""
    so = pl.coalesce("chart_value", pl.when(pl.col("agreed") == "yes").then("value"))
    rows = checks.select("field", "value", so=so).drop_nulls()
    return [(str(f), str(v), str(s)) for f, v, s in rows.iter_rows()]


def _moved(
    a: TechniqueAnswer,
    c: TechniqueContrast,
    question: Question,
    field: str,
    pairs: Sequence[tuple[str, str, str]],
    *,
    seed: int,
    confidence: float,
) -> MisreadContrast | None:
    both = {c.group, c.reference}
    reads, charts = (_groups(question, [pair[side] for pair in pairs if pair[0] == field]) for side in (1, 2))
    known = list(zip(reads, charts, strict=True))
    of_one = [read for read, so in known if so == c.group and read in both]
    of_other = [read for read, so in known if so == c.reference and read in both]
    if min(len(of_one), len(of_other)) < LEAST_CHECKED:
        return None
    right, right_other = of_one.count(c.group), of_other.count(c.reference)
    one, other = (next(g for g in a.groups if g.name == name) for name in (c.group, c.reference))
    cells = (one.failures, other.failures, one.teeth - one.failures, other.teeth - other.failures)
    if min(cells) <= 0:
        return None
    seen = Table(*cells)
    counted = cells[0] * cells[3] / (cells[1] * cells[2])
    try:
        corrected = probabilistic(
            seen,
            sensitivity=Beta(right + 0.5, len(of_one) - right + 0.5),
            specificity=Beta(right_other + 0.5, len(of_other) - right_other + 0.5),
            draws=DRAWS,
            seed=seed,
            confidence=confidence,
        ).total
    except ValueError:  # no draw of the errors fits what was counted
        corrected = None
    return MisreadContrast(
        title=a.title,
        outcome=a.outcome,
        group=one.label,
        reference=other.label,
        field=field,
        counted=counted,
        moved=corrected.median if corrected else None,
        moved_low=corrected.low if corrected else None,
        moved_high=corrected.high if corrected else None,
        sensitivity=right / len(of_one),
        specificity=right_other / len(of_other),
    )


def _groups(question: Question, values: Sequence[str]) -> list[str | None]:
    """The group of each value, as the question has it; None where it has none for it."""
    told = pl.Series(question.factor, values, dtype=pl.String)
    if question.bands:
        told = told.cast(pl.Float64, strict=False)
    return named(told.to_frame(), question)[0]["state"].to_list()
