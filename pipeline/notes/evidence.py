"""The words that say a value, as they are kept and shown: on one line, without signs of control, names left out."""

import re
from collections.abc import Callable

from pipeline.machine.one_line import one_line
from pipeline.notes.text import words_of

LONGEST_EVIDENCE = 120
_LEFT_OUT = "…"
_WORD = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)*")
_TITLES = words_of("mr mrs ms miss mx dr prof sir madam")
_BEGINS = re.compile(r"(?:^|[.:;!?\n(\[])\s*$")
# Words that readers of numbers look for and the vocabulary need not have.
_OF_NUMBERS = words_of(
    "working length lengths short long apex visits filled located prepared shaped stock parts part water index size "
    "master final apical file files of the with from was and to at in for by height strength solution"
)


def evidence_of(text: str, start: int, end: int, knows: Callable[[str], bool]) -> str:
    """The words from `start` up to `end`, at most 120 letters, what may be a name as a sign of something left out.

    A name is the word or two behind a title, and a word with a capital within a sentence that the trade does not know.
    One in small letters without a title cannot be told from another word.
    """
    written = text[start:end]
    out, done = [], 0
    titled = False
    for m in _WORD.finditer(written):
        word = m[0]
        between = written[done : m.start()]
        named = word[:1].isupper() and not word.isupper()
        unknown = not knows(word.lower()) and word.lower() not in _OF_NUMBERS
        begins = bool(_BEGINS.search(text[max(0, start + m.start() - 4) : start + m.start()]))
        behind = titled and not between.strip(" .")
        is_name = (behind and unknown) or (named and unknown and len(word) > 2 and not begins)
        out += [between, _LEFT_OUT if is_name else word]
        titled = word.lower() in _TITLES or (behind and is_name and named)
        done = m.end()
    out.append(written[done:])
    return one_line("".join(out))[:LONGEST_EVIDENCE]
