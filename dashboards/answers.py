"""What a page opens with, its answers, at most 120 words of them and one picture; and what it has said already."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dashboards import terms
from dashboards.theme import Chart

MOST_WORDS = 120
FEWEST_WORDS = 6  # of a sentence that stands once; a shorter one may come again: `See the table.`
_WORD = re.compile(r"[^\s]*\w[^\s]*")
_END = re.compile(r"(?<=[.!?])\s+(?=[A-Z“‘])")  # of a sentence; numbers with a point in them end none


@dataclass(frozen=True)
class Answer:
    """One answer: the finding in a sentence.

    `asked` is the question in a few words, `link` where it is answered in full (a page, or a place on this one),
    `code` the verdict, which is shown as a word in a frame of its own shape.
    """

    says: str
    asked: str = ""
    link: str = ""
    code: str = ""


@dataclass(frozen=True)
class Answers:
    """The answers of a page, in the order in which they are asked, and the one picture beside them."""

    given: tuple[Answer, ...]
    picture: Chart | None = None
    caption: str = ""
    notes: tuple[str, ...] = ()  # what a reader must know before reading on; it counts as words of the answers


def words(text: str) -> int:
    """How many words a text has, as a reader counts them."""
    return len(_WORD.findall(text))


def length(answer: Answer) -> int:
    """How many words an answer has, with the word of its verdict and the link to what is behind it."""
    told = terms.verdict(answer.code) if answer.code else ""
    return words(f"{answer.asked} {told} {answer.says}") + bool(answer.link and not answer.asked)


def first_sentence(text: str) -> str:
    """The first sentence of a text, whole."""
    return _END.split(text, maxsplit=1)[0]


def sentences(text: str) -> list[str]:
    """The sentences of a text, each whole."""
    return [s for s in _END.split(text.strip()) if s]


def kept(given: Sequence[Answer], *, most: int = MOST_WORDS) -> tuple[Answer, ...]:
    """The first of these answers that together are no longer than may stand above the fold; at least one."""
    found: list[Answer] = []
    for answer in given:
        if found and sum(length(a) for a in (*found, answer)) > most:
            break
        found.append(answer)
    return tuple(found)


class Said:
    """The sentences of one page so far: one that several findings share stands on it once."""

    def __init__(self) -> None:
        self._met: set[str] = set()

    def fresh(self, text: str) -> str:
        """The text without those of its sentences that stand on the page already; these are said now."""
        found = []
        for sentence in sentences(text):
            if sentence not in self._met or words(sentence) < FEWEST_WORDS:
                found.append(sentence)
            self._met.add(sentence)
        return " ".join(found)

    def each(self, texts: Iterable[str]) -> list[str]:
        """Each text without what was said before; those of which nothing is left are gone."""
        return [left for text in texts if (left := self.fresh(text))]
