"""Doubts about which of several days the work was done on (of entry or of the work, planned or done), about days on
which another program's records were taken over, and about days that are odd for one clinician, office or year. Words in
seven languages, from memory: common practice, no source."""

import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby

import polars as pl

from pipeline.reading.doubts.cells import OF, headings_of, tally
from pipeline.reading.doubts.doubt import Doubt, ask, commonest, inline, of_ledger, status_from
from pipeline.reading.doubts.standing import DAY, words_of
from pipeline.reading.doubts.unread_columns import NEARLY_ALL, OTHER_DAYS
from pipeline.reading.headings import plain_heading, word_list
from pipeline.reading.sources.made_columns import DAY_IN_TEXT
from pipeline.reading.suggest.shown import quoted

_WORK = word_list("headings of the day of work")
_FISCAL = re.compile(
    r"\b(?:fy|fiscal|financial year|accounting year|business year|wirtschaftsjahr|geschaftsjahr|geschaeftsjahr|"
    r"exercice|ejercicio|boekjaar|esercizio|exercicio)\b"
)
# A day from which on a row, a price or an insurance holds is no day of work either.
_NO_WORK = OTHER_DAYS | words_of("from to until valid row version effective ab von bis desde hasta du au")
_NUMBERED = re.compile(r" \(\d+\)$")
_LEAST, _SHARE = 3, 0.05
_CROWDED, _TIMES, _DAYS, _FEW = 20, 6, 30, 7
_NOTED = 0.9  # of the rows of a crowded day, where their texts hold the true one
_MOST, _LOOK_AT = 200_000, 300
_BILL_DAYS, _ONE_BILL = 30, 4  # bills go out on a few days, each for the work of many


@dataclass
class DaysBeside:
    """Rows by how their day compares with that in another column of days, and rows a day: by heading `filled` with both
    days, `differ` with two different ones, `others` the days of that column; `rows` are by the text of the day."""

    headings: list[str] = field(default_factory=list)
    may_be: list[str] = field(default_factory=list)  # may turn out to be such columns in the first rows
    filled: Counter[str] = field(default_factory=Counter)
    differ: Counter[str] = field(default_factory=Counter)
    others: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    rows: Counter[str] = field(default_factory=Counter)

    def add(self, rows: pl.DataFrame, day: pl.Series) -> None:
        """Take in some rows, with the cells of their day of work."""
        own = day.cast(pl.String)
        if self.may_be and rows.height:
            self.headings += [h for h in self.may_be if _holds_days(rows.get_column(h).head(_LOOK_AT))]
            self.may_be = []
        if len(self.rows) < _MOST:
            bare = own.str.strip_chars().drop_nulls()
            self.rows.update(tally(bare.filter(bare != "")))
        for heading in self.headings:
            other = rows.get_column(heading).cast(pl.String)
            if len(self.others[heading]) < _MOST:
                self.others[heading] |= set(other.drop_nulls().unique())
            both = pl.DataFrame({"own": own, "other": other})
            both = both.select(_numbers("own"), _numbers("other")).filter(
                (pl.col("own").list.len() == _PARTS) & (pl.col("other").list.len() == _PARTS)
            )
            self.filled[heading] += both.height
            self.differ[heading] += both.filter(pl.col("own") != pl.col("other")).height


_PARTS = 3


def _numbers(name: str) -> pl.Expr:
    """The first three numbers of a cell in order of size, so that no order of day and month matters."""
    text = pl.col(name).str.replace_all(r"\b(\d{4})(\d{2})(\d{2})\b", "${1}-${2}-${3}")
    number = pl.element().cast(pl.Int64, strict=False)
    return text.str.extract_all(r"\d+").list.head(_PARTS).list.eval(number).list.sort()


def _holds_days(cells: pl.Series) -> bool:
    text = cells.cast(pl.String).str.strip_chars()
    filled = int((text != "").sum() or 0)
    return 2 * filled > cells.len() and int(text.str.contains(DAY).sum() or 0) >= 0.9 * filled


def beside(headings: Sequence[str], read: str | None) -> tuple[list[str], list[str]]:
    """Unread headings that name the day of work, where the one that is `read` does not; and those that may."""
    if read is None or plain_heading(read.rpartition(".")[2]) in _WORK - {"completed", "finished"}:
        return [], []
    # Of two columns of one heading the one that is read was told by its place.
    others = [h for h in headings if not h.startswith("(") and _NUMBERED.sub("", h) != _NUMBERED.sub("", read)]
    plain = {h: plain_heading(h.rpartition(".")[2]) for h in others}
    named = [h for h, words in plain.items() if words in _WORK]
    return named, [h for h, words in plain.items() if h not in named and not _NO_WORK & set(words.split())]


