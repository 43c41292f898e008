"""Which of several columns of people says who treated, where one holds the owner, in whose name all is billed."""

from collections.abc import Collection

import polars as pl

from pipeline.practice.codes import BUILT_IN, built_in, normalise_code
from pipeline.reading.suggest.code_words import likely_events
from pipeline.reading.suggest.profile import Column, FileProfile, tells

_MOST_PEOPLE, _LEAST_ROWS = 30, 10
_ALL, _FEW, _FOLLOWS, _HALF = 0.9, 0.7, 0.98, 0.5
_MOST_KEPT, _MORE = 12, 0.1  # texts that patients may keep; share above chance that goes through a visit
_SHORT = r"^[\p{L}\p{M}\d.]{1,10}(?: [\p{L}\p{M}.]{1,12})?$"
_CLEANINGS = frozenset({"recall_hygiene", "perio"})


def cleaner_column(file: FileProfile, code: Column | None, leave: Collection[int]) -> Column | None:
    """A column of a few short texts of which one stands on nearly all cleanings and on few other rows; `code` is the
    column of codes or words of work, `leave` the places of columns that are other things."""
    if code is None:
        return None
    is_cleaning = _cleanings(code)
    if int(is_cleaning.sum()) < _LEAST_ROWS or int((~is_cleaning).sum()) < _LEAST_ROWS:
        return None
    left = [c for c in file.columns if c.place not in leave and c is not code and tells(code, c) < _FOLLOWS]
    return next((c for c in left if _has_cleaner(c, is_cleaning)), None)


def visit_columns(
    file: FileProfile, patient: Column, day: Column, code: Column, leave: Collection[int]
) -> list[Column]:
    """Columns of a few short texts, one of which goes through most visits, but for names that patients keep."""
    left = [c for c in file.columns if c.place not in leave and 2 <= c.distinct <= _MOST_PEOPLE and c.filled >= _HALF]
    found = []
    for column in (c for c in left if c.matches(_SHORT) >= _ALL):
        if column.distinct > _MOST_KEPT and tells(patient, column) >= _FOLLOWS:
            continue
        rows = pl.DataFrame({"patient": patient.texts, "day": day.texts, "code": code.texts, "who": column.texts})
        of = pl.col("who").unique_counts().max() / pl.len()
        rows = rows.drop_nulls().filter(of.over("code") < _FOLLOWS)
        visits = rows.group_by("patient", "day").agg(n=pl.len(), most=pl.col("who").unique_counts().max())
        visits = visits.filter(pl.col("n") > 1)
        if visits.height < _LEAST_ROWS:
            continue
        alike = int(visits["most"].sum()) / int(visits["n"].sum())
        chance = int(rows["who"].unique_counts().max() or 0) / rows.height  # type: ignore[arg-type]
        if alike >= max(_ALL, chance + _MORE):
            found.append(column)
    return found


def _has_cleaner(column: Column, is_cleaning: pl.Series) -> bool:
    if not 2 <= column.distinct <= _MOST_PEOPLE or column.filled < _ALL or column.number_share >= _FEW:
        return False
    cleaned = column.texts.filter(is_cleaning).drop_nulls()
    if not cleaned.len():
        return False
    who, most = cleaned.value_counts(sort=True).row(0)
    others = column.texts.filter(~is_cleaning)
    return most >= _ALL * cleaned.len() and int((others == who).sum()) <= (1 - _ALL) * others.len()


def _cleanings(code: Column) -> pl.Series:
    """Which rows are of cleanings, by the built-in list that knows most codes, else by words."""
    system = max(BUILT_IN, key=lambda s: code.codes[s])
    if code.codes[system] >= _FEW:
        known = built_in(system).filter(pl.col("event").is_in(_CLEANINGS))["code"]
        found = code.texts.to_frame("code").select(normalise_code(pl.col("code"), system=system)).to_series()
        return found.is_in(known.implode()).fill_null(False)
    own = [text for text in code.counts["text"] if _CLEANINGS & set(likely_events(text))]
    return code.texts.is_in(own).fill_null(False)
