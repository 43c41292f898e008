"""Columns that nothing reads and only some rows fill: days (`Carried out`, `row to`), and two numbers that take turns.

Work that was planned, replaced or estimated often shows by nothing but a day that is not there, or by standing under
the number of an estimate and not of a bill. Words in seven languages, from memory: common practice, no source.
"""

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.counts import count
from pipeline.reading.doubts.cells import text_of
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger, status_from
from pipeline.reading.doubts.standing import DAY, flag_columns
from pipeline.reading.headings import plain_heading, word_list
from pipeline.reading.suggest.toml_quote import quoted

_LEAST_ROWS, NEARLY_ALL, _MOST_NUMBERED = 20, 0.9, 8
_NUMBER = r"^[A-Za-z]{0,4}[-/ ]?\d{2,}[\d/-]*$"
# Days that say nothing of whether work was done, though some rows lack them.
OTHER_DAYS = word_list("other days")


@dataclass
class PartlyFilled:
    """Rows with a code (`rows`), those of them that fill each unread column, and those where it holds a day or a
    number; `turns` are rows that fill exactly one of two columns of numbers."""

    rows: int = 0
    filled: Counter[str] = field(default_factory=Counter)
    days: Counter[str] = field(default_factory=Counter)
    numbers: Counter[str] = field(default_factory=Counter)
    turns: Counter[tuple[str, str]] = field(default_factory=Counter)

    def add(self, rows: pl.DataFrame, headings: Iterable[str], coded: pl.Series) -> None:
        """Take in a batch: what stands in the columns of these headings on rows with a code."""
        among = rows.filter(coded)
        self.rows += among.height
        numbered: dict[str, pl.Series] = {}
        for heading in headings:
            text = text_of(among, heading).replace("", None)
            self.filled[heading] += int(text.count())
            self.days[heading] += int(text.str.contains(DAY).sum() or 0)
            is_number = text.str.contains(_NUMBER)
            if is_number.sum() and len(numbered) < _MOST_NUMBERED:
                numbered[heading] = text.is_not_null()
                self.numbers[heading] += int(is_number.sum())
        listed = sorted(numbered)
        for n, a in enumerate(listed):
            for b in listed[n + 1 :]:
                self.turns[a, b] += int((numbered[a] ^ numbered[b]).sum())


def partly_filled_doubts(where: str, seen: PartlyFilled, *, date: str | None, told: Collection[str]) -> list[Doubt]:
    """A question for each column of days that some rows lack, and for two columns of numbers that take turns; `date` is
    the column read as the day of work."""
    if seen.rows < _LEAST_ROWS:
        return []
    asked = [h for h, n in seen.filled.items() if 0 < n < seen.rows and h not in told and not flag_columns([h])]
    found: list[Doubt] = []
    for heading in asked:
        if seen.days[heading] >= NEARLY_ALL * seen.filled[heading] and not _is_other(heading):
            found += _days(where, heading, seen, date)
    for pair, n in sorted(seen.turns.items()):
        if n >= NEARLY_ALL * seen.rows and all(_is_numbered(h, seen) for h in pair) and set(pair) <= set(asked):
            found += _turns(where, pair, seen)
    return found


def _is_other(heading: str) -> bool:
    return bool(OTHER_DAYS & set(plain_heading(heading.rpartition(".")[2]).split()))


def _is_numbered(heading: str, seen: PartlyFilled) -> bool:
    return seen.numbers[heading] >= NEARLY_ALL * seen.filled[heading] and not seen.days[heading]


def _days(where: str, heading: str, seen: PartlyFilled, date: str | None) -> list[Doubt]:
    n, lacking = seen.filled[heading], seen.rows - seen.filled[heading]
    empty = status_from(heading, {"": "planned"}, "a row without it is planned, not done")
    filled = status_from(heading, {"*": "void"}, "a row with it was taken back or replaced")
    is_day = of_ledger(f"columns.service_date = {quoted(heading)}", "and with it, if that is the day of work")
    moved = of_ledger(
        f"columns.service_date = [{quoted(heading)}, {quoted(date or '')}]",
        "in place of the line that is there, if that is the day of work wherever it is filled",
    )
    return ask(
        "days_not_read",
        where,
        f'column "{heading}" holds days and is not read; {count(n, "row")} with a code have one and {lacking:,} have '
        "none." + (f' The day of work is read from "{date}".' if date else ""),
        *((empty, is_day, filled) if n >= lacking else (filled, empty, is_day)),
        moved if date is not None else None,
    )


def _turns(where: str, pair: tuple[str, str], seen: PartlyFilled) -> list[Doubt]:
    few, many = sorted(pair, key=lambda heading: (seen.filled[heading], heading))
    return ask(
        "numbers_in_turn",
        where,
        f'of the columns "{many}" and "{few}", which nothing reads, rows have one number or the other: '
        f"{seen.filled[many]:,} and {seen.filled[few]:,}.",
        status_from(few, {"*": "planned"}, "such a row is planned; or another word, or the other column"),
    )
