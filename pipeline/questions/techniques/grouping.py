"""Which rows make up the groups of a question, and what happens to groups too small to be shown."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.questions.techniques.question import Band, Question
from pipeline.questions.techniques.rows import in_order, words_of
from pipeline.results import SmallGroup

MIN_PATIENTS = 10
MIN_FAILURES = 5
OTHER, OTHER_LABEL = "other_pooled", "Others together"


@dataclass(frozen=True)
class Grouped:
    """Rows with their group in `state`; `labels` in order of the question, `reference` one of them."""

    rows: pl.DataFrame
    labels: dict[str, str]
    reference: str
    notes: tuple[str, ...]


def grouped(rows: pl.DataFrame, question: Question, *, judged: bool = False) -> Grouped | None:
    """Put each row into its group; None where fewer than two groups are large enough.

    Rows without a value are left out and counted. A group with fewer than `MIN_PATIENTS` patients or `MIN_FAILURES`
    failures (of `judged` rows, as many healed and as many not) is never shown: words are pooled into `other_pooled`,
    bands of a dose and a pool as small left out. For a reference too small the largest group stands, which is said.
    """
    told, labels = named(rows, question)
    known = told.filter(pl.col("state").is_not_null())
    notes = []
    if gaps := rows.height - known.height:
        of = f"{gaps:,} of {rows.height:,} rows"
        notes.append(f"{of} have no value that the question asks about and are not compared.")
    large = _large(known, list(labels), judged=judged)
    small = [name for name in labels if name not in large]
    lost = known.filter(pl.col("state").is_in(small))
    limits = too_small(judged=judged)
    shown = {name: label for name, label in labels.items() if name in large}
    if lost.height and not question.bands:
        pool = lost.with_columns(state=pl.lit(OTHER))
        if _large(pool, [OTHER], judged=judged):
            pooled = pl.when(pl.col("state").is_in(small)).then(pl.lit(OTHER)).otherwise("state")
            known = known.with_columns(state=pooled)
            shown[OTHER] = pooled_as(question, shown)
            notes.append(f"Groups with {limits} are counted together.")
            lost = lost.clear()
    if lost.height:
        notes.append(f"{lost.height} rows are in groups with {limits}: not shown.")
    if len(shown) < 2:
        return None
    known = in_order(known.filter(pl.col("state").is_in(list(shown))))
    reference = question.reference
    if reference not in shown:
        reference = _commonest(known)
        if question.reference:
            notes.append(f"The usual reference is too small: compared with {shown[reference].lower()}.")
    return Grouped(known, shown, reference, tuple(notes))


def pooled_as(question: Question, shown: Collection[str]) -> str:
    """What small groups are called together: the question's name for them where its reference is among those shown."""
    return question.pool_label if question.pool_label and question.reference in shown else OTHER_LABEL


def too_small(*, judged: bool = False) -> str:
    """The rule for small groups in words."""
    few = f"{MIN_FAILURES} healed or not healed" if judged else f"{MIN_FAILURES} failures"
    return f"fewer than {MIN_PATIENTS} patients or {few}"


def counted_as(groups: Grouped, rows: pl.DataFrame, question: Question) -> dict[str, int]:
    """How many of other rows fall into each group shown; what was pooled there is pooled here."""
    told, _ = named(rows, question)
    other = pl.lit(OTHER if OTHER in groups.labels else None, pl.String)
    state = pl.when(pl.col("state").is_in(list(groups.labels))).then("state").otherwise(other)
    known = told.filter(pl.col("state").is_not_null()).with_columns(state=state)
    return {str(k): int(n) for k, n in known.filter(pl.col("state").is_not_null()).group_by("state").len().iter_rows()}


def sizes(rows: pl.DataFrame, question: Question) -> tuple[SmallGroup, ...]:
    """How many teeth each group of a question has, and how many of them failed; groups without a tooth are told too."""
    told, labels = named(rows, question)
    counted = told.group_by("state").agg(pl.len(), pl.col("event").cast(pl.Int64).sum())
    found = {state: (int(teeth), int(failures)) for state, teeth, failures in counted.iter_rows()}
    return tuple(SmallGroup(name, *found.get(name, (0, 0)), label) for name, label in labels.items())


def named(rows: pl.DataFrame, question: Question) -> tuple[pl.DataFrame, dict[str, str]]:
    """Rows with the name of their group in `state`, null where the question has none; and the labels by name."""
    if question.bands:
        dose = pl.col(question.factor)
        banded = pl.coalesce([pl.when(_within(dose, b)).then(pl.lit(b.name)) for b in question.bands])
        return rows.with_columns(state=banded), {b.name: b.label for b in question.bands}
    if question.levels:
        code = {w: level.name for level in question.levels for w in level.words}
        state = words_of(rows[question.factor], code)
        return rows.with_columns(state=state), {level.name: level.label for level in question.levels}
    state = words_of(rows[question.factor])
    words = sorted(word for word in state.unique() if word)
    state = state.set(state == "", None)
    return rows.with_columns(state=state), {w: w[:1].upper() + w[1:].replace("_", " ") for w in words}


def _within(dose: pl.Expr, band: Band) -> pl.Expr:
    inside = dose.is_not_null()
    if band.above is not None:
        inside &= dose >= band.above if band.at_least else dose > band.above
    if band.to is not None:
        inside &= dose < band.to if band.below else dose <= band.to
    return inside


def _large(rows: pl.DataFrame, names: Sequence[str], *, judged: bool) -> list[str]:
    failures = pl.col("event").cast(pl.Int64).sum()
    counted = rows.group_by("state").agg(
        patients=pl.col("patient_id").n_unique(),
        few=pl.min_horizontal(failures, pl.len() - failures) if judged else failures,
    )
    enough = counted.filter(pl.col("patients") >= MIN_PATIENTS, pl.col("few") >= MIN_FAILURES)["state"].to_list()
    return [name for name in names if name in set(enough)]


def _commonest(rows: pl.DataFrame) -> str:
    counted = rows.group_by("state").len().sort(["len", "state"], descending=[True, False])
    return str(counted["state"][0])
