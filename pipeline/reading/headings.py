"""How well the heading of a column fits a field, by what such columns are called (`practice.words`)."""

import difflib
import re
import unicodedata
from collections.abc import Sequence
from functools import cache, lru_cache

from pipeline.machine.data_tables import data_rows
from pipeline.practice.fields import input_fields
from pipeline.practice.tables import INPUT_TABLES
from pipeline.practice.words import words_of

NOT_OURS = "(none)"  # stands for columns that are none of ours, so that no other field takes their headings
_PLURAL, _LONG_ENOUGH = ("s", "n", "en", "es"), 4  # `Tags` is a label, `Codes` are codes
EXACT, PART, SHORT = 1.0, 0.7, 0.5
# Days on which something was written down: the day of the work only where a file has no other.
_ENTERED = "posted|posted on|posted date|date posted|post date|entry date|entered on|date entered|erfasst am|saisi le"


@cache
def word_list(name: str) -> frozenset[str]:
    """The words of a list of `data/reading_words.csv`: of the trade, in any language of ours, as `plain_heading` writes
    them. All are from memory: common practice, no source."""
    return frozenset().union(*word_lists(name))


def word_lists(name: str) -> tuple[frozenset[str], ...]:
    """The words of each row of such a list."""
    return tuple(frozenset(row["words"].split("|")) for row in data_rows("reading_words") if row["list"] == name)


def word_pattern(name: str) -> str:
    """A list of patterns as one."""
    return "|".join(row["words"] for row in data_rows("reading_words") if row["list"] == name)


@lru_cache(maxsize=10_000)
def fit(heading: str, field: str) -> float:
    """How well a heading fits a field: `EXACT`, `PART` (a word of it does), `SHORT` (cut short or misspelt) or 0."""
    return max(_fit(bare, field) for bare in _forms(heading))


def _forms(heading: str) -> set[str]:
    """A heading in small letters, umlauts written out as in German and left out as elsewhere (`Kön`); a sign alone, as
    of a currency, as it is."""
    bare = plain_heading(heading) or heading.strip()
    return {bare, plain_heading(heading.lower().translate(_LEFT_OUT)) or bare}


def _fit(bare: str, field: str) -> float:
    if not bare:
        return 0.0
    synonyms = _synonyms(field)
    if bare in synonyms or bare.replace(" ", "") in _joined(field):
        return EXACT
    if any(bare.removesuffix(end) in synonyms for end in _PLURAL if bare.endswith(end) and len(bare) > _LONG_ENOUGH):
        return PART
    words = set(bare.split())
    if any(set(s.split()) <= words for s in synonyms if len(s) > 2):
        return PART
    joined = bare.replace(" ", "")
    if len(joined) >= 3 and any(s.startswith(joined) for s in _joined(field)):
        return SHORT
    if len(joined) >= 4 and _skeleton(joined) in _skeletons(field):
        return SHORT
    return SHORT if len(joined) >= 5 and difflib.get_close_matches(joined, _joined(field), n=1, cutoff=0.87) else 0.0


def says_entered(heading: str) -> bool:
    """Whether a heading says that its day is that of the entry."""
    return plain_heading(heading) in _ENTERED.split("|")


@cache
def _synonyms(field: str) -> frozenset[str]:
    told = words_of("heading", "" if field == NOT_OURS else field).get("", ())
    return frozenset((*(plain_heading(word) or word for word in told), field.replace("_", " ")))


@cache
def _joined(field: str) -> tuple[str, ...]:
    return tuple(sorted(s.replace(" ", "") for s in _synonyms(field)))


@cache
def _skeletons(field: str) -> frozenset[str]:
    return frozenset(_skeleton(s) for s in _joined(field) if len(s) >= 4)


def _skeleton(word: str) -> str:
    """The first letter and the consonants: how words are often cut short."""
    return word[0] + re.sub(r"[aeiouy]", "", word[1:])


_LEFT_OUT = str.maketrans({"ä": "a", "ö": "o", "ü": "u"})
_WRITTEN_OUT = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "ł": "l", "ø": "o", "æ": "ae", "đ": "d", "ı": "i", "ς": "σ"}
)


def plain_heading(heading: str) -> str:
    """Small letters without accents, umlauts written out, words with single blanks between."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading)
    low = spaced.lower().translate(_WRITTEN_OUT)
    plain = "".join(c for c in unicodedata.normalize("NFKD", low) if not unicodedata.combining(c))
    return " ".join(re.sub(r"[\W_]+", " ", plain).split())


def numbered_like(heading: str, headings: Sequence[str]) -> list[str]:
    """Headings that differ from one in a number from 2 to 9 behind it: `Proc2` beside `Proc1` or `Proc`."""
    stem = re.sub(r"[\s_.#-]*1$", "", heading.strip())
    like = re.compile(rf"{re.escape(stem)}[\s_.#-]*[2-9]", re.IGNORECASE)
    return [h for h in headings if like.fullmatch(h)] if stem else []


_LEAST = 2


def are_headings(texts: Sequence[str]) -> bool:
    """Whether the filled cells of a line are headings: none holds a digit, and most are words that columns are called.
    The words are those by which `toothyears suggest` knows columns, those that are none of ours among them."""
    if len(texts) < _LEAST or len(set(texts)) < len(texts) or any(c.isdigit() for t in texts for c in t):
        return False
    known = sum(_is_known(text) for text in texts)
    return known >= _LEAST and 2 * known > len(texts)


@cache
def _is_known(text: str) -> bool:
    from pipeline.reading.headings import EXACT, NOT_OURS, fit

    fields = {f for table in INPUT_TABLES for f in input_fields(table)} | {NOT_OURS}
    return any(fit(text, f) >= EXACT for f in fields)
