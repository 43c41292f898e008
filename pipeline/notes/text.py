"""A chart note as tokens and sentences, with every position that of the text as written."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

# Signs that are written in several ways, each for one of the same length, so that positions stay.
_SIGNS = str.maketrans(
    {"–": "-", "—": "-", "−": "-", "‑": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "\u00a0": " ", "\t": " ",
     "\u202f": " ", "\u2009": " ", "æ": "e", "×": "x", "\r": "\n", "·": "."}
)  # fmt: skip
_TOKEN = re.compile(
    r"(?:w/o|c/o|h/o|s/p|r/o|b/u|f/u|w/|n/v|p/a)(?![a-z])|[a-z]+(?:'[a-z]+)?(?:\d(?![\d.]))?|"
    r"\d+(?:[.,]\d+)?|[.]\d+|[^\s\w]|\w"
)
# A point after one of these ends no sentence; after one of the second list, where no capital follows.
_SHORT = frozenset(
    "dx tx hx rx fx px w approx dr prev irrig perc palp obt obtur instr incl appt rt mand vs resp prelim apic diag irrev "
    "symp sympt asymp asympt sep radiog lat avg est conc".split()
)
_MAYBE_SHORT = frozenset(
    "no temp inst pt max min ca rest prep pulp sol sol symptom rad hypo perio rev cond vert cem mat vit mo yr ant post "
    "med sens mm min sec".split()
)
_END = frozenset(".;!?\n")


@dataclass(frozen=True, slots=True)
class Token:
    """One word, number or sign: its normal form and where it stands."""

    word: str
    start: int
    end: int


@dataclass(frozen=True)
class Sentence:
    """A run of tokens from `first` up to, not including, `last`; `line_start` where it begins a line."""

    first: int
    last: int
    line_start: bool


class Note:
    """A note's text in lower case and its tokens; `repair` puts slips of the pen right (see `vocabulary.repairs`)."""

    def __init__(self, text: str, repair: Mapping[str, str]) -> None:
        self.written = text
        self.lower = _lowered(text)
        self.tokens = [
            Token(repair.get(word := m.group(), word), m.start(), m.end())
            for m in _TOKEN.finditer(self.lower)
            if not (m.group() == "-" and _joins(self.lower, m.start()))
        ]
        self.words = [t.word for t in self.tokens]

    @cached_property
    def word_set(self) -> frozenset[str]:
        """Each word once."""
        return frozenset(self.words)

    @cached_property
    def sentences(self) -> list[Sentence]:
        """The note's sentences: up to a point, semicolon, exclamation, question mark or the end of a line."""
        found, first, line_start = [], 0, True
        tokens, text = self.tokens, self.lower
        for place, token in enumerate(tokens):
            if place > first and "\n" in text[tokens[place - 1].end : token.start]:
                found.append(Sentence(first, place, line_start))
                first, line_start = place, True
            if token.word in _END and not self._short_before(place):
                found.append(Sentence(first, place + 1, line_start))
                first, line_start = place + 1, "\n" in text[token.end : _next_start(tokens, place, len(text))]
        if first < len(tokens):
            found.append(Sentence(first, len(tokens), line_start))
        return found

    @cached_property
    def sentence_at(self) -> list[int]:
        """The number of each token's sentence."""
        out = [0] * len(self.tokens)
        for number, s in enumerate(self.sentences):
            out[s.first : s.last] = [number] * (s.last - s.first)
        return out

    def token_at(self, position: int) -> int:
        """The token that stands at or after a position of the text."""
        low, high = 0, len(self.tokens)
        while low < high:
            middle = (low + high) // 2
            if self.tokens[middle].end <= position:
                low = middle + 1
            else:
                high = middle
        return min(low, len(self.tokens) - 1)

    def _short_before(self, place: int) -> bool:
        if self.tokens[place].word != "." or place == 0:
            return False
        before = self.tokens[place - 1]
        if before.end != self.tokens[place].start:
            return False
        following = self.written[self.tokens[place].end :].lstrip()[:1] if before.word in _MAYBE_SHORT else ""
        return before.word in _SHORT or following.islower() or following.isdigit()


def _next_start(tokens: list[Token], place: int, end: int) -> int:
    return tokens[place + 1].start if place + 1 < len(tokens) else end


def _lowered(text: str) -> str:
    plain = text.translate(_SIGNS)
    low = plain.lower()
    # A few capitals have small forms of two characters: those texts are put into small letters one by one.
    return low if len(low) == len(text) else "".join(c.lower() if len(c.lower()) == 1 else c for c in plain)


def _joins(text: str, place: int) -> bool:
    """Whether a hyphen joins two words: then it is none of its own, unlike the sign of a negative test."""
    return 0 < place < len(text) - 1 and text[place - 1].isalnum() and text[place + 1].isalnum()
