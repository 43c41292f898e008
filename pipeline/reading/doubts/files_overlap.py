"""Two files of one time that agree only partly: a later export with corrections, or one by the day of posting.

Rows alike in both count once. Where some were corrected, deleted or dated otherwise since, both versions would stand.
Common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from pipeline.reading.doubts.doubt import Doubt, accept
from pipeline.reading.suggest.toml_quote import quoted

if TYPE_CHECKING:
    from pipeline.reading.doubts.seen import Seen

_LEAST_ROWS, _LEAST_DAYS, _DIFFER, _MOST_SHIFT = 60, 60, 5, 10
_SAME, _SHIFTED = 0.5, 0.6
_WORK = ["patient", "code", "tooth"]


def overlap_doubts(seen: Sequence[Seen], accepted: Sequence[str]) -> list[Doubt]:
    """A question for each pair of files of one ledger whose rows of the time that both hold are not the same."""
    found = []
    for n, one in enumerate(seen):
        for other in seen[n + 1 :]:
            found += _overlap(one, other, accepted)
    return found


def _overlap(one: Seen, other: Seen, accepted: Sequence[str]) -> list[Doubt]:
    if one.held is None or other.held is None or not one.years.keys() & other.years.keys():
        return []
    share = max(one.held.one_in, other.held.one_in)
    a, b = (
        s.held.frame.select(*_WORK, "day", "is_on_tooth").filter(pl.col("patient") % share == 0) for s in (one, other)
    )  # type: ignore[union-attr]
    if a.is_empty() or b.is_empty():
        return []
    start, end = max(r["day"].min() for r in (a, b)), min(r["day"].max() for r in (a, b))  # type: ignore[type-var]
    if not isinstance(start, dt.date) or not isinstance(end, dt.date) or (end - start).days < _LEAST_DAYS:
        return []
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
    # Two offices or two kinds of work have no rows in common, and a mere copy has all.
    if same + shifted < _SHIFTED * few:
        return []
    if same >= _SAME * few:
        if sum(x.height for x in lone) < _DIFFER:
            return []
        how = f"{same:,} stand in both"
        ask = "Was the work corrected or deleted since the first of the two was made? Then only the later one counts."
    else:
        how = f"{shifted:,} stand in both, but on days up to {_MOST_SHIFT} apart, and {same:,} on the same day"
        ask = (
            "Is one by the day of treatment and the other by the day of posting? Then each piece of work stands twice."
        )
    early, late = sorted((one, other), key=lambda s: (min(s.years), max(s.years), s.file))
    first, last, one_name, other_name = (Path(s.file).name for s in (early, late, one, other))
    return [
        Doubt(
            "files_overlap",
            "procedures",
            f"{one_name} and {other_name} both hold {start:%Y-%m-%d} to {end:%Y-%m-%d}; of their {a.height:,} and "
            f"{b.height:,} different rows of that time {how}.",
            f"{ask} Leave that time out of one file:",
            (
                (
                    "tables.procedures",
                    f"period_of_file.{quoted(first)} = {quoted(f'..{start - dt.timedelta(1)}')}",
                    f"that time counts from {last}",
                ),
                (
                    "tables.procedures",
                    f"period_of_file.{quoted(last)} = {quoted(f'{end + dt.timedelta(1)}..')}",
                    f"that time counts from {first}",
                ),
                accept("files_overlap", accepted, "no: rows of both are work of their own"),
            ),
        )
    ]
