"""Days of one file that fall on other weekdays than those of the others: its program counts days otherwise.

A spreadsheet of old counts from 1904, an export in the time of Greenwich puts midnights on the day before. Common
practice, no source.
"""

from collections.abc import Sequence
from pathlib import Path

import polars as pl

from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.suggest.toml_quote import quoted

_LEAST, _HARDLY, _WORKED, _SUMMER = 60, 0.01, 0.08, (4, 9)
_NAMES = ("Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays")


def weekday_doubts(seen: Sequence[Seen]) -> list[Doubt]:
    """A question for each file with work on a weekday on which the others have hardly any, and hardly any on one on
    which they work, all year or in summer, that fits the others once it is moved by a day."""
    files = [(one.file, one.held.frame.select("patient", "day").unique()) for one in seen if one.held is not None]
    found: list[Doubt] = []
    for file, days in files if len(files) > 1 else []:
        others = pl.concat([of for name, of in files if name != file] or [days.clear()])
        for months, when in (((1, 12), ""), (_SUMMER, " from April to September")):
            own, rest = (_shares(of.filter(pl.col("day").dt.month().is_between(*months))) for of in (days, others))
            if not _is_moved(own, rest):
                continue
            more = [_NAMES[d] for d in range(7) if own[d] >= _WORKED / 2 and rest[d] < _HARDLY]
            less = [_NAMES[d] for d in range(7) if rest[d] >= _WORKED and own[d] < _HARDLY]
            key = f"of_file.{quoted(Path(file).name)}"
            found += ask(
                "days_of_one_file",
                f"procedures: {file}",
                f"{when.strip() + ' ' if when else ''}many visits are on {' and '.join(more)} and hardly any on "
                f"{' and '.join(less)}; in the other files it is the other way round.",
                of_ledger(f'{key} = {{ serial_dates = "1904" }}', "if its days are numbers, counted from 1904"),
                of_ledger(
                    f'{key} = {{ late_stamps = "midnights" }}',
                    "with time_zone under [practice], if they are midnights told in universal time",
                ),
            )
            break
    return found


def _is_moved(own: Sequence[float], rest: Sequence[float]) -> bool:
    """Whether shares by weekday fit others where they are moved by a day, and do not as they stand."""
    if not own or not rest:
        return False
    # Of two files that do not fit, the one that works on the weekend is in question.
    closed = [d for d in range(7) if rest[d] < _HARDLY]
    if not any(own[d] >= _HARDLY for d in closed if d > 4):
        return False
    strange = sum(own[d] for d in closed)
    moved = [sum(own[(d + by) % 7] for d in closed) for by in (1, -1)]
    less = any(rest[d] >= _WORKED and own[d] < _HARDLY for d in range(7))
    return strange >= _WORKED and less and min(moved) < _HARDLY


def _shares(days: pl.DataFrame) -> list[float]:
    """The share of each weekday, Monday first; none where there are few days."""
    if days.height < _LEAST:
        return []
    counts = dict(days["day"].dt.weekday().value_counts(name="n").iter_rows())
    return [counts.get(d, 0) / days.height for d in range(1, 8)]
