"""Rows that stand in a section whose name says whether they were done: a sheet, table, file, folder, or a line above.
See `pipeline.reading.sources.sections` for which section a row stands in."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.tables import REVERSAL
from pipeline.reading.doubts.cells import tally
from pipeline.reading.doubts.doubt import Doubt, ask, commonest, of_ledger, patterns_in_rows, status_from
from pipeline.reading.doubts.standing import matches
from pipeline.reading.sources.sections import LINE_BELOW, SECTION, is_below, lines_between
from pipeline.reading.sources.standing_names import COMPLETED, VOID, Named, bare_title, named, titled
from pipeline.reading.sources.text_notes import TOTAL_LINE
from pipeline.reading.suggest.shown import quoted

_LEGEND = r"\S\s*=\s*\p{L}"
_MOST_SHOWN, _LEAST_REMARKS = 12, 2
_BACK = (VOID, REVERSAL)
_DAY = re.compile(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}|\d{1,2}\W{0,2}[^\W\d]{3,9}\W{0,2}\d{2,4}")


@dataclass
class SectionsSeen:
    """What is seen of the names that rows of one file stand under."""

    untold: Counter[tuple[str, bool]] = field(default_factory=Counter)  # with a code, by name and if they have a status
    names: Counter[str] = field(default_factory=Counter)  # all rows by section
    silent: Counter[str] = field(default_factory=Counter)  # rows with a code in none, by sheet, table or part
    lines: Counter[str] = field(default_factory=Counter)  # between rows, that something was taken back, by their words
    remarks: Counter[tuple[str, str]] = field(default_factory=Counter)  # that work is not done, by pattern and word
    totals: Counter[str] = field(default_factory=Counter)  # what lines of totals say of what they sum up, by word
    legends: Counter[tuple[str, str]] = field(default_factory=Counter)  # words of lines with an equals sign
    is_whole: bool = False

    def add_names(self, section: pl.Series | None) -> None:
        """Take in the sections of all rows of a batch."""
        if section is not None:
            self.names.update(tally(section.drop_nulls()))

    def add_lines(self, malformed: pl.DataFrame, told: Sequence[str] = ()) -> None:
        """Take in the records of a batch that are no rows; of lines of patterns that are `told` nothing is asked."""
        totals = malformed.filter(pl.col("raw_row").str.contains(TOTAL_LINE)).get_column("raw_row")
        for said in (named(bare_title(line)) for line in totals):
            if said.words and said.word != COMPLETED:
                self.totals[said.word] += 1
        for line in malformed.filter(pl.col("raw_row").str.contains(_LEGEND)).get_column("raw_row"):
            said = named(bare_title(line))
            if said.words and said.word != COMPLETED and not _DAY.search(line):
                self.legends[said.pattern, said.word] += 1
        lines = [line for _, line in lines_between(malformed) if not is_below(line, told)]
        for line in lines:
            said = named(line)
            # A line with a day is a row that is broken.
            is_remark = said.words and said.word != COMPLETED and not titled(line).words and not _DAY.search(line)
            if is_remark and "*" in said.pattern:
                self.remarks[said.pattern, said.word] += 1
        self.lines.update(bare_title(line) for line in lines if titled(line).words and titled(line).word in _BACK)

    def is_mark(self, name: str) -> bool:
        """Whether a name may be a mark below the row that it is about: a line with a day, or that comes again."""
        return self.lines[name] > 1 or (self.lines[name] == 1 and _DAY.search(name) is not None)

    def add_silent(self, sheet: pl.Series | None, coded: pl.Series, section: pl.Series | None) -> None:
        """Take in the sheets of those rows of a batch that have a code and stand in no section."""
        alone = coded & section.is_null() if section is not None else coded
        if sheet is None:
            self.silent[""] += int(alone.sum())
        else:
            self.silent.update(tally(sheet.cast(pl.String).filter(alone)))

    def add(self, section: pl.Series, coded: pl.Series, status: pl.Series, told: pl.Series | None) -> None:
        """Take in a batch: of each row its section, whether it has a code, its status, and whether it is told."""
        frame = pl.DataFrame({"section": section, "has_status": status.is_not_null()})
        is_asked = coded & section.is_not_null() & (~told if told is not None else True)
        # What a row got from the name itself, as by `sheet_name` or `group_lines`, is told too.
        low = pl.DataFrame({"section": section, "status": status}).select(pl.all().str.to_lowercase())
        is_of_name = pl.col("section").str.contains(pl.col("status"), literal=True).fill_null(False)
        is_asked &= ~low.select(is_of_name).to_series()
        counts = frame.filter(is_asked).group_by("section", "has_status").len()
        self.untold.update({(name, has): n for name, has, n in counts.iter_rows()})


def section_doubts(
    where: str, seen: SectionsSeen, *, n_rows: int, has_fee: bool, files: Mapping[str, int]
) -> list[Doubt]:
    """Sections whose names say that it may be no work done, unread; beside them the other names, of `files` too."""
    rows: Counter[tuple[str, str, str]] = Counter()
    marks: set[str] = set()  # patterns of marks of single rows: with a day of its own, each is of one
    below: dict[str, str] = {}  # what lines that may be such marks make of the row above them
    for (name, has_status), n in seen.untold.items():
        said = _said(name)
        # A row's own status says more than the plan that it stands in; but what was deleted had one before.
        if said.words and said.word != COMPLETED and not (has_status and said.word not in _BACK):
            rows[_shown(name, said), said.pattern, said.word] += n
            if seen.is_mark(name):
                below[titled(name).pattern or said.pattern] = (
                    VOID if said.word == REVERSAL and not has_fee else said.word
                )
                marks |= {said.pattern} if _DAY.search(name) else set()
    if not rows:
        return []
    listed = commonest(rows)
    each = ", ".join(f'"{shown}" ({n:,})' for (shown, _, _), n in listed[:_MOST_SHOWN])
    more = f" and {len(listed) - _MOST_SHOWN} more" if len(listed) > _MOST_SHOWN else ""
    made = {pattern: VOID if word == REVERSAL and not has_fee else word for (_, pattern, word), _ in listed}
    made = {pattern: word for pattern, word in made.items() if pattern not in marks}
    n = sum(rows.values())
    others = Counter({sheet: n for sheet, n in seen.silent.items() if sheet and n})
    for (name, _), times in seen.untold.items():
        said = _said(name)
        if said.words and said.word == COMPLETED:
            others[_shown(name, said)] += times
    if any(name in where for name, _ in seen.untold):
        others.update(files)
    return ask(
        "status_in_titles",
        where,
        f"{n:,} of {n_rows:,} rows stand under a name that says whether they were done, and nothing reads it: "
        f"{each}{more}. Such a name is a line above the rows, a sheet or table, a file, or a folder.",
        status_from(
            SECTION,
            made,
            "the rows under each of these names, and what they are; correct the words, and add these to such a line "
            "that is there",
        ),
        status_from(LINE_BELOW, below, "where such a line stands below the one row that it is about"),
        below=_BELOW if below else "",
        others=_other(n_rows - n, others),
    )


def remark_doubts(where: str, seen: SectionsSeen, *, has_fee: bool) -> list[Doubt]:
    """Lines between rows, or else of totals, that say of several rows that they may be no work done."""
    if seen.remarks.total() < _LEAST_REMARKS:
        return _total_doubts(where, seen) if seen.totals and not seen.names else []
    listed = commonest(seen.remarks)[:_MOST_SHOWN]
    shown = patterns_in_rows(listed, each="line")
    made = {pattern: VOID if word == REVERSAL and not has_fee else word for (pattern, word), _ in listed}
    return ask(
        "status_in_titles.remark",
        where,
        f"lines between the rows, which are no rows themselves, hold words for whether work was done: {shown}.",
        status_from(LINE_BELOW, made, "yes: correct the words, and add these to such a line that is there"),
    )


def legend_doubts(where: str, seen: SectionsSeen) -> list[Doubt]:
    """A line such as `(14) = planned` or `small letters = proposed`, which says what a form of the cells means."""
    if not seen.legends:
        return []
    shown = ", ".join(f"{pattern.replace('*', '…')}: {word}" for pattern, word in sorted(seen.legends))
    means = "the column and the sign, here a bracket before the text; [a-z] is a text in small letters alone"
    return ask(
        "status_in_titles.legend",
        where,
        f"a line that is no row explains a sign or a form of the cells by a word for whether work was done "
        f"({shown}). Nothing reads that form.",
        of_ledger('status_from."<column>" = { "(*" = "planned" }', means),
    )


def _total_doubts(where: str, seen: SectionsSeen) -> list[Doubt]:
    shown = ", ".join(f"{word} ({count(n, 'line')})" for word, n in sorted(seen.totals.items()))
    return ask(
        "status_in_titles.totals",
        where,
        f"lines of totals say that what they sum up may be no work done: {shown}. No name stands above these rows.",
    )


def unmet_names(seen: Mapping[str, SectionsSeen], told: Sequence[str]) -> list[Doubt]:
    """Names that PRACTICE.toml tells and no row stands under; none where not all rows of all files were looked at."""
    met = [pl.Series([name]) for one in seen.values() for name in one.names]
    unmet = [p for p in told if not any(n.to_frame("t").select(matches(pl.col("t"), p)).item() for n in met)]
    if not seen or not unmet or not all(one.is_whole for one in seen.values()):
        return []
    there: Counter[str] = Counter()
    for file, one in seen.items():
        for name, n in one.names.items():
            there[_shown(name, _said(name)) if _said(name).words else name] += n
        for sheet, n in one.silent.items():
            there[sheet or file] += n
    names = [f'"{name}" ({n:,})' for name, n in commonest(there) if n]
    more = f" and {len(names) - _MOST_SHOWN} more" if len(names) > _MOST_SHOWN else ""
    each = ", ".join(f'"{name}"' for name in unmet)
    return ask(
        "section_names",
        "procedures",
        f"no row of any file stands under a name of which status_from.{quoted(SECTION)} says what its rows are: "
        f"{each}. The names there are, with their rows: {', '.join(names[:_MOST_SHOWN]) or 'none'}{more}. A line "
        "above or between the rows is a name too, as it is written there.",
    )


def _said(name: str) -> Named:
    found = named(name)
    return found if found.words else titled(name)


def _shown(name: str, said: Named) -> str:
    """The name as it may be shown: what else stands in it may be anyone's."""
    return name if said.pattern == name else said.pattern.replace("*", "…")


_BELOW = " Does such a line stand above its rows, or below the one row that it is about?"


def _other(n: int, others: Mapping[str, int]) -> str:
    if not others or len(others) > _MOST_SHOWN:  # so many sheets are those of people, or of months
        return f" Of the other {n:,} nothing is asked here." if n > 0 else ""
    each = ", ".join(f'"{name}" ({times:,})' for name, times in commonest(others))
    return f" The other names: {each}. If what stands under one of them is no work done either, add its name."
