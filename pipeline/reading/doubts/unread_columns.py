"""Columns that nothing reads: some rows alone fill them (days, numbers that take turns), or few texts stand in them.
Does one say whether work was done?

Offices have words of their own for it (`Stage` 1 to 4, `K` and `N`, ticks and crosses), which no list of words knows.
So all such columns of a file are asked about in one question, but for those that are plainly of another thing, or hang
on the patient, the code or the clinician of a row. Words in seven languages, from memory: common practice, no source.
"""

import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.tables import REVERSAL, STATUS_WORDS
from pipeline.reading.doubts.cells import text_of
from pipeline.reading.doubts.doubt import Doubt, ask, commonest, of_ledger, status_from
from pipeline.reading.doubts.standing import DAY, flag_columns, is_yes_or_no, word_of
from pipeline.reading.headings import plain_heading, word_list, word_lists
from pipeline.reading.sources.source import SHEET
from pipeline.reading.suggest.shown import masked_text, quoted
from pipeline.transforms.month_names import MONTHS

_LEAST_CODED, NEARLY_ALL, _MOST_NUMBERED = 20, 0.9, 8
_ENTRY_NUMBER = r"^[A-Za-z]{0,4}[-/ ]?\d{2,}[\d/-]*$"
# Days that say nothing of whether work was done, though some rows lack them.
OTHER_DAYS = word_list("other days")


@dataclass
class PartlyFilled:
    """Rows with a code, those that fill each unread column, with a day or number, and that fill one of two in turn."""

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
            is_number = text.str.contains(_ENTRY_NUMBER)
            if is_number.sum() and len(numbered) < _MOST_NUMBERED:
                numbered[heading] = text.is_not_null()
                self.numbers[heading] += int(is_number.sum())
        listed = sorted(numbered)
        for n, a in enumerate(listed):
            for b in listed[n + 1 :]:
                self.turns[a, b] += int((numbered[a] ^ numbered[b]).sum())


def partly_filled_doubts(where: str, seen: PartlyFilled, *, date: str | None, told: Collection[str]) -> list[Doubt]:
    """A question for each column of days that some rows lack, and for two columns of numbers that take turns."""
    if seen.rows < _LEAST_CODED:
        return []
    asked = [h for h, n in seen.filled.items() if 0 < n < seen.rows and h not in told and not flag_columns([h])]
    found: list[Doubt] = []
    for heading in asked:
        if seen.days[heading] >= NEARLY_ALL * seen.filled[heading] and not OTHER_DAYS & set(
            plain_heading(heading.rpartition(".")[2]).split()
        ):
            found += _days(where, heading, seen, date)
    numbered = {h for h in asked if seen.numbers[h] >= NEARLY_ALL * seen.filled[h] and not seen.days[h]}
    for pair, n in sorted(seen.turns.items()):
        if n >= NEARLY_ALL * seen.rows and numbered.issuperset(pair):
            found += _turns(where, pair, seen)
    return found


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


_MOST_TEXTS, _LONGEST, _LEAST_ROWS, _SHOWN_LETTERS = 12, 16, 8, 3
_MOST_COLUMNS = 6
# Beyond five texts, or beside a status, fewer columns say it, and rows must be enough to see on what else they hang.
_FEW_TEXTS, _ENOUGH, _RARE = 5, 40, 0.3
_MOST_HELD, _HANGS = 4_000, 0.8
_HANG_ON = ("patient_id", "code", "provider_id")
_LEAST_FILLED, _ANY = 3, "*"
_OTHER_HEADINGS = word_list("headings of other things")
# Of these a file with enough rows shows whether they hang on the code.
_OF_CODES = word_list("headings of what hangs on codes")
_STATES = {"state", "status"}
_TEXTS = word_lists("texts of other things")
_NUMBER = re.compile(r"[-+$€£]?\s?\d{1,3}(?:[,.' ]\d{3})*(?:[.,]\d+)?\s?%?|\d{4,}")
_SHARE = re.compile(r"(?:100|\d{1,2})(?:[.,]0+)?\s?%?|[01]?[.,]\d{1,2}")
_DAY = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}.*|\d{1,2}:\d{2}.*|(?:19|20)\d\d")
_FILE = re.compile(r"\.[A-Za-z]\w{1,5}(?:,|$)")  # of an archive, whose names are looked at as those of files are
_PERSON = re.compile(r"(?i)(?:dr|mr|mrs|ms|dds|dmd|rdh|herr|frau|mme|dra?)\b\.?.*")
_PLAIN_SHEET = re.compile(
    r"(?i)(?:sheet|tabelle|feuil|hoja|blad|foglio|planilha|table|part|page)?\s*\d*|.*\d{4}.*|q[1-4].*"
)


