"""Words that stand in a column of a field, and which of our words each means; one that we do not know is asked."""

import re
from collections.abc import Collection, Mapping
from functools import cache

import polars as pl

from pipeline.practice.codes import ASK
from pipeline.practice.counts import count
from pipeline.practice.fields import FLAG_WORDS, is_open, kind, map_words, normal_word, word_lookup
from pipeline.practice.tables import INPUT_TABLES
from pipeline.practice.words import words_of
from pipeline.reading.suggest.profile import Column
from pipeline.reading.suggest.tooth_words import OPEN


@cache
def trade_words(table: str, field: str) -> dict[str, tuple[str, ...]]:
    """Short words of the trade, in the form of `normal_word`, to those of our words that they may mean."""
    if kind(table, field) != "words":
        return {}
    found: dict[str, tuple[str, ...]] = {}
    for ours, theirs in words_of("short", field).items():
        for word in theirs:
            found[normal_word(word)] = (*found.get(normal_word(word), ()), ours)
    return found


@cache
def known_words(table: str, field: str) -> dict[str, str]:
    """Words in the form of `normal_word` to our word; for a flag to `yes` or `no`; empty for plain text."""
    if kind(table, field) == "flag":
        flags = {word: "yes" if value else "no" for word, value in FLAG_WORDS.items()}
        told = words_of("yes_no")
        return {normal_word(word): ours for ours, theirs in told.items() for word in theirs} | flags
    if kind(table, field) != "words" and not is_open(table, field):
        return {}
    found: dict[str, str] = {}
    for ours, theirs in words_of("word", field).items():
        found |= {normal_word(word): ours for word in theirs}
    return found | word_lookup(table, field)


def paired_words(field: str, words: Collection[str]) -> dict[str, str]:
    """What two words mean because they stand together: `h` and `m` are hombre and mujer; empty for others."""
    told = {tuple(pair.split("/")): ours for ours, pairs in words_of("pair", field).items() for pair in pairs}
    return {own: ours for (own, other), ours in told.items() if set(words) == {own, other}}


_MOST = 24
_FEW_NUMBERS = 8
_SEXES = ("female", "male")
_SPREADSHEET_FLAG = re.compile(r"^[01]\.0+$")


def value_lines(table: str, field: str, column: Column) -> list[tuple[str, str, str]]:
    """`(word of the file, our word or ask, why)` for each word not understood without being told, the commonest for
    those that differ in case, blanks or hyphens. Of a field that takes any text a single row is not asked about: it
    may be a remark on one patient."""
    if field == "tooth":
        return _tooth_lines(column)
    takes_any = is_open(table, field)
    if map_words(table, field) is None and not takes_any:
        return []
    is_numbered = field == "status" and column.distinct <= _FEW_NUMBERS
    if column.number_share >= 0.99 and kind(table, field) == "words" and not is_numbered:
        return []
    known = known_words(table, field)
    trade = trade_words(table, field)
    choices = _choices(table, field)
    is_flag = kind(table, field) != "words" and not takes_any
    plain = {"yes", "y", "true", "1", "no", "n", "false", "0"} if is_flag else set(word_lookup(table, field))
    counted = column.counts.with_columns(normal=pl.col("text").map_elements(normal_word, return_dtype=pl.String))
    words = counted.group_by("normal").agg(pl.col("n").sum(), pl.col("text").first())
    words = words.sort(["n", "normal"], descending=[True, False])
    total = int(words["n"].sum())
    taken = {known[w] for w in words["normal"] if w in known}
    sure = taken | {trade[w][0] for w in words["normal"] if len(trade.get(w, ())) == 1}
    lines = []
    paired = paired_words(field, words["normal"].to_list())
    # Where one of two is strange, the other may mean something else in that language.
    strange = field == "sex" and words.height == len(_SEXES) and not all(w in known for w in words["normal"])
    for normal, rows, text in words.head(_MOST).iter_rows():
        if normal in paired:
            lines.append((text, paired[normal], f"likely: the two letters stand together so; {rows:,} rows"))
            continue
        if strange:
            lines.append((text, ASK, f"{choices}? {rows:,} rows, beside a word that we do not know"))
            continue
        if normal in plain or _SPREADSHEET_FLAG.match(normal) or normal in ("null", "n/a", "nan"):
            continue
        if (meant := known.get(normal)) is not None:
            lines.append((text, meant, f"{count(rows, 'row')}"))
        elif field == "status" and rows >= 0.6 * total and len(words) > 1 and "completed" not in taken:
            why = f"likely: {rows:,} of {total:,} rows have it, so it can hardly be another"
            lines.append((text, "completed", why))
        elif field == "status" and rows == total and set(trade.get(normal, ())) == {"completed", "void"}:
            lines.append((text, "completed", f"likely: all {count(total, 'row', 'has')} it, and all are not void"))
        elif len(likely := _likely(normal, trade, sure)) == 1:
            lines.append((text, likely[0], f"likely: short for it beside such a heading; {rows:,} of {total:,} rows"))
        elif likely:
            lines.append((text, ASK, f"{' or '.join(likely)}? Each is written so. {rows:,} of {total:,} rows"))
        elif takes_any and rows == 1:
            continue
        else:
            lines.append((text, ASK, f"{choices}? {count(rows, 'row')}"))
    return lines


def _tooth_lines(column: Column) -> list[tuple[str, str, str]]:
    """A line for each word or pair of letters that stands before the numbers of teeth."""
    lines = []
    for word, meant in column.tooth_words.items():
        if meant == OPEN:
            which = "the letters of which quadrant? UR* upper right, UL* upper left, LL* lower left, LR* lower right"
            lines.append((word, ASK, f"{which}, right and left as the patient's own; * is the place, 1 to 8"))
        elif meant == "*":
            lines.append((word, meant, "likely: it stands before the numbers of teeth; * is the number"))
        else:
            lines.append((word, meant, "likely: words or first letters for jaw and side; look at a chart or two"))
    return lines


def _likely(word: str, trade: Mapping[str, tuple[str, ...]], taken: set[str]) -> tuple[str, ...]:
    """What a short word of the trade may mean here: of two readings not the one that another word has already."""
    readings = trade.get(word, ())
    return tuple(r for r in readings if r not in taken) or readings if len(readings) > 1 else readings


def _choices(table: str, field: str) -> str:
    if usual := INPUT_TABLES[table].columns[field].usual:
        return ", ".join([*usual, 'or "" for not recorded, or no line at all to keep the text'])
    words = ("yes", "no") if kind(table, field) == "flag" else map_words(table, field) or ()
    return ", ".join([*words, 'or "" for not recorded'])
