"""The words of the trade and of statistics that pages explain: one table, and the place where it meets a page.

The first time that a page uses one of them in running text it is marked, and says on hover and on focus what it means;
all that a page uses stand once more at its foot, for print and for readers that show no hover.
"""

import re
from collections.abc import Iterator
from functools import cache

from markupsafe import Markup, escape

from pipeline.machine.data_tables import data_rows

# A word as it is explained: what it means, and the forms in which pages use it.
WORDS: dict[str, tuple[str, tuple[str, ...]]] = {
    row["word"]: (row["meaning"], tuple(row["forms"].split("|"))) for row in data_rows("explained_words")
}
_SKIPPED = ("a", "h1", "h2", "h3", "h4", "summary", "caption", "th", "td", "button", "svg", "script", "style", "code",
            "noscript", "dfn", "figure", "dt", "pre")  # fmt: skip
_PIECE = re.compile(r"(<[^>]*>)")
_TAG = re.compile(r"<(/?)([a-z0-9]+)")


def explained(body: str) -> tuple[Markup, list[tuple[str, str, str]]]:
    """A page's content with each word marked where it first stands in running text, and the words met.

    Of a word: its id, itself and what it means, in the order of the alphabet. `body` is markup whose texts are escaped.
    """
    met: dict[str, None] = {}
    return Markup("".join(_marked(body, met))), [(_id(w), w, WORDS[w][0]) for w in sorted(met)]


def _marked(body: str, met: dict[str, None]) -> Iterator[str]:
    within: list[str] = []
    for piece in _PIECE.split(body):
        tag = _TAG.match(piece)
        if tag is not None and tag[2] in _SKIPPED:
            if not tag[1]:
                within.append(tag[2])
            elif tag[2] in within:
                within.remove(tag[2])
            yield piece
        elif tag is not None or within:
            yield piece
        else:
            yield _forms().sub(lambda found: _mark(found, met), piece)


def _mark(found: re.Match[str], met: dict[str, None]) -> str:
    word = _words_by_form()[found[0].lower()]
    if word in met:
        return found[0]
    met[word] = None
    meaning = escape(WORDS[word][0])
    return f'<dfn tabindex="0" data-means="{meaning}" aria-describedby="{_id(word)}">{found[0]}</dfn>'


def _id(word: str) -> str:
    return "word-" + word.replace(" ", "-")


@cache
def _words_by_form() -> dict[str, str]:
    return {form: word for word, (_, forms) in WORDS.items() for form in forms}


@cache
def _forms() -> re.Pattern[str]:
    longest_first = sorted(_words_by_form(), key=len, reverse=True)
    return re.compile(rf"\b(?:{'|'.join(map(re.escape, longest_first))})\b", re.IGNORECASE)
