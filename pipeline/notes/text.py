"""A chart note as tokens and sentences, with every position that of the text as written."""

import re
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from operator import attrgetter


def words_of(text: str) -> frozenset[str]:
    """The words of a line of words, each once."""
    return frozenset(text.split())


# Signs that are written in several ways, each for one of the same length, so that positions stay.
_SIGNS = str.maketrans(
    {"–": "-", "—": "-", "−": "-", "‑": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "\u00a0": " ", "\t": " ",
     "\u202f": " ", "\u2009": " ", "æ": "e", "×": "x", "\r": "\n", "·": "."}
)  # fmt: skip
_TOKEN = re.compile(
    r"(?:c&s|c/s|w/out|w/o|c/o|h/o|s/p|r/o|b/u|f/u|w/|n/v|p/a)(?![a-z])|[a-z]+(?:'[a-z]+)?(?:\d(?!\d|\.\d))?|"
    r"\d+(?:st|nd|rd|th)(?![a-z])|\d+(?:[.,]\d+)?|[.]\d+|[^\s\w]|\w"
)
# A point after one of these ends no sentence; after one of the second list, where no capital follows.
_SHORT = words_of(
    "dx tx hx rx fx px w approx dr prev irrig perc palp obt obtur incl appt rt mand vs resp prelim apic diag irrev "
    "symp sympt asymp asympt sep radiog lat avg est conc"
)
_MAYBE_SHORT = words_of("no instr inst max ant rad perio cem vert cond rev hypo mo yr rest comp temp amal imp")
_END = frozenset(".;!?|\n")
# Tokens; what goes on for longer is cut, so that reading takes a time that grows with the length of a note alone.
_LONGEST_SENTENCE = 150
_PARTS_OF_LINE = 3
_BOX = re.compile(r"\[[ x]?\]|\( \)")
_LEFT_EMPTY = re.compile(r"(?:\[ ?\]|\( \))[^\[(|\n.;]*")
_TICKED = re.compile(r"\[x\]|\(x\)")
_ANSWERED = re.compile(r"\?(?= {0,2}(?:yes|no|none|nil|y|n|[1-6])\b)")
_UNITS = {
    w: str(n) for n, w in enumerate(["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"])
} | {"oh": "0"}
_FROM_TEN = ("ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen",
             "nineteen")  # fmt: skip
_TEENS = {w: str(n) for n, w in enumerate(_FROM_TEN, 10)}
_TENS = {
    w: str(10 * n)
    for n, w in enumerate(["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"], 2)
}
_NUMBERS = frozenset(
    (*_TEENS, *_TENS, "percent", "millimeter", "millimeters", "mm", "point", "tooth", "number", "half")
)
_MEASURED = words_of("percent % mm millimeter millimeters millimetre millimetres point and")
_NUMBERED = words_of("tooth number crown pai of size rct mb")


