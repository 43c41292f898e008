"""Phrases as a tree of words. Its branches are made when a text goes along them: one line may stand for half a million.

A phrase is words with blanks between; `a|b` is either, a `?` behind makes a word optional. A hyphen within a word
counts as a blank.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from typing import Generic, TypeVar

T = TypeVar("T")
Run = tuple[str, ...]


class Branch(Generic[T]):
    """Where phrases may go on from here, and what is said where they end here."""

    __slots__ = ("_further", "_left", "_said")

    def __init__(self, left: Iterable[tuple[T, tuple[tuple[Run, ...], ...]]]) -> None:
        self._left = tuple(left)  # what each phrase says, and its groups of runs that are still to come
        self._said: tuple[T, ...] = ()
        self._further: dict[str, Branch[T]] | None = None

    def ended(self) -> tuple[T, ...]:
        """What the phrases that end here say, each thing once, in the order of the phrases."""
        if self._further is None:
            self._grow()
        return self._said

    def get(self, word: str) -> Branch[T] | None:
        """The branch behind `word`, if a phrase goes on with it."""
        if self._further is None:
            self._grow()
        assert self._further is not None
        return self._further.get(word)

    def _grow(self) -> None:
        further: dict[str, dict[tuple[T, tuple[tuple[Run, ...], ...]], None]] = {}
        said: dict[T, None] = {}
        for what, groups in self._left:
            for place, group in enumerate(groups):
                for word, *more in filter(None, group):
                    rest = (((tuple(more),),) if more else ()) + groups[place + 1 :]
                    further.setdefault(word, {})[what, rest] = None
                if () not in group:
                    break
            else:
                said[what] = None
        self._said = tuple(said)
        self._further = {word: Branch(left) for word, left in further.items()}


def groups_of(phrase: str) -> tuple[tuple[Run, ...], ...]:
    """What may stand at each place of a phrase: runs of words; an empty one where the place may be left out."""
    found = []
    for group in phrase.split():
        optional = len(group) > 1 and group.endswith("?")
        choices = (group[:-1] if optional else group).split("|")
        runs = [tuple(c.replace("-", " ").split()) if len(c) > 1 else (c,) for c in choices]
        found.append((*runs, *([()] if optional else [])))
    return tuple(found)


def spelled_out(phrase: str) -> Iterator[Run]:
    """Every run of words that a phrase stands for."""
    for chosen in itertools.product(*groups_of(phrase)):
        if words := tuple(itertools.chain.from_iterable(chosen)):
            yield words
