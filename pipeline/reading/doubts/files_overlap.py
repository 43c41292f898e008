"""Two files of one time that agree only partly: a later export with corrections, or one by the day of posting.

Rows alike in both count once. Where some were corrected, deleted or dated otherwise since, both versions would stand.
Common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.reading.doubts.cells import OF
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.suggest.toml_quote import quoted

_LEAST_ROWS, _LEAST_DAYS, _DIFFER, _MOST_SHIFT = 60, 60, 5, 10
_SAME, _SHIFTED, _ALIKE = 0.5, 0.6, 1.5
_WORK = ["patient", "code", "tooth"]


def overlap_doubts(seen: Sequence[Seen]) -> list[Doubt]:
    """A question for each pair of files of one ledger whose rows of the time that both hold are not the same."""
    # Where entries have numbers, a later row of the same number counts in place of an earlier one.
    held = [(Path(s.file).name, s.held) for s in seen if s.held is not None and "procedure_id" not in s.answers.columns]
    share = max((rows.one_in for _, rows in held), default=1)
    files = []
    for name, rows in held:
        frame = rows.frame.select(*_WORK, "day").filter(pl.col("patient") % share == 0)
        if frame.height >= _LEAST_ROWS:
            files.append(
                _File(
                    name,
                    frame,
                    set(frame["patient"]),
                    *frame.select(a=pl.col("day").min(), b=pl.col("day").max()).row(0),
                )
            )
    files.sort(key=lambda file: (file.first, file.last, file.name))
    pairs = [(a, b) for n, a in enumerate(files) for b in files[n + 1 :] if not a.patients.isdisjoint(b.patients)]
    return [doubt for a, b in pairs for doubt in _overlap(a, b)] + _deleted_since(seen)


def _deleted_since(seen: Sequence[Seen]) -> list[Doubt]:
    """A question for each pair of files whose entries have numbers, where some of the first are not in the second that
    holds most of that time: nothing later takes their place."""
    files = []
    for one in seen:
        keys = OF + (one.answers.columns.get("procedure_id") or "")
        if one.held is None or keys not in one.held.frame.columns:
            continue
        # As `add_keys` writes them, where those that do not stand are among them.
        text = {"procedure_id": pl.col(keys)} | (
            {"site_id": pl.col("site")} if "site_id" in one.answers.columns else {}
        )
        frame = one.held.frame.select("day", **{f: e.str.strip_chars().str.to_lowercase() for f, e in text.items()})
        ids = frame.drop("day").hash_rows(seed=0)
        rows = frame.select("day", id=ids).filter(frame["procedure_id"] != "")
        every = [piece["id"] for piece in one.row_ids.pieces]
        if rows.height >= _LEAST_ROWS and every:
            files.append((Path(one.file).name, rows, pl.concat(every), one.row_ids.one_in))
    files.sort(key=lambda f: (f[1]["day"].min(), f[1]["day"].max(), f[0]))
    return [doubt for n, a in enumerate(files) for b in files[n + 1 :] for doubt in _deleted(a, b)]


def _deleted(one: _Keyed, other: _Keyed) -> list[Doubt]:
    (first, a, _, _), (last, b, there, one_in) = one, other
    start, end = b["day"].min(), min(a["day"].max(), b["day"].max())  # type: ignore[type-var]
    if not (isinstance(start, dt.date) and isinstance(end, dt.date)) or (end - start).days < _LEAST_DAYS:
        return []
    of = a.filter(pl.col("day").is_between(start, end), pl.col("id") % one_in == 0)
    gone = of.filter(~pl.col("id").is_in(there.implode())).height
    if gone < _DIFFER or of.height - gone < max(_LEAST_ROWS, _SHIFTED * of.height):
        return []
    return ask(
        "files_overlap.deleted",
        "procedures",
        f"{first} and {last} both hold {start:%Y-%m-%d} to {end:%Y-%m-%d}; of {of.height:,} entries of that time in "
        f"{first} {gone:,} have a number that is not in {last}.",
        of_ledger(
            f"period_of_file.{quoted(first)} = {quoted(f'..{start - dt.timedelta(1)}')}",
            f"that time counts from {last}",
        ),
    )


# The name of a file, `day, id` of its rows that stand, the ids of all its rows, and of how many they are one.
_Keyed = tuple[str, pl.DataFrame, pl.Series, int]


@dataclass(frozen=True)
class _File:
    name: str
    rows: pl.DataFrame
    patients: set[int]
    first: dt.date
    last: dt.date


def _overlap(one: _File, other: _File) -> list[Doubt]:
    start, end = max(one.first, other.first), min(one.last, other.last)
    if (end - start).days < _LEAST_DAYS:
        return []
    a, b = one.rows, other.rows
    a, b = (r.filter(pl.col("day").is_between(start, end)).unique() for r in (a, b))
    if min(a.height, b.height) < _LEAST_ROWS:
        return []
    on = [*_WORK, "day"]
    same = a.join(b, on=on, how="semi", nulls_equal=True).height
    lone = [x.join(y, on=on, how="anti", nulls_equal=True) for x, y in ((a, b), (b, a))]
    near = lone[0].join(lone[1], on=_WORK, suffix="_2", nulls_equal=True)
    near = near.filter((pl.col("day") - pl.col("day_2")).dt.total_days().abs() <= _MOST_SHIFT)
    shifted = near.select(*on).unique().height
    few = min(a.height, b.height)
    # Two offices or two kinds of work have no rows in common, and an export of some procedures has part of the other's.
    if same + shifted < _SHIFTED * few or max(a.height, b.height) > _ALIKE * few:
        return []
    if same >= _SAME * few:
        if sum(x.height for x in lone) < _DIFFER:
            return []
        way, how = "files_overlap", f"{same:,} stand in both"
    else:
        way = "files_overlap.shifted"
        how = f"{shifted:,} stand in both, but on days up to {_MOST_SHIFT} apart, and {same:,} on the same day"
    first, last = one.name, other.name
    return ask(
        way,
        "procedures",
        f"{first} and {last} both hold {start:%Y-%m-%d} to {end:%Y-%m-%d}; of their {a.height:,} and "
        f"{b.height:,} different rows of that time {how}.",
        of_ledger(
            f"period_of_file.{quoted(first)} = {quoted(f'..{start - dt.timedelta(1)}')}",
            f"that time counts from {last}",
        ),
        of_ledger(
            f"period_of_file.{quoted(last)} = {quoted(f'{end + dt.timedelta(1)}..')}", f"that time counts from {first}"
        ),
    )
