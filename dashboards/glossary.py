"""The words of the trade and of statistics that pages explain: one table, and the place where it meets a page.

The first time that a page uses one of them in running text it is marked, and says on hover and on focus what it means;
all that a page uses stand once more at its foot, for print and for readers that show no hover.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache

from markupsafe import Markup, escape

# A word as it is explained: what it means, and the forms in which pages use it.
WORDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "range": (
        "The figures that fit these records, from lowest to highest: made this way, 95 of 100 ranges hold the truth.",
        ("95 % range", "the range is", "its range", "ranges"),
    ),
    "seat": ("The day on which a crown is cemented.", ("the seat", "seated", "seat date")),
    "opened": (
        "A root canal was done through the finished crown, through a hole drilled in it.",
        ("opened crowns", "opened", "opening"),
    ),
    "vital": ("With a living pulp: no root canal so far.", ("seated vital", "crowned vital", "vital")),
    "hyperemic": (
        "A pulp that is irritated and can still recover: reversible pulpitis, a short pain on cold.",
        ("hyperemic", "reversible pulpitis"),
    ),
    "flare": (
        "The pulp got worse after the preparation: it died, or its pain no longer went away.",
        ("flares", "flared", "flare"),
    ),
    "hazard ratio": (
        "How many times as fast failures came in one group as in the other; 1 is equally fast.",
        ("hazard ratios", "hazard ratio"),
    ),
    "adjusted": (
        "Compared as if both groups had the same teeth, ages and so on, as far as these were recorded.",
        ("adjusted",),
    ),
    "followed": (
        "Seen by the practice up to that time; afterwards nothing is known.",
        ("still followed", "follow-up", "followed"),
    ),
    "verdict": (
        "What may be said by rules that were fixed before looking at the figures.",
        ("verdicts", "verdict"),
    ),
    "cannot tell": (
        "A difference that would matter is neither shown nor ruled out: the range holds both, or one look of many "
        "stood out, as chance alone makes one do.",
        ("cannot tell yet", "cannot tell", "cannot be told"),
    ),
    "stands out alone": (
        "Asked alone it would pass for a difference; among so many comparisons chance shows one as clear too often.",
        ("stands out alone", "stands out"),
    ),
    "not separable": (
        "Nearly every clinician works one way only, so nobody can say whether the technique or the hand made it.",
        ("not separable",),
    ),
    "little difference": (
        "The whole range is too small to matter: a large difference is ruled out.",
        ("little difference",),
    ),
    "family of looks": (
        "All comparisons that were made together: who makes many finds some by chance, so each must show more.",
        ("one family of looks", "family of looks", "looks"),
    ),
    "misleading": (
        "The count by hand gives opened crowns the years before their opening, in which they could not fail.",
        ("misleads", "misleading"),
    ),
    "retreatment": ("A root canal done again.", ("retreatment", "retreated")),
    "recall": ("The visit at which a finished root canal is looked at again on a film.", ("recalled", "recall")),
    "periapical index": (
        "The bone at the root end on a film, from 1 (sound) to 5 (a large lesion with signs of getting worse).",
        ("periapical index",),
    ),
    "tooth-years": ("Teeth times the years that each was followed.", ("tooth-years",)),
    "set aside": ("Kept with its reason, and not counted.", ("set aside",)),
    "by chance": (
        "Nobody drew lots over which tooth got which treatment, so groups may differ in more than the treatment.",
        ("by chance", "association, not cause"),
    ),
    "orifice seal": ("What covers the openings of the filled canals in the floor of the tooth.", ("orifice seal",)),
    "sealer": ("The cement between the root filling and the wall of the canal.", ("sealers", "sealer")),
    "obturation": ("How the cleaned canals were filled.", ("obturation",)),
    "separated file": (
        "A piece of an instrument that broke off and stayed in the canal.",
        ("separated instrument", "separated file"),
    ),
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
