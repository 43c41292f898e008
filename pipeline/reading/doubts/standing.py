"""Whether a row stands, where no column of the file is its status: flags, and words in a text.

A flag is a column such as `Deleted`, `voided_on` or `Completed`. Words stand in a text such as `(TP) Crown` or
`REVERSAL crown`, or are all of it: `Estimate`, `Payment`. Names of sheets, files and lines are looked at in
`sections.py`, amounts in `amounts.py`. All words are of the trade or of any language of ours, from memory: common
practice, no source.
"""

import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.counts import count
from pipeline.practice.tables import REVERSAL, STATUS_WORDS
from pipeline.reading.doubts.cells import tally
from pipeline.reading.doubts.doubt import Doubt, ask, commonest, inline, of_ledger, patterns_in_rows, status_from
from pipeline.reading.headings import plain_heading, word_list
from pipeline.reading.sources.row_looks import CALLED, COLOURED, COMMENT, HIDDEN, ITALIC, LOOKS, STRUCK
from pipeline.reading.sources.standing_names import COMPLETED, named
from pipeline.reading.suggest.shown import quoted

MOST_FLAGS = 12
MOST_TEXTS = 500  # of a flag, until it is clear that it is none
_MOST_LETTERS = 16


def words_of(words: str, between: str = " ") -> frozenset[str]:
    """Words of a text."""
    return frozenset(words.split(between))


# Columns that name the entry that came in place of this one, or to whom a patient was sent on, or a bill.
_REPLACED, _SENT_ON, _BILLS = word_list("replaced by"), word_list("sent on"), word_list("bills")
# What yes and no make of a row in flags of these headings.
_KINDS = {
    ("void", "completed"): word_list("flag of void") | _REPLACED | word_list("void in the north"),
    ("completed", "planned"): word_list("flag of done") | word_list("completed in the north"),
    ("completed", "void"): word_list("flag of active"),
    ("planned", "completed"): word_list("flag of planned") | word_list("planned in the north"),
    ("existing", "completed"): word_list("flag of elsewhere") | _SENT_ON,
    (REVERSAL, "completed"): word_list("flag of reversal"),
    ("", ""): word_list("flag of status"),
}
_FLAGS = {heading: meant for meant, headings in _KINDS.items() for heading in headings}
_FLAGS |= dict.fromkeys(_BILLS, ("completed", "planned"))
# Words beside those of a flag in the heading of its day, its hand or its reason: filled, they are a yes.
_BESIDE = word_list("beside a flag")
DAY = r"^\d{1,4}[-/. ]\d{1,2}[-/. ]\d{1,4}|^\d{1,2}[-/ ]?[A-Za-z]{3,9}[-/ ,]|^[A-Za-z]{3,9} \d{1,2},? \d{4}|^\d{8,}$"
# What databases and spreadsheets write where there is no day.
_NO_DAY = (
    r"(?i)^(?:|null|none|nan|nat|n/?a|\\n|-+|0+[-/.]0+[-/.]0+.*|0001-01-01.*|1/1/0001.*|1899-12-3[01].*|"
    r"1900-01-0[01].*|1753-01-01.*|0?1[-/.]0?1[-/.](?:0001|1753|1900)\b.*|(?:12/30|30[/.-]12)[/.-]1899\b.*|"
    r"(?:9999|2999|2099)-12-31.*|(?:12/31|31[/.-]12)[/.-](?:9999|2999|2099)\b.*)$"
)
_NEARLY_ALL = 0.9  # of the rows
_ANY = "*"
_DECIMAL = re.compile(r"\d+[.,]\d+$")
SMALL_LETTERS = "[a-z]"
_YES, _NO = word_list("yes"), word_list("no")
_TEXTS = word_list("headings of texts")
_NORTHERN = {text: word for word in STATUS_WORDS[:-1] for text in word_list(f"{word} in the north")}


def _words(where: str) -> dict[str, str]:
    """Words by what they make of a row: alone in a flag, as a tag in brackets, opening a text, or anywhere in it."""
    return {row["means"]: row["words"] for row in data_rows("words_of_standing") if row["where"] == where}