@dataclass
class Unread:
    """The first rows with a code: their cells in columns that nothing reads, and in those on which others may hang."""

    held: list[pl.DataFrame] = field(default_factory=list)
    rows: int = 0

    def add(self, rows: pl.DataFrame, headings: Sequence[str], fields: pl.DataFrame, coded: pl.Series) -> None:
        """Take in a batch."""
        if self.rows >= _MOST_HELD or not headings:
            return
        frame = pl.DataFrame([text_of(rows, h) for h in headings])
        on = [fields[f].cast(pl.String).alias(f"on:{f}") for f in _HANG_ON if f in fields.columns]
        frame = frame.hstack(on).filter(coded).head(_MOST_HELD - self.rows)
        self.rows += frame.height
        self.held.append(frame.fill_null(""))

    @property
    def frame(self) -> pl.DataFrame:
        """The rows held."""
        return pl.concat(self.held, how="diagonal").fill_null("") if self.held else pl.DataFrame()

    def filled_by_some(self, looked_at: Collection[str]) -> dict[str, Counter[str]]:
        """Further columns that some rows fill, whatever with, as `*`."""
        frame, found = self.frame, {}
        for heading in (h for h in frame.columns if h not in looked_at and not h.startswith("on:")):
            n = int((frame[heading] != "").sum())
            if _LEAST_FILLED <= n <= _RARE * frame.height:
                found[heading] = Counter({"": frame.height - n, _ANY: n})
        return found


def hangs(frame: pl.DataFrame, heading: str, *, is_filled: bool = False) -> bool:
    """Whether a column, or that it is filled, follows from the patient, code or clinician of a row: it takes away most
    errors of guessing the commonest text (lambda of Goodman and Kruskal, 1954)."""
    if heading not in frame.columns:
        return False
    text = frame[heading] != "" if is_filled else frame[heading]
    for on in (c for c in frame.columns if c.startswith("on:")):
        of = pl.DataFrame({"on": frame[on], "text": text})
        of = of.filter(pl.len().over("on") > 1, pl.col("on") != "")
        by = of.group_by("on", "text").len()
        usual = int(by.group_by("text").agg(pl.col("len").sum())["len"].max() or 0)  # type: ignore[arg-type]
        right = int(by.group_by("on").agg(pl.col("len").max())["len"].sum())
        if 2 * of.height > frame.height and of.height > usual and right - usual >= _HANGS * (of.height - usual):
            return True
    return False


def unread_columns(
    where: str,
    columns: Mapping[str, Counter[str]],
    *,
    told: Collection[str],
    unread: Unread,
    asked: Collection[str] = (),
    has_fee: bool = False,
    has_status: bool = False,
) -> list[Doubt]:
    """One question for all columns of a file that may say it, none where one of them is told: `columns` are the texts
    of unread columns, `asked` those that another question is about. Beside a status only marks on few rows count."""
    frame = unread.frame
    if {*columns, *frame.columns} & set(told):
        return []
    is_large = frame.height >= _ENOUGH
    found = {h: c for h, c in columns.items() if h not in asked and _may_say(h, c, is_large=is_large)}
    if not is_large:
        found = {} if has_status else {h: c for h, c in found.items() if sum(map(bool, c)) <= _FEW_TEXTS}
    else:
        if has_status:
            found = {h: c for h, c in found.items() if c.total() - max(c.values()) <= _RARE * c.total()}
        some = unread.filled_by_some({*columns, *asked})
        found = {h: c for h, c in found.items() if not hangs(frame, h)}
        some = {h: c for h, c in some.items() if not is_of_other(h, is_large=True)}
        found |= {h: c for h, c in some.items() if not hangs(frame, h, is_filled=True)}
    if not found:
        return []
    listed = sorted(found.items(), key=lambda one: (-_likely(one[1]), one[0]))[:_MOST_COLUMNS]
    shown = "; ".join(f'"{heading}": {_texts(heading, counts)}' for heading, counts in listed)
    more = f"; and {len(found) - len(listed)} more" if len(found) > len(listed) else ""
    first, counts = listed[0]
    partly = " or filled on some rows" if any(_ANY in counts for counts in found.values()) else ""
    back = f"; {REVERSAL} where such a row takes back the one of the same work and fee" if has_fee else ""
    is_begun = _is_progress(counts)
    most = commonest(counts)[0][0]
    made = {
        # Of a ledger most rows are work done: a letter that most of them have stands for no plan.
        (text if _text(first, text) == text else "<the text>"): (word_of(text) if text != most or text == _ANY else "")
        or ("void" if text == _ANY else "planned" if is_begun and _share(text) < _most(counts) else "completed")
        for text in sorted(counts)
        if text
    }
    return ask(
        "columns_not_read",
        where,
        f"{'a' if has_status else 'no'} column is read as the status, and {len(found)} with few texts{partly} "
        f"{'is' if len(found) == 1 else 'are'} not read: {shown}{more}.",
        status_from(
            first,
            made,
            f"the column and its texts as they stand there, and for each {', '.join(STATUS_WORDS[:-1])}{back}; "
            "this one line answers for all",
        ),
    )


