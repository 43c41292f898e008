"""What a practice's own code or description is likely to stand for, from words of the trade; else nothing.

A text is likely only where all the words in it that we know say one and the same event, and none says that the work was
not done. Words beside that of the work turn it into another (a crown for the time being, taken off, put back) or make
it a question; of work that figures hang on, so does every word that we do not know. English, German, French, Spanish,
Italian, Portuguese, Dutch, Swedish, Norwegian, Danish, Polish, Czech, Turkish, Greek, Hungarian, Finnish; from memory:
common practice, no source.
"""

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from pipeline.machine.data_tables import data_rows

# In the order of `pipeline/data/code_words.csv`: a longer expression takes its words from the ones after it, so that
# crown lengthening is no crown.
_LONG: tuple[tuple[str, str], ...] = tuple((row["event"], row["words"]) for row in data_rows("code_words"))
# Work of which another visit is the end: what the last visit is.
ENDS = {"restorative_other": "crown_placement", "endo_initial_stage": "endo_initial"}
# What words beside make of work; an event may be such a word too. Beside any other word of them it is asked.
_TURNS: dict[str, dict[str, tuple[str, ...]]] = {
    "crown_placement": {
        "temporary": ("crown_interim",),
        "removed": ("crown_removal",),
        "recemented": ("crown_recement",),
        "repaired": ("crown_repair",),
        "prepared": ("restorative_other",),
        "begun": ("restorative_other",),
        "lengthened": ("crown_lengthening",),
        "steel": ("crown_prefabricated",),
        "implant": ("implant",),
    },
    "endo_initial": {
        "begun": ("endo_initial_stage",),
        "endo_initial_stage": ("endo_initial_stage",),
        "again": ("endo_retreatment",),
        "primary": ("primary_tooth_endo",),
        "temporary": ("endo_initial_stage",),  # a dressing
        "removed": ("endo_retreatment_stage", "endo_retreatment"),
    },
    "extraction": {
        "buried": ("extraction_impacted",),
        "primary": ("extraction_primary",),
        "post_core": ("post_removal",),
    },
    "post_core": {"removed": ("post_removal",), "recemented": ("recement_post",), "extraction": ("post_removal",)},
    "direct_restoration": {"temporary": ("interim_filling",)},
    "inlay": {"recemented": ("recement_partial",), "repaired": ("repair_partial",)},
    "onlay": {"recemented": ("recement_partial",), "repaired": ("repair_partial",)},
    "veneer": {"recemented": ("recement_partial",), "repaired": ("veneer_repair",)},
    "implant": {"crown_placement": ("implant",)},
}
NOT_DONE = frozenset({"planned", "not done"})
# Figures hang on these: a word beside them that we do not know may make them another thing.
_MATTER = frozenset({"crown_placement", "endo_initial", "endo_retreatment", "extraction"})
_PLAIN = "plain"
# Materials and words for the time being are written in one with the crown, and so is what becomes of a crown.
_CROWN_LAST = re.compile(r"\b(?!teil|del|deel|dreiviertel|nood)(\w{3,})(kronen?|krona|kronor|kroner|kroon)\b")
_CROWN_FIRST = re.compile(r"\b(kronen|kroon|kron[ae]?)(?=(?!en\b|or\b|er\b)\w{4,})")
_STEMS = {  # a short code is a stem with at most two letters and a digit behind it
    "crown_placement": "crn crwn pfm",
    "endo_initial": "rct rctx",
    "endo_retreatment": "rerct retx",
    "extraction": "ext exo xtr",
    "core": "bu bup core",
    "post_core": "pc postc",
    "direct_restoration": "cmp fil fill amal amg resin",
    "exam": "exm exam",
    "recall_hygiene": "prophy hyg clean",
    "radiograph": "bwx bw pano fmx xray",
    "perio": "srp",
    "veneer": "ven",
    "onlay": "onl",
    "inlay": "inl",
    "crown_interim": "tcrn tmpcrn",
    "implant": "impl",
    "apical_surgery": "apico",
}
_SHORT_CODE = re.compile(r"^[a-z]{2,8}\d{0,2}$")
_LETTERS = str.maketrans({"ß": "ss", "ł": "l", "ø": "o", "æ": "ae", "œ": "oe", "ı": "i", "đ": "d", "ς": "σ"})


