"""What a practice's own code or description is likely to stand for, from words of the trade; else nothing.

A text is likely only where all the words in it that we know say one and the same event, and none says that the work was
not done. Where two events fit, both are named and the practice is asked. English, German, French, Spanish, Dutch; from
memory: common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

from pipeline.machine.data_tables import data_rows

# In the order of `pipeline/data/code_words.csv`: a longer expression takes its words from the ones after it, so that a
# crown for the time being is no crown. A word may have a letter or two and a digit behind it in a short code (`CRNC`,
# `RCTM`, `CMP2`).
_LONG: tuple[tuple[str, str], ...] = tuple((row["event"], row["words"]) for row in data_rows("code_words"))
# Work of which another visit is the end: what the last visit is.
ENDS = {"restorative_other": "crown_placement", "endo_initial_stage": "endo_initial"}
# Work that was not done, or not yet: nothing is proposed beside one of these.
_DENIED = re.compile(
    r"\b(?:no|not|void\w*|plan\w*|tp|txp|proposed|possible|poss|watch|failed|incomplete|cancel\w*|delete\w*|old|existing|"
    r"refus\w*|declin\w*|prep|preparation|impression|try ?in|adjust\w*|warranty|redo|estimate|"
    r"devis|presupuesto|kostenvoranschlag|voranschlag|preventivo|begroting)\b|\?"
)
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


def likely_events(text: str) -> tuple[str, ...]:
    """The events that a code or description may stand for: one, several that contradict each other, or none."""
    plain = _plain(text)
    if re.fullmatch(_LONG[0][1], plain):
        return (_LONG[0][0],)
    found, left = _taken([row for row in _LONG if row[0] in ENDS], plain)
    if not plain or _DENIED.search(left):
        return ()
    further, left = _taken(_LONG, left)
    found += further
    if not found and _SHORT_CODE.match(plain):
        found = _by_stem(plain)
    return tuple(dict.fromkeys(found))


def _taken(rows: Sequence[tuple[str, str]], text: str) -> tuple[list[str], str]:
    """The events whose words a text has, and what is left of it."""
    found = []
    for event, pattern in rows:
        cut = re.sub(rf"\b(?:{pattern})\b", " ", text)
        if cut != text:
            found.append(event)
            text = cut
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
    low = unicodedata.normalize("NFKD", spaced.lower().replace("ß", "ss"))
    bare = "".join(c for c in low if not unicodedata.combining(c))
    return " ".join(re.sub(r"[^a-z0-9&?]+", " ", bare).split())