def _may_say(heading: str, counts: Counter[str], *, is_large: bool) -> bool:
    texts = [text for text in counts if text]
    if counts.total() < _LEAST_ROWS or not 1 <= len(texts) <= _MOST_TEXTS or len(counts) < 2:
        return False
    if any(len(text) > _LONGEST for text in texts) or 2 * len(texts) > counts.total():
        return False
    if heading == SHEET:
        is_month = (MONTHS.keys() & plain_heading(text).split() for text in texts)
        named = (_PLAIN_SHEET.fullmatch(text) or _FILE.search(text) for text in texts)
        is_plain = all(any(either) for either in zip(is_month, named, strict=True))
        return not is_plain and not _is_other(texts)
    if any(len(text) > 1 and word_of(text) not in ("", "completed") for text in texts):
        return True  # `Other office` under `Treated by`
    return not is_of_other(heading, is_large=is_large) and (_is_progress(counts) or not _is_other(texts))


def _is_progress(counts: Counter[str]) -> bool:
    """Whether texts are parts of a whole, nearly always the whole: 100 % is done, 0 % planned, it may be."""
    whole = _most(counts)
    done = sum(n for text, n in counts.items() if _share(text) == whole)
    return whole in (1, 100) and 2 * done > counts.total() and all(_share(text) >= 0 for text in counts if text)


def _most(counts: Counter[str]) -> float:
    return max(map(_share, counts))


def _share(text: str) -> float:
    """The part of a whole that a text tells, such as 50 %; -1 where it tells none."""
    return float(text.rstrip("% \u00a0").replace(",", ".")) if _SHARE.fullmatch(text) else -1


def is_of_other(heading: str, *, is_large: bool = True) -> bool:
    """Whether a heading is plainly that of another thing than what became of the work."""
    words = set(plain_heading(heading).split())
    if len(words) > 1 and words & _STATES:
        return False  # `State` alone may be part of an address, `line_state` is not
    return bool((_OTHER_HEADINGS - (_OF_CODES if is_large else set())) & words)


def _is_other(texts: Sequence[str]) -> bool:
    """Whether texts are plainly of another thing."""
    if any(word_of(text) for text in texts if len(text) > 1):
        return False
    plain = [plain_heading(text) or text.lower() for text in texts]
    if any(set(plain) <= known for known in _TEXTS) and set(plain) != {"x"}:
        return True
    if all(_DAY.fullmatch(text) or _PERSON.fullmatch(text) for text in texts):
        return True
    is_count = all(_NUMBER.fullmatch(text) for text in texts)
    return is_count and any(len(re.sub(r"\D", "", text)) > 1 for text in texts)


def _likely(counts: Counter[str]) -> int:
    """How much texts look like those of a status: words and signs of it first, then yes and no."""
    said = sum(2 * bool(word_of(text)) + is_yes_or_no(text) for text in counts if text)
    return said + 2 * _is_progress(counts)


def _texts(heading: str, counts: Counter[str]) -> str:
    shown = ((_text(heading, text) if text != _ANY else "filled", n) for text, n in commonest(counts))
    return ", ".join(f"{text or 'empty'} ({count(n, 'row')})" for text, n in shown)


def _text(heading: str, text: str) -> str:
    """A text that may be shown: the name of a sheet, short, a sign, or a word of the trade; else its form."""
    return (
        text
        if heading == SHEET or len(text) <= _SHOWN_LETTERS or _share(text) >= 0 or word_of(text) or is_yes_or_no(text)
        else masked_text(text)
    )
