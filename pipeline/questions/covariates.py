"""Covariates for adjustment: what is recorded, what is missing and what is too rare to stand alone."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.results.gap import Gap

UNKNOWN = "unknown"
# A level that holds fewer failures than this cannot carry a coefficient of its own.
MIN_FAILURES_A_LEVEL = 5
# A column of which less than this part of its square is left, beside the columns before it, repeats them.
REPEATED = 1e-9


@dataclass(frozen=True)
class Numeric:
    """A covariate that enters as a straight line per `unit`; missing values stand at the mean, with a mark."""

    name: str
    label: str
    unit: float


@dataclass(frozen=True)
class Levels:
    """A covariate with levels; the commonest is the reference."""

    name: str
    label: str


Covariate = Numeric | Levels


@dataclass(frozen=True)
class Design:
    """Columns of a model: `x` has one row per row of the frame and one column per name.

    `used` are labels of covariates that entered, `left_out` those that did not, with the reason; `missing` their gaps.
    """

    x: NDArray[np.float64]
    names: tuple[str, ...]
    used: tuple[str, ...]
    left_out: tuple[str, ...]
    missing: tuple[Gap, ...]
    of: tuple[str, ...] = ()  # the label of the covariate that each column belongs to


# What `count_covariates` gives: one row per covariate and level. The level null holds the rows without a value. All
# values of a number are one level, "", with their mean, lowest and highest. Such tables of parts can be merged.
COVARIATE_COUNTS: dict[str, pl.DataType] = {
    "covariate": pl.String(),
    "level": pl.String(),
    "rows": pl.Int64(),
    "failures": pl.Int64(),
    "mean": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
}


@dataclass(frozen=True)
class Line:
    """A number as a straight line per `unit` around `middle`, where missing values stand; `gap` asks for a mark."""

    name: str
    middle: float
    unit: float
    gap: bool

    @property
    def names(self) -> tuple[str, ...]:
        """The columns that it becomes."""
        return (self.name, f"{self.name}_{UNKNOWN}") if self.gap else (self.name,)

    def columns(self, values: pl.Series) -> list[NDArray[np.float64]]:
        """The columns of these values."""
        number = values.cast(pl.Float64)
        line = ((number.fill_null(self.middle) - self.middle) / self.unit).to_numpy()
        return [line, number.is_null().cast(pl.Float64).to_numpy()] if self.gap else [line]


@dataclass(frozen=True)
class Marks:
    """Levels that have a coefficient of their own, each with its members; the others are the reference."""

    name: str
    groups: tuple[tuple[str, tuple[str, ...]], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """The columns that it becomes."""
        return tuple(f"{self.name}_{name}" for name, _ in self.groups)

    def columns(self, values: pl.Series) -> list[NDArray[np.float64]]:
        """The columns of these values."""
        place = places(values, {word: i for i, (_, members) in enumerate(self.groups) for word in members}, other=-1)
        return [(place == i).astype(np.float64) for i in range(len(self.groups))]


@dataclass(frozen=True)
class DesignPlan:
    """What covariates become, once all rows are counted; the words are those of `Design`."""

    made: tuple[Line | Marks, ...]
    used: tuple[str, ...]
    left_out: tuple[str, ...]
    missing: tuple[Gap, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """The columns of the model, in order."""
        return tuple(name for one in self.made for name in one.names)

    @property
    def of(self) -> tuple[str, ...]:
        """The label of the covariate that each column belongs to."""
        return tuple(label for one, label in zip(self.made, self.used, strict=True) for _ in one.names)

    def columns(self, spells: pl.DataFrame) -> NDArray[np.float64]:
        """The columns of these rows, be they all or a part of those counted."""
        columns = [column for one in self.made for column in one.columns(spells[one.name])]
        # One column after the other in memory, as models read them.
        return np.stack(columns).T if columns else np.empty((spells.height, 0))


def design(spells: pl.DataFrame, covariates: Sequence[Covariate], *, event: str = "event") -> Design:
    """Turn covariates into columns, with rules that need no hand.

    - A missing value is never a reason to drop a row: it becomes the level `unknown` (numeric: the mean and a mark).
    - Levels with fewer than `MIN_FAILURES_A_LEVEL` failures are pooled; a pool as small joins the reference, which is
      the level with most rows, of several the one with most failures.
    - Names decide nothing: levels that tie in both are the reference together, or `pool_home` says where the pool goes.
    - A covariate that is the same in all rows, or never recorded, is left out and named.
    """
    plan = plan_design(count_covariates(spells, covariates, event=event), covariates)
    return Design(plan.columns(spells), plan.names, plan.used, plan.left_out, plan.missing, plan.of)


def independent(made: Design, before: NDArray[np.float64]) -> Design:
    """The design without columns that follow from those of `before`, a constant, and its own columns before them.

    Two fields of one form are often empty in the same rows: a model with both columns could not be fitted. A covariate
    without a column left is named among those left out.
    """
    if not made.names:
        return made
    keep = _tell_something_new(before, made.x)
    if keep.all():
        return made
    of = tuple(label for label, kept in zip(made.of, keep, strict=True) if kept)
    gone = tuple(f"{label} (it follows from the others)" for label in made.used if label not in of)
    names = tuple(name for name, kept in zip(made.names, keep, strict=True) if kept)
    used = tuple(label for label in made.used if label in of)
    return Design(np.asfortranarray(made.x[:, keep]), names, used, (*made.left_out, *gone), made.missing, of)


def _tell_something_new(before: NDArray[np.float64], x: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which columns of `x` do not follow from a constant, the columns `before` and those of `x` before them.

    From products of columns alone, as rows may be many: each column kept is taken out of all that follow.
    """
    first = np.column_stack([np.ones(len(before)), before])
    within = first.T @ x
    products = np.block([[first.T @ first, within], [within.T, x.T @ x]])
    size = np.diag(products).copy()
    keep = np.zeros(len(size), dtype=np.bool_)
    for i, whole in enumerate(size):
        if products[i, i] > REPEATED * whole:
            keep[i] = True
            products = products - np.outer(products[:, i], products[i]) / products[i, i]
    return keep[first.shape[1] :]


