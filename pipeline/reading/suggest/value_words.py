"""Words that stand in a column of a field, and which of our words each means (`practice.words`)."""

from collections.abc import Collection
from functools import cache

from pipeline.practice.fields import FLAG_WORDS, is_open, kind, normal_word, word_lookup
from pipeline.practice.words import words_of


@cache
def trade_words(table: str, field: str) -> dict[str, tuple[str, ...]]:
    """Short words of the trade, in the form of `normal_word`, to those of our words that they may mean."""
    if kind(table, field) != "words":
        return {}
    found: dict[str, tuple[str, ...]] = {}
    for ours, theirs in words_of("short", field).items():
        for word in theirs:
            found[normal_word(word)] = (*found.get(normal_word(word), ()), ours)
    return found


@cache
def known_words(table: str, field: str) -> dict[str, str]:
    """Words in the form of `normal_word` to our word; for a flag to `yes` or `no`; empty for plain text."""
    if kind(table, field) == "flag":
        flags = {word: "yes" if value else "no" for word, value in FLAG_WORDS.items()}
        told = words_of("yes_no")
        return {normal_word(word): ours for ours, theirs in told.items() for word in theirs} | flags
    if kind(table, field) != "words" and not is_open(table, field):
        return {}
    found: dict[str, str] = {}
    for ours, theirs in words_of("word", field).items():
        found |= {normal_word(word): ours for word in theirs}
    return found | word_lookup(table, field)


def paired_words(field: str, words: Collection[str]) -> dict[str, str]:
    """What two words mean because they stand together, whatever each means elsewhere: `h` and `m` are hombre and mujer;
    empty for others. `words` are all of the column, in the form of `normal_word`."""
    told = {tuple(pair.split("/")): ours for ours, pairs in words_of("pair", field).items() for pair in pairs}
    return {own: ours for (own, other), ours in told.items() if set(words) == {own, other}}
