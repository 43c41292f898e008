"""What a page has said already: a sentence that several findings share stands on it once."""

import re
from collections.abc import Iterable

from dashboards.answers import words

FEWEST_WORDS = 6  # a shorter one may come again: `See the table.`
_END = re.compile(r"(?<=[.!?])\s+(?=[A-Z“‘])")


def sentences(text: str) -> list[str]:
    """The sentences of a text, each whole."""
    return [s for s in _END.split(text.strip()) if s]


class Said:
    """The sentences of one page so far."""

    def __init__(self) -> None:
        self._met: set[str] = set()

    def fresh(self, text: str) -> str:
        """The text without those of its sentences that stand on the page already; these are said now."""
        found = []
        for sentence in sentences(text):
            if sentence in self._met and words(sentence) >= FEWEST_WORDS:
                continue
            self._met.add(sentence)
            found.append(sentence)
        return " ".join(found)

    def each(self, texts: Iterable[str]) -> list[str]:
        """Each text without what was said before; those of which nothing is left are gone."""
        return [left for text in texts if (left := self.fresh(text))]