# Texts of a flag that say by themselves what a row is.
_SAID = {word: words_of(words) for word, words in _words("alone").items()}
# How texts say it: the words, the form of their pattern, and what they make of a row.
_PHRASES = (
    *((rf"(?i)^\s*([(\[]\s*(?:{words})\s*[)\]])", "{}*", word) for word, words in _words("tag").items()),
    *((rf"(?i)^\s*({words})\b", "{}*", word) for word, words in _words("opening").items()),
    *((rf"(?i)\b({words})\b", "*{}*", word) for word, words in _words("anywhere").items()),
)
_ANY_PHRASE = "|".join(pattern for pattern, _, _ in _PHRASES)


def flag_columns(headings: Iterable[str]) -> list[str]:
    """Headings that say whether a row stands."""
    return [h for h in headings if _flag_of(h)]


def flag_texts(heading: str, texts: pl.Series) -> Counter[str]:
    """The texts of a flag with their rows; a day of any form is `*`, and what stands for no day is empty."""
    name = texts.name
    if (_flag_of(heading) or ("", ""))[0]:
        text = pl.col(name).fill_null("")
        none, day = text.str.contains(_NO_DAY), text.str.contains(DAY) | (text.str.len_chars() > _MOST_LETTERS)
        form = pl.when(none).then(pl.lit("")).when(day).then(pl.lit(_ANY)).otherwise(text)
        is_replaced = plain_heading(heading.rpartition(".")[2]) in _REPLACED
        if is_reversing(heading) or is_replaced or plain_heading(heading) in _BILLS | _SENT_ON:  # filled or not
            form = pl.when(none | text.str.contains("^0+$")).then(pl.lit("")).otherwise(pl.lit(_ANY))
        texts = texts.to_frame().select(form.alias(name)).to_series()
    return Counter(tally(texts.fill_null("")))


def word_of(text: str) -> str:
    """What a text that stands alone in its cell makes of a row; empty if it says nothing."""
    low = text.strip().lower()
    if said := next((word for word, texts in _SAID.items() if low in texts), ""):
        return said
    found = named(text)
    return found.word if found.is_whole and found.words else _NORTHERN.get(plain_heading(text), "")


def is_reversing(heading: str) -> bool:
    """Whether a column names the entry that a row takes back."""
    return (_flag_of(heading) or ("", ""))[0] == REVERSAL


def is_yes_or_no(text: str) -> bool:
    """Whether a text is a yes or a no."""
    return (plain_heading(text) or text.lower()) in _YES | _NO


def _flag_of(heading: str) -> tuple[str, str] | None:
    """What yes and no make of a row in a flag of this heading; empty texts for a status, None for no flag."""
    if heading in _SEEN_IN:
        return ("", "") if heading in (ITALIC, COLOURED, CALLED, COMMENT) else ("void", "completed")
    around, _, last = heading.rstrip(". ").rpartition(".")  # of a field within a field the last name
    plain = plain_heading(last)
    if plain in _FLAGS:
        return _FLAGS[plain]
    if around and (set(plain.split()) <= _BESIDE):  # `removal.at`, `void.by`
        return _flag_of(f"{around.rpartition('.')[2]} {last}")
    meant = _FLAGS.get(" ".join(word for word in plain.split() if word not in _BESIDE))
    # A work that was planned on a day may have been done since, and one that was done by someone was done.
    is_void = meant in (_FLAGS["void"], _FLAGS["reverses"])
    is_done = meant == _FLAGS["completed"] and not {"by", "von", "par", "por", "door", "da"} & set(plain.split())
    return meant if is_void or is_done else None


def text_columns(headings: Iterable[str]) -> list[str]:
    """Headings of what was done, in words."""
    return [h for h in headings if plain_heading(h) in _TEXTS and h not in LOOKS]


def phrases(texts: pl.Series) -> Counter[tuple[str, str]]:
    """Rows by pattern and what it makes of a row, of texts in which a word says that a row may not stand."""
    found: Counter[tuple[str, str]] = Counter()
    counts = texts.drop_nulls().value_counts(name="n")
    name = counts.columns[0]
    for text, n in counts.filter(pl.col(name).str.contains(_ANY_PHRASE)).iter_rows():
        for pattern, form, word in _PHRASES:
            if met := re.search(pattern, text):
                found[form.format(met.group(1).lower()), word] += n
                break
    return found