def second_day_doubts(where: str, read: str, seen: DaysBeside, *, has_status: bool) -> list[Doubt]:
    """Columns that may have the day of work and differ on many; where some rows lack it, a status is asked for."""
    least = 0.0 if has_status else NEARLY_ALL * seen.rows.total()
    return [
        doubt
        for h in seen.headings
        # One day in all rows is that of the export, and no work's.
        if len(seen.others[h]) > 1
        and not _are_of_bills(h, seen)
        and seen.differ[h] >= max(_LEAST, _SHARE * seen.filled[h])
        and seen.filled[h] >= least
        for doubt in ask(
            "two_days",
            where,
            f'"{read}" is read as the day of the work, and {seen.differ[h]:,} of {seen.filled[h]:,} rows have another '
            f'day in the column "{h}", which is not read.',
            of_ledger(f"columns.service_date = {quoted(h)}", "in place of the line that is there"),
            read=read,
        )
    ]


def _are_of_bills(heading: str, seen: DaysBeside) -> bool:
    """Whether a column not headed as the day of the work has so few days that they are those of the bills."""
    is_named = plain_heading(heading.rpartition(".")[2]) in _WORK
    return not is_named and len(seen.rows) >= max(_BILL_DAYS, _ONE_BILL * len(seen.others[heading]))


def crowded_days(where: str, read: str | None, rows: Mapping[str, int], held: pl.DataFrame | None) -> list[Doubt]:
    """Days with many times the rows of any other: records taken over, it may be; `held` is as `rows_held.SCHEMA`."""
    listed = commonest(rows)
    if read is None or len(listed) < _DAYS:
        return []
    numbers, every = [n for _, n in listed], sum(rows.values())
    few = [k for k in range(1, _FEW + 1) if numbers[k - 1] >= max(_CROWDED, _TIMES * numbers[k])]
    if not few or (n := sum(numbers[: few[-1]])) < _SHARE * every:
        return []
    days = sorted(day for day, _ in listed[: few[-1]])
    what = f"one day, {days[0]}" if len(days) == 1 else f"{len(days)} days, {' and '.join(days)}"
    noted = _days_in_texts(held, len(days)) if held is not None else {}
    there = "".join(f'; of these {rows_with:,} have another day in the text of "{h}"' for h, rows_with in noted.items())
    means = "and with it where the work may have been done long before: no day is known"
    return ask(
        "crowded_day.noted" if noted else "crowded_day",
        where,
        f"{n:,} of {every:,} rows are of {what}; of no other day are there more than {numbers[len(days)]:,}{there}.",
        *(
            of_ledger(
                f"columns.service_date = [{quoted(h)}, {quoted(read)}]",
                f'yes, on the day in "{h}": where that has one it is read, and else the other',
            )
            for h in noted
        ),
        status_from(read, dict.fromkeys(days, "existing"), "yes: it was there on that day, and is no work of that day"),
        of_ledger(f"values.service_date = {inline(dict.fromkeys(days, ''))}", means),
        these="that day" if len(days) == 1 else "these days",
    )


def _days_in_texts(held: pl.DataFrame, crowded: int) -> dict[str, int]:
    """Columns whose text holds a day on nearly all rows of the fullest days and hardly any other, with these rows."""
    by = held.group_by("day").len().sort("len", "day", descending=True).head(crowded)
    rows = held.with_columns(of_these=pl.col("day").is_in(by["day"].implode()))
    found = {}
    for heading in headings_of(held):
        has = rows.select("of_these", has=pl.col(OF + heading).str.contains(DAY_IN_TEXT))
        there, others = (has.filter(pl.col("of_these") == one)["has"] for one in (True, False))
        if there.len() and there.mean() >= _NOTED and others.sum() <= (1 - _NOTED) * there.sum():  # type: ignore[operator]
            found[heading] = int(there.sum())
    return found


def fiscal_years(where: str, parts: Sequence[str], *, told: str | None) -> list[Doubt]:
    """A date made of the year of accounts, which begins in one calendar year and is named after the next."""
    named = [h for h in parts if _FISCAL.search(plain_heading(h))]
    if not named or told is not None:
        return []
    evidence = (
        f'the year of each day is taken from the column "{named[0]}", which by its heading is a year of accounts.'
    )
    return ask("fiscal_year", where, evidence, of_ledger('year_begins = "july"', "the month in which it begins"))


_ROWS, _MONTHS, _SHARE_OF_DAY = 60, 6, 0.6
_NEAR, _VISITS, _OF_DAYS, _SAME, _USUAL = 6, 20, 0.3, 0.5, 0.75
_LAST, _LAST_OF_WEEK = "last", "last working"