@dataclass(frozen=True)
class Meaning:
    """The events that a text may stand for: one, several (asked), or none; and what words beside the work say of it."""

    events: tuple[str, ...]
    beside: tuple[str, ...] = ()


def likely_events(text: str) -> tuple[str, ...]:
    """The events that a code or description may stand for: one, several that contradict each other, or none."""
    return meaning(text).events


@cache
def meaning(text: str, words: str = "") -> Meaning:
    """What a code or description, and the words of another column beside it, may stand for."""
    parts = [_parts(plain) for plain in map(_plain, (text, words)) if plain]
    events = tuple(dict.fromkeys(event for part in parts for event in part[0]))
    beside = tuple(dict.fromkeys(says for part in parts for says in part[1]))
    if not NOT_DONE.isdisjoint(beside):
        return Meaning((), tuple(says for says in beside if says in NOT_DONE))
    is_known = all(re.fullmatch(_plain_words(), word) for found, _, left in parts if found for word in left.split())
    of = [_turned(event, {*beside, *events} - {event}, is_known=is_known) for event in events]
    return Meaning(tuple(dict.fromkeys(e for each in of for e in each)), beside)


def _parts(plain: str) -> tuple[list[str], list[str], str]:
    """The events that a text names, what words beside them say, and what is left of it."""
    first, words = _LONG[0]
    if re.fullmatch(words, plain):
        return [first], [], ""
    events, left = _taken(_LONG, plain)
    says, left = _taken(_qualifiers(), left)
    if not events and _SHORT_CODE.match(plain):
        events, left = _by_stem(plain), ""
    return events, says, left


def _turned(event: str, beside: set[str], *, is_known: bool) -> tuple[str, ...]:
    """What an event is beside these words and events; itself and `other` where that must be asked."""
    turns = _TURNS.get(event, {})
    turned = [e for word in sorted(beside) for e in turns.get(word, ())]
    if event not in _MATTER:
        return tuple(turned) or (event,)
    words = beside - turns.keys() - {e for e, _ in _LONG}
    asked = ("other",) if words or not is_known else ()
    return (*(turned or (event,)), *asked)


@cache
def _qualifiers() -> tuple[tuple[str, str], ...]:
    """Words beside that of the work, by what they say, in the order of `pipeline/data/code_qualifiers.csv`."""
    words: dict[str, list[str]] = {}
    for row in data_rows("code_qualifiers"):
        words.setdefault(row["says"], []).append(row["words"])
    return tuple((says, "|".join(of)) for says, of in words.items() if says != _PLAIN)


@cache
def _plain_words() -> re.Pattern[str]:
    """Words that leave work what it is: materials, kinds of teeth, numbers, articles."""
    return re.compile("|".join(row["words"] for row in data_rows("code_qualifiers") if row["says"] == _PLAIN))


def _taken(rows: Sequence[tuple[str, str]], text: str) -> tuple[list[str], str]:
    """The events whose words a text has, and what is left of it."""
    found = []
    for event, pattern in rows:
        cut = re.sub(rf"\b(?:{pattern})\b", " ", text)
        if cut != text:
            found.append(event)
            text = " ".join(cut.split())
    return found, text


def _by_stem(code: str) -> list[str]:
    bare = code.rstrip("0123456789")
    fits = [
        (len(stem), event)
        for event, stems in _STEMS.items()
        for stem in stems.split()
        if bare.startswith(stem) and len(bare) - len(stem) <= 2 and len(stem) >= 2
    ]
    longest = max((n for n, _ in fits), default=0)
    # A stem of two letters stands for itself alone: BUS is no build-up.
    return [event for n, event in fits if n == longest and (n > 2 or bare == bare[:n])]


def _plain(text: str) -> str:
    """Small letters without accents and signs, words with single blanks between."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    low = unicodedata.normalize("NFKD", spaced.lower().translate(_LETTERS))
    bare = "".join(c for c in low if not unicodedata.combining(c)).translate(_LETTERS)
    words = " ".join(re.sub(r"[^\w&?]+|_", " ", bare).split())
    return _CROWN_FIRST.sub(r"\1 ", _CROWN_LAST.sub(r"\1 \2", words))