def made_of(flag: str, texts: Collection[str]) -> dict[str, str]:
    """What each text of a flag makes of a row, as far as its heading says; `planned` where nothing speaks."""
    yes, no = _flag_of(flag) or ("", "")
    if flag in (ITALIC, COLOURED):
        known = {"": "completed"}
    elif flag in (CALLED, COMMENT):
        known = {"": "completed", **{plain_heading(text): word_of(text) for text in texts if word_of(text)}}
    elif yes:
        known = {**dict.fromkeys(_YES, yes), **dict.fromkeys(_NO, no)}
    else:
        known = {text: word for word, said in _SAID.items() for text in said}
    # A tick box that is not empty is a yes: an initial or a date in `Deleted` says that it was.
    return {text: known.get(plain_heading(text) or text.lower(), (yes if text else no)) or "planned" for text in texts}


def flag_doubts(
    where: str,
    flags: Mapping[str, Counter[str]],
    *,
    told: Collection[str],
    has_status: bool = False,
    has_fee: bool = True,
) -> list[Doubt]:
    """Flags, or texts of told ones, that no field or line takes though they tell rows apart or take all back."""
    found = []
    around = {_around(heading) for heading in told}
    for heading, seen in flags.items():
        is_told_around = heading not in told and _around(heading) in around - {""}
        if is_told_around or (has_status and heading in (ITALIC, COLOURED)):
            continue  # of a field with fields of its own, `removal.at` and `removal.by`, one is enough
        if has_status and _flag_of(heading) == _FLAGS["completed"] and plain_heading(heading) not in _FLAGS:
            continue
        counts = _few(heading, seen)
        if plain_heading(heading) in _BILLS and (has_status or not 0 < 2 * counts[""] < counts.total()):
            continue  # where most rows lack it, it stands on some row of each bill
        if len(counts) > MOST_FLAGS or any(len(text) > _MOST_LETTERS for text in counts):
            continue
        made = {t: w for t, w in made_of(heading, sorted(counts)).items() if w != "completed"}
        if not made and (heading in told or len(counts) == 1):
            continue
        if len(counts) == 1 and not _is_known(heading, next(iter(counts))):
            continue
        if _flag_of(heading) == _FLAGS["planned"] and all(t == _ANY or _DECIMAL.match(t) for t in counts):
            continue  # filled on every row with a number or something else each time, it parts none: points, say
        if _ANY in made:  # what says no has to be named before it
            said = made_of(heading, sorted(counts))
            made = {t: w for t, w in said.items() if t and t != _ANY} | {_ANY: made[_ANY]}
        made = {t: "void" if w == REVERSAL and not has_fee else w for t, w in made.items()}
        around.add(_around(heading))
        named = (("filled" if text == _ANY else text or "empty", n) for text, n in commonest(counts))
        shown = ", ".join(f"{text} ({count(n, 'row')})" for text, n in named)
        means = f"each text that is no work done, and what it is; {_how(heading, told)}"
        evidence = f"{_seen_in(heading, told)} {shown}."
        found += ask(
            "status_not_read", where, evidence, of_ledger(f"status_from.{quoted(heading)} = {inline(made)}", means)
        )
    return found


def _seen_in(heading: str, told: Collection[str]) -> str:
    if heading in _SEEN_IN and heading not in told:
        return _SEEN_IN[heading]
    how = "has more texts than are told" if heading in told else "is not read"
    return f'column "{heading}" {how}, and its heading says whether a row stands:'


def _around(heading: str) -> str:
    """The field that a day, a hand or a reason is a field of; empty for any other."""
    around, _, last = heading.rpartition(".")
    return around if set(plain_heading(last).split()) <= _BESIDE else ""


_SEEN_IN = {
    STRUCK: "cells are struck through, so that some rows may have been taken back:",
    HIDDEN: "rows are hidden, so that they may have been taken out, or only filtered away:",
    CALLED: "rows of the page have a class or a like word that it does not show, and that says whether they stand:",
    COMMENT: "comments on cells say of rows whether they stand:",
    ITALIC: "some rows are in italics, which may say whether they were done (a legend may tell):",
    COLOURED: "some rows are of a colour of their own, which may say whether they were done (a legend may tell):",
}