def numbers_in_words(words: list[str]) -> dict[int, str]:
    """Numbers that are said in words, as digits at their first word and nothing at the others.

    One to nine alone are taken for numbers only beside a measure or after "tooth", "number" and the like.
    """
    if _NUMBERS.isdisjoint(words):
        return {}
    found: dict[int, str] = {}
    n, place = len(words), 0
    while place < n:
        word = words[place]
        nxt = words[place + 1] if place + 1 < n else ""
        length, value = 1, ""
        if word in _TENS:
            value = _TENS[word]
            if nxt in _UNITS and nxt not in ("zero", "oh"):
                value, length = str(int(value) + int(_UNITS[nxt])), 2
        elif word in _TEENS:
            value = _TEENS[word]
        elif word in _UNITS and (nxt in _MEASURED or (place and words[place - 1] in _NUMBERED)):
            value = _UNITS[word]
        if value:
            rest = words[place + length : place + length + 3]
            if rest[:1] == ["point"] and len(rest) > 1 and rest[1] in _UNITS:
                value, length = f"{value}.{_UNITS[rest[1]]}", length + 2
                if len(rest) > 2 and rest[2] in _UNITS:
                    value, length = f"{value}{_UNITS[rest[2]]}", length + 1
            elif rest in (["and", "a", "half"], ["and", "one", "half"], ["and", "a", "quarter"]):
                value, length = value + (".25" if rest[2] == "quarter" else ".5"), length + 3
            elif rest[:2] and rest[0] == "oh" and len(rest) > 1 and rest[1] in _UNITS:
                value, length = f"{value}/.0{_UNITS[rest[1]]}", length + 2
            if nxt != "and" or length > 1 or word not in _UNITS:
                found |= {place: value} | dict.fromkeys(range(place + 1, place + length), "")
        place += length
    return found


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
    """A note's text in lower case and its tokens; `repair` puts slips of the pen right (see `vocabulary.Repairs`).

    `clean` is the text in small letters with these put right, for what is looked for in texts and not in words.
    """

    def __init__(self, text: str, repair: Mapping[str, str]) -> None:
        self.written = text
        self.lower = _lowered(text)
        self.tokens: list[Token] = []
        self.words: list[str] = []
        self._clean_starts: list[int] = []  # where each token begins in `clean`
        for m in _TOKEN.finditer(self.lower):
            word, start = m.group(), m.start()
            if word == "-":
                if _joins(self.lower, start):
                    continue
                if _parts_name_and_value(self.lower, start):
                    word = ":"
            meant = "w/o" if word == "w/out" else repair.get(word, word)
            self.tokens.append(Token(meant, start, m.end()))
            self.words.append(meant)
        if joined := getattr(repair, "joined", None):
            self._join(joined(self.words))
        self.clean = self._cleaned()

    def _join(self, runs: list[tuple[int, int, str]]) -> None:
        """Runs of tokens that were one word when it was said: "pulp itis", "a pickle" for apical."""
        for first, last, word in reversed(runs):
            if "\n" not in self.lower[self.tokens[first].start : self.tokens[last - 1].end]:
                self.tokens[first:last] = [Token(word, self.tokens[first].start, self.tokens[last - 1].end)]
                self.words[first:last] = [word]

    def _cleaned(self) -> str:
        """The text with repaired words, and numbers in words as digits; notes where each token begins in it."""
        told = numbers_in_words(self.words)
        pieces: list[str] = []
        done = length = 0
        for place, token in enumerate(self.tokens):
            between = _squeezed(self.lower[done : token.start])
            word = token.word
            if told and place in told:
                word = told[place]
                between = between if word or place == 0 else ""
            pieces += (between, word)
            length += len(between)
            self._clean_starts.append(length)
            length += len(word)
            done = token.end
        pieces.append(_squeezed(self.lower[done:]))
        return "".join(pieces)

    def clean_token_at(self, position: int) -> int:
        """The token that stands at or after a position of `clean`."""
        place = bisect_right(self._clean_starts, position) - 1
        if place < 0:
            return 0
        end = self._clean_starts[place + 1] if place + 1 < len(self.words) else len(self.clean)
        inside = position < self._clean_starts[place] + max(len(self.words[place]), 1) or position < end - 1
        return place if inside or place + 1 == len(self.words) else place + 1

    def clean_span(self, first: int, last: int) -> str:
        """The text of `clean` from one token up to another."""
        end = self._clean_starts[last] if last < len(self.tokens) else len(self.clean)
        return self.clean[self._clean_starts[first] : end].rstrip()

    def as_written(self, start: int, end: int) -> tuple[int, int]:
        """Where a stretch of `clean` stands in the text as written."""
        first = self.clean_token_at(start)
        last = max(first, bisect_right(self._clean_starts, max(start, end - 1)) - 1)
        return self.tokens[first].start, self.tokens[last].end

    @cached_property
    def word_set(self) -> frozenset[str]:
        """Each word once."""
        return frozenset(self.words)

    @cached_property
    def sentences(self) -> list[Sentence]:
        """The note's sentences: up to a point, semicolon, exclamation, question mark, bar or the end of a line."""
        found, first, line_start = [], 0, True
        tokens, text = self.tokens, self.lower
        for place, token in enumerate(tokens):
            if place > first and "\n" in text[tokens[place - 1].end : token.start]:
                found.append(Sentence(first, place, line_start))
                first, line_start = place, True
            if token.word == "/" and self._parts(token):
                found.append(Sentence(first, place + 1, line_start))
                first, line_start = place + 1, False
                continue
            asks = token.word == "?" and text[token.end : token.end + 1].isalpha()  # "?fracture": of what follows
            if (
                token.word in _END and not asks and not self._short_before(place)
            ) or place - first >= _LONGEST_SENTENCE:
                found.append(Sentence(first, place + 1, line_start))
                ahead = tokens[place + 1].start if place + 1 < len(tokens) else len(text)
                first, line_start = place + 1, "\n" in text[token.end : ahead]
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
        return min(bisect_right(self.tokens, position, key=attrgetter("end")), len(self.tokens) - 1)

    def _parts(self, token: Token) -> bool:
        """Whether a stroke between blanks parts what is said, as it does where a line has several."""
        text = self.lower
        if text[token.start - 1 : token.end + 1] != " / ":
            return False
        begin, end = text.rfind("\n", 0, token.start) + 1, text.find("\n", token.end)
        return text.count(" / ", begin, end if end >= 0 else len(text)) >= _PARTS_OF_LINE

    def _short_before(self, place: int) -> bool:
        if self.tokens[place].word != "." or place == 0:
            return False
        before = self.tokens[place - 1]
        if before.end != self.tokens[place].start:
            return False
        following = self.written[self.tokens[place].end :].lstrip()[:1] if before.word in _MAYBE_SHORT else ""
        if before.word == "no":
            return following.isdigit()
        return before.word in _SHORT or following.islower() or following.isdigit()


def _squeezed(between: str) -> str:
    """Blanks as one: patterns that pass over them would else try each length of a long run."""
    if len(between) < 4 or not between.isspace():
        return between
    return "\n" if "\n" in between else " "


def _lowered(text: str) -> str:
    plain = text.translate(_SIGNS)
    low = plain.lower()
    # A few capitals have small forms of two characters: those texts are put into small letters one by one.
    if len(low) != len(text):
        low = "".join(c.lower() if len(c.lower()) == 1 else c for c in plain)
    return _as_told(low)


def _as_told(text: str) -> str:
    """A form as what was chosen in it: boxes left empty go with their words, "symptoms? none" is an answer.

    Every letter keeps its place.
    """
    if _BOX.search(text):
        text = _LEFT_EMPTY.sub(lambda m: " " * len(m[0]), text)
        text = _TICKED.sub(lambda m: " : " if not text[: m.start()].rstrip().endswith(":") else "   ", text)
    return _ANSWERED.sub(":", text) if "?" in text else text


def _parts_name_and_value(text: str, place: int) -> bool:
    """Whether a dash between blanks stands for a colon: "sealer - epoxy resin"; after a test it says negative."""
    before, after = text[max(0, place - 12) : place].rstrip(), text[place + 1 : place + 3]
    blanks = text[place - 1 : place] == " " and after[:1] == " "
    return (
        blanks
        and after[1:2].isalnum()
        and not before.endswith(("perc", "palp", "percussion", "palpation", "ttp", "cold"))
    )


def _joins(text: str, place: int) -> bool:
    """Whether a hyphen joins two words: then it is none of its own, unlike the sign of a negative test."""
    return 0 < place < len(text) - 1 and text[place - 1].isalnum() and text[place + 1].isalnum()