def day_group_doubts(where: str, frame: pl.DataFrame, read: str) -> list[Doubt]:
    """Both questions; `frame` holds rows as `rows_held.SCHEMA`, `read` is the heading of the day of work."""
    if frame.height < _ROWS:
        return []
    return [*_of_one_day(where, frame), *_of_entry(where, frame, read)]


def _of_one_day(where: str, frame: pl.DataFrame) -> list[Doubt]:
    """Groups of rows most of which are on one day of the month, where most rows of the ledger are not."""
    day = pl.col("day")
    last_of_week = day.dt.month_end().dt.add_business_days(0, roll="backward")
    on = pl.when(day == day.dt.month_end()).then(pl.lit(_LAST)).otherwise(day.dt.day().cast(pl.String) + ".")
    year, month = day.dt.year().cast(pl.String), day.dt.truncate("1mo")
    rows = frame.select("provider", "site", year=year, on=on, late=day == last_of_week, month=month)
    if rows["late"].mean() >= _SHARE_OF_DAY or rows["on"].value_counts()["count"].max() >= _SHARE_OF_DAY * rows.height:  # type: ignore[operator]
        return []
    found = []
    for of in ("site", "provider", "year"):
        most = {"most": pl.col("on").mode().sort().first(), "n": pl.col("on").unique_counts().max()}
        by = rows.drop_nulls(of).group_by(of)
        groups = by.agg(pl.len(), pl.col("month").n_unique(), pl.col("late").sum(), **most)
        groups = groups.filter(pl.col("len") >= _ROWS, pl.col("month") >= _MONTHS).sort(of)
        is_late = pl.col("late") > pl.col("n")
        groups = groups.with_columns(
            most=pl.when(is_late).then(pl.lit(_LAST_OF_WEEK)).otherwise("most"), n=pl.max_horizontal("n", "late")
        ).filter(pl.col("n") >= _SHARE_OF_DAY * pl.col("len"))
        if groups.is_empty():
            continue
        named = _runs(groups[of].to_list()) if of == "year" else " and ".join(groups[of])
        whose = {"site": "of the clinic", "provider": "of the clinician", "year": "of"}[of]
        days = " or ".join(sorted(set(groups["most"])))
        found += ask(
            "one_day_of_the_month",
            where,
            f"{groups['n'].sum():,} of {groups['len'].sum():,} rows {whose} {named} are on the {days} day of a "
            "month, and other rows are not.",
            of_ledger('columns.service_date = "<column>"', "the day of the work"),
        )
        break  # a clinic's rows are those of its clinicians and years too
    return found


def _runs(years: Sequence[str]) -> str:
    """`2013 to 2015 and 2019`."""
    numbered = groupby(enumerate(sorted(map(int, years))), lambda one: one[1] - one[0])
    runs = [[year for _, year in run] for _, run in numbered]
    return " and ".join(f"{run[0]} to {run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def _of_entry(where: str, frame: pl.DataFrame, read: str) -> list[Doubt]:
    """Clinicians whose rows hardly ever share the day of the others who see the same patient that week."""
    visits = frame.select("patient", "day", "provider").drop_nulls().unique()
    both = visits.join(visits, on="patient", suffix="_2").filter(pl.col("provider") != pl.col("provider_2"))
    apart = (pl.col("day") - pl.col("day_2")).dt.total_days()
    near = both.with_columns(apart=apart).filter(pl.col("apart").abs() <= _NEAR)
    met = near.group_by("provider", "patient", "day").agg(
        same=(pl.col("apart") == 0).any(), after=(pl.col("apart") > 0).any()
    )
    by = met.group_by("provider").agg(pl.len(), pl.col("same").mean(), late=(~pl.col("same") & pl.col("after")).mean())
    # A specialist to whom patients are sent on meets few of them in the week of another visit.
    by = by.join(visits.group_by("provider").agg(days=pl.len()), on="provider")
    by = by.filter(pl.col("len") >= _VISITS, pl.col("len") >= _OF_DAYS * pl.col("days")).drop("days")
    late = by.filter(pl.col("same") < _SAME, pl.col("late") > _SAME).sort("provider")
    others = by.filter(~pl.col("provider").is_in(late["provider"].implode()))
    if late.is_empty() or not others.filter(pl.col("same") >= _USUAL).height:
        return []
    shown = "; ".join(
        f"of {n:,} days of {who} in a week in which a colleague saw the same patient {same:.0%} are the colleague's "
        f"day, and {later:.0%} come after it"
        for who, n, same, later in late.iter_rows()
    )
    return ask(
        "days_of_entry",
        where,
        f'"{read}" is read as the day of the work, and {shown}; with other clinicians most are the same day.',
        of_ledger('columns.service_date = "<column>"', "the day of the work, if a column has it"),
    )