def _few(heading: str, counts: Counter[str]) -> Counter[str]:
    """The texts of a yes-or-no flag, with those beyond a dozen as one: whatever stands there is a yes."""
    if len(counts) <= MOST_FLAGS or not (_flag_of(heading) or ("", ""))[0]:
        return counts
    plain = _YES | _NO | {""}
    few: Counter[str] = Counter()
    for text, n in counts.items():
        few[text if text.lower() in plain or plain_heading(text) in plain - {""} else _ANY] += n
    return few


def _is_known(heading: str, text: str) -> bool:
    """Whether a text that all rows have says by itself that none of them is work done."""
    if (_flag_of(heading) or ("", ""))[0]:
        return True
    return any(text.lower() in said for word, said in _SAID.items() if word != "completed")


def phrase_doubts(where: str, found: Mapping[str, Counter[tuple[str, str]]], *, told: Collection[str]) -> list[Doubt]:
    """Texts in which words say that a row may not stand, but for words that are told."""
    doubts = []
    for heading, counts in found.items():
        if not counts:
            continue
        listed = commonest(counts)
        shown, made = patterns_in_rows(listed), dict(mark for mark, _ in listed)
        evidence = f'words in the column "{heading}" say of rows that they may be no work done: {shown}.'
        doubts += ask("status_in_text", where, evidence, status_from(heading, made, _how(heading, told)))
    return doubts


def status_of(marks: Sequence[tuple[str, str, str]], status: pl.Expr) -> pl.Expr:
    """The status: the word of the first mark that a row bears, else the text of its own column.

    `marks` are (name of the column with the texts, pattern, word). A pattern is the whole text, `text*` its start,
    `*text` its end or `*text*` a part of it, in any case; `*` alone is whatever stands there, and an empty
    pattern an empty cell. `[*]` is an asterisk itself, `[a-z]` a text all of whose letters are small.
    """
    found = status
    for column, pattern, word in reversed(marks):
        said = "completed" if word == REVERSAL else word
        found = pl.when(matches(pl.col(column), pattern)).then(pl.lit(said)).otherwise(found)
    return found


def is_small(text: pl.Expr) -> pl.Expr:
    """Whether a text has letters and all of them are small."""
    return text.str.contains(r"\p{Ll}") & ~text.str.contains(r"\p{Lu}")


def pattern_doubts(met: Counter[tuple[str, str]], told: Mapping[str, Mapping[str, str]], rows: int) -> list[Doubt]:
    """Columns none of whose patterns is `met` by a cell, and patterns that take nearly all rows out."""
    doubts: list[Doubt] = []
    for heading, made in told.items():
        counts = {pattern: met[heading, pattern] for pattern in made if (heading, pattern) in met}
        all_out = [p for p, n in counts.items() if made[p] not in (COMPLETED, REVERSAL) and n > _NEARLY_ALL * rows]
        if not counts or (any(counts.values()) and not all_out):
            continue
        listed = ", ".join(quoted(p) for p in all_out or counts)
        doubts += ask(
            "words_not_met",
            "procedures",
            f"status_from.{quoted(heading)} names {listed}, and "
            + ("nearly all rows are so: next to no work is left." if all_out else "no cell of that column is so."),
        )
    return doubts


def matches(text: pl.Expr, pattern: str) -> pl.Expr:
    """Whether a text is of a pattern; see `status_of`."""
    if pattern == SMALL_LETTERS:
        return is_small(text).fill_null(False)
    # `[*]` is an asterisk itself.
    pattern = pattern.replace("[*]", "\0")
    plain = pattern.strip("*").replace("\0", "*").lower()
    low = text.fill_null("").str.strip_chars().str.to_lowercase()
    if pattern == _ANY:
        return ~low.str.contains(_NO_DAY)
    if pattern.startswith("*") and pattern.endswith("*") and len(pattern) > 1:
        return low.str.contains(rf"(?:^|[^\p{{L}}]){re.escape(plain)}(?:$|[^\p{{L}}])")
    if pattern.endswith("*"):
        return low.str.starts_with(plain)
    if pattern.startswith("*"):
        return low.str.ends_with(plain)
    return low == plain


def _how(heading: str, told: Collection[str]) -> str:
    return "correct the words, and add these to the line that is there" if heading in told else "correct the words"
