"""What the readers share: a value read and one of a note, numbers in digits and words, and their units."""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipeline.notes.text import Note

COUNTS = {"one": 1, "single": 1, "two": 2, "three": 3, "four": 4, "five": 5, "1st": 1, "2nd": 2, "3rd": 3, "4th": 4,
           "first": 1, "second": 2, "third": 3, "fourth": 4, "fifth": 5, "5th": 5,
           "half": 0.5, "1/2": 0.5, "quarter": 0.25,
           "zero": 0}  # fmt: skip

NUMBER = r"(?:\d{1,2}(?:[.,]\d{1,2})?|[.]\d{1,2})"

PERCENT = r"\s*(?:%|percent|per\s?cent|pct)"
MM = r"\s*-?\s*(?:mm|millimet\w+|mil+s?)\b"
CANAL = r"(?:mb-?[12]?|ml|mm|db|dl|pal(?:atal)?|ling(?:ual)?|buc(?:cal)?|dist(?:al)?|mesial|m|d|b|l|p)"
CANAL_WORD = r"(?:mb-?[12]?|ml|db|dl|palatal|pal|lingual|buccal|distal|mesial|p|d|b|l)"


@dataclass(frozen=True, slots=True)
class Read:
    """A value read and the words that say it; `weight` tells which of several of one field goes first."""

    field: str
    value: str
    start: int
    end: int
    sure: bool
    rule: str
    weight: int = 0

    @classmethod
    def of(cls, field: str, value: str, words: re.Match[str], sure: bool, rule: str, *, weight: int = 0) -> Read:
        """What words that were found say."""
        return cls(field, value, words.start(), words.end(), sure, rule, weight)


@dataclass(frozen=True, slots=True)
class NoteValue:
    """One value of one note. `tooth` None where neither text nor row names one; `tooth_from` says who does."""

    table: str
    field: str
    value: str | None
    sure: bool
    evidence: str
    start: int
    end: int
    rule: str
    tooth: int | None
    tooth_from: str


def on_one_line(pattern: str) -> re.Pattern[str]:
    """A pattern whose blanks are none of the ends of lines: a number and its unit, name and value stand on one line."""
    return re.compile(pattern.replace(r"\s", r"[^\S\n]"))


def plain(value: float) -> str:
    """A number as short as it can be written: 2.5, 6."""
    return f"{value:g}"


def sentence_text(note: Note, position: int) -> str:
    """The sentence in which a position of `clean` lies."""
    s = note.sentences[note.sentence_at[note.clean_token_at(position)]]
    return note.clean_span(s.first, s.last)


def number(text: str) -> float:
    """A number in digits or as a word; a comma is a point."""
    text = re.sub(r"\s+an?$", "", text.strip())
    if text.startswith("one") and "half" in text:
        return 0.5
    return float(COUNTS[text]) if text in COUNTS else float(text.replace(",", "."))