def numbered_words(rows: pl.DataFrame, columns: Iterable[str]) -> pl.DataFrame:
    """Texts of these columns as numbered words, in the order of the words."""
    wanted = [c for c in dict.fromkeys(columns) if c in rows.columns and rows[c].dtype == pl.String]
    kinds = {c: pl.Enum(rows[c].unique().drop_nulls().sort()) for c in wanted}
    return rows.with_columns(pl.col(c).cast(kind) for c, kind in kinds.items())


def count_covariates(spells: pl.DataFrame, covariates: Sequence[Covariate], *, event: str = "event") -> pl.DataFrame:
    """Count rows and failures by covariate and level: the columns of `COVARIATE_COUNTS`."""
    failed = spells[event].to_numpy().astype(np.bool_)
    counted: list[tuple[object, ...]] = []
    for c in covariates:
        if isinstance(c, Numeric):
            counted += [(c.name, *line) for line in _count_numbers(spells[c.name], failed)]
        else:
            counted += [(c.name, *line, None, None, None) for line in _count_words(spells[c.name], failed)]
    return pl.DataFrame(counted, schema=COVARIATE_COUNTS, orient="row")


def merge_covariates(tables: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """Add up what `count_covariates` says of parts of the rows; in any order, but for the last bits of the means."""
    rows = pl.concat([pl.DataFrame(schema=COVARIATE_COUNTS), *tables])
    share = pl.col("rows") / pl.col("rows").sum()
    return rows.group_by("covariate", "level").agg(
        pl.col("rows", "failures").sum(),
        pl.when(pl.col("mean").is_null().any()).then(None).otherwise((pl.col("mean") * share).sum()).alias("mean"),
        pl.col("low").min(),
        pl.col("high").max(),
    )


def plan_design(counts: pl.DataFrame, covariates: Sequence[Covariate]) -> DesignPlan:
    """What covariates become, by the rules of `design`, from the counts of all rows."""
    made: list[Line | Marks] = []
    used: list[str] = []
    left_out: list[str] = []
    missing: list[Gap] = []
    by_covariate: dict[str, list[dict[str, Any]]] = {c.name: [] for c in covariates}
    for line in counts.iter_rows(named=True):
        by_covariate[line["covariate"]].append(line)
    for covariate in covariates:
        mine = by_covariate[covariate.name]
        n, gaps = sum(line["rows"] for line in mine), sum(line["rows"] for line in mine if line["level"] is None)
        if gaps == n:
            left_out.append(f"{covariate.label} (not recorded)")
            continue
        one = _plan_line(mine, covariate) if isinstance(covariate, Numeric) else _plan_marks(mine, covariate)
        if one is None:
            left_out.append(f"{covariate.label} (the same in all, or too rare)")
            continue
        used.append(covariate.label)
        if gaps:
            missing.append(Gap(covariate.label, gaps, n))
        made.append(one)
    return DesignPlan(tuple(made), tuple(used), tuple(left_out), tuple(missing))


def strata(
    spells: pl.DataFrame, column: str, *, min_failures: int, event: str = "event"
) -> tuple[NDArray[np.int64], int]:
    """Stratum codes by one column, and how many strata; levels with fewer failures than asked share one stratum."""
    counts = count_levels(spells[column], spells[event].cast(pl.Int64))
    kept, n_strata = plan_strata(counts, min_failures=min_failures)
    return stratum_codes(spells[column], kept), n_strata


def plan_strata(counts: pl.DataFrame, *, min_failures: int) -> tuple[list[str], int]:
    """The levels (`level, failures`) that are a stratum by themselves, and how many strata there are."""
    by_level = _together(counts.select("level", "failures").rows())
    kept = sorted(level for level, (failures,) in by_level.items() if failures >= min_failures)
    return kept, len(kept) + (len(by_level) > len(kept))


def stratum_codes(values: pl.Series, kept: Sequence[str]) -> NDArray[np.int64]:
    """Stratum of each row: the place of its level in `kept`, and one more for all other levels."""
    return places(values, {name: i for i, name in enumerate(kept)}, other=len(kept))


def places(values: pl.Series, place: Mapping[str, int], *, other: int) -> NDArray[np.int64]:
    """The number that `place` gives each value's word, `other` for words it lacks; no value is the word `unknown`."""
    told = _numbered(values)
    if told is not None:
        table = np.array([place.get(word or UNKNOWN, other) for word in (*told[0], UNKNOWN)], dtype=np.int64)
        return np.asarray(table[told[1]])
    level = values.cast(pl.String).fill_null(UNKNOWN)
    if not place:
        return np.full(len(values), other, dtype=np.int64)
    return level.replace_strict(place, default=other, return_dtype=pl.Int64).to_numpy()


def count_levels(values: pl.Series, failed: pl.Series) -> pl.DataFrame:
    """Rows and failures by level, one row each: `level, rows, failures`; null is a level of its own."""
    schema = {name: COVARIATE_COUNTS[name] for name in ("level", "rows", "failures")}
    return pl.DataFrame(_count_words(values, failed.to_numpy().astype(np.bool_)), schema=schema, orient="row")


def _numbered(values: pl.Series) -> tuple[list[str], NDArray[np.int64]] | None:
    """The words of a flag or of numbered words and each row's number, the last being no value; None for plain texts."""
    if values.dtype == pl.Boolean:
        words = ["false", "true"]
    elif isinstance(values.dtype, pl.Enum):
        words = values.dtype.categories.to_list()
    else:
        return None
    # Few calls on the series: models ask some thousand times, and each call plans a query.
    told = (values.to_physical() if isinstance(values.dtype, pl.Enum) else values.cast(pl.UInt8)).to_numpy()
    if values.null_count():  # numbers with a fraction then, not a number where there is no value
        told = np.where(np.isnan(told), len(words), told)
    return words, told.astype(np.int64)


def _count_words(values: pl.Series, failed: NDArray[np.bool_]) -> list[tuple[str | None, int, int]]:
    told = _numbered(values)
    if told is not None:
        words, numbers = told
        rows = np.bincount(numbers, minlength=len(words) + 1).tolist()
        failures = np.bincount(numbers[failed], minlength=len(words) + 1).tolist()
        return [line for line in zip((*words, None), rows, failures, strict=True) if line[1]]
    counted = pl.DataFrame({"level": values.cast(pl.String), "failed": failed}).group_by("level")
    return counted.agg(pl.len(), pl.col("failed").sum()).rows()


def _count_numbers(
    values: pl.Series, failed: NDArray[np.bool_]
) -> list[tuple[str | None, int, int, float | None, float | None, float | None]]:
    number = values.cast(pl.Float64)
    gap = number.is_null().to_numpy()
    gaps, in_gaps = int(np.count_nonzero(gap)), int(np.count_nonzero(failed & gap))
    known, failures = len(number) - gaps, int(np.count_nonzero(failed)) - in_gaps
    mean, low, high = (cast(float | None, v) for v in (number.mean(), number.min(), number.max()))
    out = [("", known, failures, mean, low, high), (None, gaps, in_gaps, None, None, None)]
    return [line for line in out if line[1]]


def _plan_line(counts: Sequence[Mapping[str, Any]], covariate: Numeric) -> Line | None:
    values = next(line for line in counts if line["level"] is not None)
    if values["low"] == values["high"]:
        return None
    in_gaps = sum(line["failures"] for line in counts if line["level"] is None)
    return Line(covariate.name, values["mean"], covariate.unit, in_gaps >= MIN_FAILURES_A_LEVEL)


def pool_home(counts: Mapping[str, tuple[int, ...]]) -> list[str]:
    """The levels with which one that is too rare to stand alone is taken together; none of no levels.

    The one with the largest counts, compared in their order. If another has the same, no count tells which to take:
    then the largest of those whose counts no other has, and where there is none, all the largest together.
    """
    if not counts:
        return []
    largest = max(counts.values())
    tied = sorted(level for level, own in counts.items() if own == largest)
    alone = {own: level for level, own in counts.items() if list(counts.values()).count(own) == 1}
    return tied if len(tied) == 1 or not alone else [alone[max(alone)]]


def _plan_marks(counts: Sequence[Mapping[str, Any]], covariate: Levels) -> Marks | None:
    summed = _together((line["level"], line["rows"], line["failures"]) for line in counts)
    by_level: dict[str, tuple[int, ...]] = {level: tuple(own) for level, own in summed.items()}
    largest = max(by_level.values())
    tied = sorted(level for level, own in by_level.items() if own == largest)
    # Any of them may be the reference as long as the others have a coefficient of their own.
    reference = tied if largest[1] < MIN_FAILURES_A_LEVEL else tied[:1]
    rest = {level: own[1] for level, own in by_level.items() if level not in reference}
    own = {level: [level] for level in sorted(rest) if rest[level] >= MIN_FAILURES_A_LEVEL}
    pooled = sorted(level for level in rest if level not in own)
    if sum(rest[level] for level in pooled) >= MIN_FAILURES_A_LEVEL:
        own["rare"] = pooled
    elif pooled and len(tied) > len(reference):
        home = pool_home({level: by_level[level] for level in (*reference, *own)})
        if len(home) == 1:
            own[home[0]] += pooled
        else:
            own = {level: members for level, members in own.items() if level not in home}
    groups = tuple((level, tuple(members)) for level, members in own.items())
    return Marks(covariate.name, groups) if groups else None


def _together(lines: Iterable[tuple[Any, ...]]) -> dict[str, list[int]]:
    """Counts by level, no value counting as the word `unknown`."""
    out: dict[str, list[int]] = {}
    for level, *counts in lines:
        name = UNKNOWN if level is None else level
        out[name] = [a + b for a, b in zip(out.get(name, [0] * len(counts)), counts, strict=True)]
    return out
