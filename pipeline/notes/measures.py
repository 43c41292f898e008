"""What the readers share: a value read and one of a note, numbers and units; and which of several values counts."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

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


RATIO = "naocl_ratio"
# Where two values stand, the earlier in the list counts: what says more, or what came of it.
_FIRST_OF: dict[str, tuple[str, ...]] = {
    "separated_instrument": ("removed", "bypassed", "after_cleaning", "before_cleaning"),
    "instrumentation": ("hybrid", "reciprocating", "rotary_single_file", "rotary_sequence", "hand"),
    "pulpal_diagnosis": (
        "symptomatic_irreversible_pulpitis",
        "asymptomatic_irreversible_pulpitis",
        "previously_treated",
        "previously_initiated",
        "irreversible_pulpitis",
    ),
    "apical_diagnosis": (
        "symptomatic_apical_periodontitis",
        "asymptomatic_apical_periodontitis",
        "acute_apical_abscess",
        "chronic_apical_abscess",
        "apical_periodontitis",
    ),
    "pulp_status_at_prep": ("root_filled", "hyperemic", "necrotic", "normal"),
    "irrigant_activation": ("true", "false"),
    "symptomatic": ("true", "false"),
}
# A general word beside the particular one says nothing more.
_GENERAL = {
    "irreversible_pulpitis": ("symptomatic_irreversible_pulpitis", "asymptomatic_irreversible_pulpitis"),
    "apical_periodontitis": ("symptomatic_apical_periodontitis", "asymptomatic_apical_periodontitis"),
    "normal": ("hyperemic",),  # "vital; mild hyperemia"
    "necrotic": ("root_filled",),  # "non-vital, RCT done"
}
_LATEST = frozenset({"pai", "rubber_dam"})
# One of these before another is no contradiction: it is what the list puts first.
_NO_QUARREL = frozenset({"separated_instrument", "instrumentation", "irrigant_activation"})


def settle(values: Sequence[NoteValue]) -> list[NoteValue]:
    """Each field of each tooth once; the unsure value of a field with a sure one is left out."""
    groups: dict[tuple[int | None, str], list[NoteValue]] = {}
    for v in values:
        groups.setdefault((v.tooth, v.field), []).append(v)
    return [found for of_field in groups.values() if (found := _one(of_field)) is not None]


def _one(values: list[NoteValue]) -> NoteValue | None:
    field = values[0].field
    if field == "separated_instrument":
        return _separated(values)
    sure = [v for v in values if v.sure]
    pool = sure or values
    told = {v.value for v in pool}
    told -= {general for general, better in _GENERAL.items() if general in told and told & set(better)}
    pool = [v for v in pool if v.value in told]
    if len(told) == 1:
        return pool[0]
    if field == "crown_in_place":
        return replace(pool[-1], sure=pool[-1].value == "true")  # it came off, and was put back
    if field in ("length_short_of_apex_mm", "visits", "master_apical_size_iso", "canals", "preop_pai"):
        return _heaviest(pool)
    if field in _LATEST:
        return pool[-1] if field == "pai" else replace(pool[-1], sure=False)
    if order := _FIRST_OF.get(field):
        best = min(pool, key=lambda v: order.index(v.value) if v.value in order else len(order))
        return best if field in _NO_QUARREL else replace(best, sure=False)
    return replace(pool[-1], sure=False)


def _heaviest(pool: list[NoteValue]) -> NoteValue:
    heavy = [v for v in pool if v.rule in ("visits", "apical_size", "pai")] or pool
    if len({v.value for v in heavy}) == 1:
        return heavy[0]
    return replace(max(heavy, key=lambda v: float(v.value or 0)), sure=False)


def _separated(values: list[NoteValue]) -> NoteValue | None:
    """What became of a separated file goes before when it did; that one separated, without more, is to be asked."""
    happened = [v for v in values if v.value is None]
    fates = [v for v in values if v.value not in (None, "none")]
    none = [v for v in values if v.value == "none"]
    order = _FIRST_OF["separated_instrument"]
    if none and not happened and {v.value for v in fates} <= {"after_cleaning", "before_cleaning"}:
        return none[0]  # "canals shaped, no file separated": nothing happened that had a time
    if fates:
        best = min(fates, key=lambda v: order.index(v.value or ""))
        return replace(best, sure=best.sure and (bool(happened) or "sep" in best.rule))
    return happened[0]
