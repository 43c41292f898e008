"""How far a cue reaches: letters stand for words that say nothing, and those under the cue are told."""

from __future__ import annotations

import pytest

from pipeline.notes.context import DOUBT, HISTORY, NEGATED, PERSON, PLAN, RISK, Contexts
from pipeline.notes.vocabulary import vocabulary

WORDS = vocabulary()
FAR = "far"

CASES = [
    # A negation reaches seven words, or up to a comma; one that lists signs twelve, commas among them.
    (NEGATED, "No a b c d e f g h i j.", "a b c d e f g"),
    (NEGATED, "No a b, c d.", "a b"),
    (FAR, "No a b c d e f g h i j k l m n.", "a b c d e f g h i j k l"),
    (FAR, "No a, b, c, d, e, f, g, h.", "a , b , c , d , e , f ,"),
    # What was before: a time ago looks back as well, up to a comma.
    (HISTORY, "a b year ago c d", "a b c d"),
    (HISTORY, "a b yr ago c d", "a b c d"),
    (HISTORY, "a two years ago b", "a two b"),
    (HISTORY, "a, b months ago c", "b c"),
    (HISTORY, "a previous b c", "b c"),
    # A year before that of the note: back to a comma, and four words on.
    (HISTORY, "a b 2015 c d e f g h", "a b c d e f"),
    (HISTORY, "a, b 2015 c", "b c"),
    (HISTORY, "a 2020 b", "a b"),
    (HISTORY, "a 2021 b", ""),
    (HISTORY, "a 12/03/2015 b", ""),
    # Another person's only where that person has something, within three words.
    (PERSON, "mother present a b c", ""),
    (PERSON, "a brother had b c", "a brother had b c"),
    (PERSON, "brother a b had c", "brother a b had c"),
    (PERSON, "brother a b c had d", ""),
    (PERSON, "a sister's b", "a sister's b"),
    (RISK, "a risk b, c", "b , c"),
    (PLAN, "a b will c, d", "a b c , d"),
    (PLAN, "no a needed b", ""),
    (PLAN, "a needed b", "a b"),
    # A thought reaches over a clause, another doubt over three words.
    (DOUBT, "a b c d unclear e f g h", "b c d e f g"),
    (DOUBT, "a b c d probably e f g h i j k l", "b c d e f g h i j k"),
]


@pytest.mark.parametrize(("kind", "text", "under"), CASES)
def test_how_far_a_cue_reaches(kind: str, text: str, under: str) -> None:
    note = WORDS.read(text)
    found = Contexts(note, WORDS.matches(note.words), year=2021)
    row = found.far_negated if kind == FAR else found.said[kind]
    assert " ".join(word for word, is_under in zip(note.words, row, strict=True) if is_under) == under
