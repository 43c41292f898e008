"""Marks of standing behind a value: `D2740-P`, tooth `18p`, fee `1290.00 DEL`, patient `#1001` beside `1001`. Such a
cell is read as its value, so the mark is asked about, and taken off once PRACTICE.toml says what it makes of a row.
Letters and words are of the trade, from memory: common practice, no source."""

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence

import polars as pl

from pipeline.practice.counts import count
from pipeline.reading.doubts.doubt import Doubt, ask, commonest, samples, status_from
from pipeline.reading.doubts.standing import word_of
from pipeline.transforms.code_cells import is_denied

SIGNS = "#*!~†"
_SIGN = f"[{re.escape(SIGNS)}]"
# Before the number of a patient: letters of a numbering, or what says that a row was taken back.
LETTERS_BEFORE = r"^\p{L}{1,6}[\s._-]*"
# Behind it, a sign to check it.
ENDING = r"[._/-][0-9A-Za-z]$"
# The only number of a text, and a number made of the day of birth with its century.
NUMBER_IN_TEXT = r"^\D*?(\d{2,})\D*$"
CENTURY = r"^(?:19|20)(\d{6}[-+]?\p{L}?\d{3,4})$"
SIGNS_WITHIN = r"^(\d{3,})[./-](\d{2,})$"  # a sign between two parts of a number: `560312/1234`
TAKEN_BACK = r"(?i)^\s*(//+|--+|;+|'+|x[\s._-]+|xx+[\s._-]*|del(?:eted)?[\s._-]*|void(?:ed)?[\s._-]*|rem\s+)\d"
_TAKEN_BACK_BEHIND = r"(?i)\d\s*([\s._-]+x|[\s._(-]+del(?:eted)?\)?|[\s._(-]+void(?:ed)?\)?)\s*$"
_BLANK = r"^[\s\x1c-\x1f]|[\s\x1c-\x1f]$"
_VALUES = {"code": r"^[A-Za-z]?\d{4,5}", "tooth": r"^#?\d{1,2}", "fee": r"^[\s$€£]*[-(]?\d[\d.,' ]*\d\)?"}
_MARK = re.compile(r"^[\s\-_./:(\[]*([A-Za-z][A-Za-z ]{0,19}|[*#†])[)\]]?$")
_MAY_BE_MARKED = r"\d.*[A-Za-z*#†][)\]]?\s*$"
_SURFACES = frozenset("modblfipvgc")
# Letters behind a tooth that may be a surface, or behind a fee a currency or a tax, are no marks there.
_NO_MARKS = {"code": frozenset(), "tooth": frozenset({"d", "v"}), "fee": frozenset({"tx", "ex", "ec", "eo"})}
_SHORT = {"est": "planned", "txp": "planned", "tpl": "planned", "pln": "planned", "vd": "void", "cxl": "void"}


def marked(texts: pl.Series, field: str, *, known: Collection[str] = ()) -> Counter[tuple[str, str]]:
    """Rows by pattern of `status_from` and what the mark says, of a tooth also surfaces; `known` codes have no mark."""
    found: Counter[tuple[str, str]] = Counter()
    text, codes = pl.col(texts.name), frozenset(known)
    counts = texts.drop_nulls().value_counts(name="n").filter(text.str.contains(_MAY_BE_MARKED))
    for cell, n in counts.iter_rows():
        bare = cell.strip()
        if (value := re.match(_VALUES[field], bare)) is None or bare.upper() in codes:
            continue
        tail = bare[value.end() :]
        if field == "code" and (is_denied(bare) or not {value[0].upper(), f"D{value[0]}"} & codes):
            continue
        if (mark := _MARK.match(tail)) is None:
            continue
        word = _says(mark[1].strip().lower(), field)
        if word or field == "tooth":
            found["*" + tail.lower().replace("*", "[*]"), word] += n
    return found


def _says(mark: str, field: str) -> str:
    if mark in "*#†" and field == "code":
        return "void"
    if mark in _NO_MARKS[field] or (field == "fee" and len(mark) < 2):
        return ""
    return _SHORT.get(mark) or word_of(mark)


def mark_doubts(where: str, found: Mapping[tuple[str, str], Counter[tuple[str, str]]]) -> list[Doubt]:
    """Marks that may say that a row is no work done; `found` is by field and heading."""
    doubts: list[Doubt] = []
    for (field, heading), counts in found.items():
        asked = {mark: n for mark, n in counts.items() if mark[1] not in ("", "completed")}
        if field == "tooth" and any(not word and _is_surfaces(form) for form, word in counts):
            asked = {mark: n for mark, n in asked.items() if not _is_surfaces(mark[0])}
        if not asked:
            continue
        forms = ((form.replace("[*]", "†").replace("*", "…"), n) for (form, _), n in commonest(asked))
        shown = ", ".join(f"{form} ({count(n, 'row')})" for form, n in forms).replace("†", "*")
        # The longest first: of `*-del` the end is that of `*l` too.
        made = sorted(asked, key=lambda mark: (-len(mark[0]), mark))
        doubts += _ask(where, heading, f"cells end in what may say whether work was done: {shown}", made)
    return doubts


def signed_ids(where: str, heading: str, ids: pl.Series) -> list[Doubt]:
    """Patient numbers with a sign before or behind them that stand without it too; `ids` are distinct."""
    signed = ids.filter(ids.str.contains(rf"^{_SIGN}\s*[^\s]|[^\s]\s*{_SIGN}$"))
    if not signed.len():
        return _taken_back(where, heading, ids)
    both = signed.filter(without_signs(signed).is_in(ids.implode()))
    if not both.len():
        return []
    begin = sorted({text[0] for text in both if text[0] in SIGNS})
    end = sorted({text[-1] for text in both if text[-1] in SIGNS and text[0] not in SIGNS})
    made = [(f"{_literal(sign)}*", "void") for sign in begin] + [(f"*{_literal(sign)}", "void") for sign in end]
    seen = f"{both.len():,} patient numbers stand with a sign and without it too (such as {samples(both)})"
    return _ask(where, heading, seen, made)


def _taken_back(where: str, heading: str, ids: pl.Series) -> list[Doubt]:
    """Patient numbers with a word or signs that take a row back, which stand without it too."""
    may_be = ids.str.contains(rf"{TAKEN_BACK}|{_TAKEN_BACK_BEHIND}|{_BLANK}")
    before, behind = pl.col("id").str.extract(TAKEN_BACK), pl.col("id").str.extract(_TAKEN_BACK_BEHIND)
    frame = ids.filter(may_be).to_frame("id").select("id", before=before, behind=behind)
    bare = [text.removeprefix(first or "").removesuffix(last or "").strip() for text, first, last in frame.iter_rows()]
    frame = frame.with_columns(pl.Series("bare", bare, dtype=pl.String))
    both = frame.filter((pl.col("bare") != pl.col("id")) & pl.col("bare").is_in(ids.implode()))
    if not both.height:
        return []
    made = [(f"{text.lower()}*", "void") for text in sorted(set(both["before"].drop_nulls()))]
    made += [(f"*{text.lower()}", "void") for text in sorted(set(both["behind"].drop_nulls()))]
    seen = f"{both.height:,} patient numbers stand with a mark and without it too (such as {samples(both['id'])})"
    return _ask(where, heading, seen, made)


def without_signs(ids: pl.Series) -> pl.Series:
    """Patient numbers without a sign before or behind them."""
    return ids.to_frame("id").select(unsigned(pl.col("id"))).to_series()


def unsigned(text: pl.Expr) -> pl.Expr:
    """A number without a sign before or behind it."""
    return text.str.replace(rf"^{_SIGN}+\s*(\S)", "${1}").str.replace(rf"(\S)\s*{_SIGN}+$", "${1}")


def without_marks(text: pl.Expr, patterns: Sequence[str]) -> pl.Expr:
    """Cells without the marks that PRACTICE.toml names: what stands behind a number, or a sign before one."""
    for pattern in patterns:
        if re.fullmatch(r"\*(?:\[\*\]|[^*\d])+", pattern):
            tail = re.escape(pattern[1:].replace("[*]", "*").strip())
            text = text.str.replace(rf"(?i)(\d\)?)\s*{tail}\s*$", "${1}")
        elif re.fullmatch(r"(?:\[\*\]|[^*\d])+\*", pattern):
            head = re.escape(pattern[:-1].replace("[*]", "*").strip())
            text = text.str.replace(rf"(?i)^\s*{head}\s*([\p{{L}}\d])", "${1}")
    return text


def _is_surfaces(form: str) -> bool:
    letters = [c for c in form.lower() if c.isalpha()]
    return bool(letters) and set(letters) <= _SURFACES


def _literal(sign: str) -> str:
    return "[*]" if sign == "*" else sign


def _ask(where: str, heading: str, seen: str, made: Sequence[tuple[str, str]]) -> list[Doubt]:
    return ask(
        "status_in_text.mark",
        where,
        f'column "{heading}": {seen}.',
        status_from(
            heading, dict(made), "correct the words; the cell is then read without the mark. [*] is an asterisk itself"
        ),
    )
