"""One doubt: what was seen, the question in words of the trade, and the lines of PRACTICE.toml that answer it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.machine.errors import ConfigError
from pipeline.practice.counts import count
from pipeline.practice.tables import REVERSAL, STATUS_WORDS
from pipeline.reading.suggest.shown import masked_samples, quoted

# A section of the TOML, a line of it, and what it means.
Answer = tuple[str, str, str]
LEDGER = "tables.procedures"
# What the words of any doubt may name.
_STATES = {"not_done": ", ".join(STATUS_WORDS[1:-1]), "states": ", ".join(STATUS_WORDS[:-1]), "reversal": REVERSAL}


@dataclass(frozen=True)
class Doubt:
    """One doubt. `evidence` holds counts and masked samples, never a value of a patient; `answers` are the lines that
    settle it; `so` is what it means that it is so, where that too is an answer."""

    id: str
    where: str
    evidence: str
    question: str
    answers: tuple[Answer, ...]
    so: str = ""

    def with_acceptance(self, accepted: Sequence[str]) -> Doubt:
        """With the answer "that is so" as its last, in the list of what is accepted already."""
        words = ", ".join(f'"{word}"' for word in (*accepted, self.id))
        more = [("practice", f"accepted = [{words}]", self.so)] if self.so else []
        return replace(self, answers=(*self.answers, *more), so="")

    @property
    def seen(self) -> str:
        """Where it was met, and what was seen there."""
        return f"  {self.where}: {self.evidence}"

    def asked(self) -> list[str]:
        """For the screen: the question, and the answers."""
        told = [
            f"    under [{section}] write {line}" + (f"  ({means})" if means else "")
            for section, line, means in self.answers
        ]
        return [f"    {self.question}", *told]


class OpenDoubtsError(ConfigError):
    """PRACTICE.toml does not yet say how something in the files is meant. Exit status 2, as for open questions."""


def refuse_doubts(doubts: Sequence[Doubt], *, file: str) -> None:
    """Stop while a doubt stands open: raises OpenDoubtsError with what was seen, asked, and the lines to answer."""
    if doubts:
        raise OpenDoubtsError("\n".join([f"{file}: {counted(doubts)} Nothing was loaded.", *told(doubts)]))


def _by_question(doubts: Iterable[Doubt]) -> list[list[Doubt]]:
    """Doubts of which one answer settles all, together: the same question about several files is asked once."""
    found: dict[tuple[object, ...], list[Doubt]] = {}
    for doubt in doubts:
        found.setdefault((doubt.question, doubt.answers), []).append(doubt)
    return list(found.values())


def counted(doubts: Iterable[Doubt]) -> str:
    """How many questions stand open, as a sentence."""
    return f"{count(len(_by_question(doubts)), 'thing')} in the files must be settled before anything is loaded."


def told(doubts: Iterable[Doubt]) -> list[str]:
    """All doubts in lines; where several can be accepted, how to name them together."""
    listed = _by_question(doubts)
    lines = [line for alike in listed for line in (*(d.seen for d in alike), *alike[0].asked())]
    if sum(any(line.startswith("accepted") for _, line, _ in alike[0].answers) for alike in listed) > 1:
        lines.append('  accepted is one list: write accepted = ["...", "..."] once, with all that is so.')
    return lines


def ask(doubt: str, where: str, evidence: str, *answers: Answer | None, **gaps: object) -> list[Doubt]:
    """One doubt, in a list: whoever looks for one finds it or none. What is None is no answer here. What is asked
    stands in `data/doubts.csv`, or `data/signs.csv`, with `gaps` to be filled. Behind a point in `doubt` stands in
    which of several ways it was found."""
    question, so = (_words()[doubt][part].format_map(_STATES | gaps) for part in ("question", "so"))
    return [Doubt(doubt.partition(".")[0], where, evidence, question, tuple(filter(None, answers)), so)]


@cache
def _words() -> Mapping[str, Mapping[str, str]]:
    return {row["id"]: row for table in ("doubts", "signs") for row in data_rows(table)}


def of_ledger(line: str, means: str) -> Answer:
    """An answer under the table of procedures."""
    return LEDGER, line, means


def status_from(heading: str, made: Mapping[str, str], means: str) -> Answer | None:
    """The answer that says what texts of a column, or patterns of them, make of a row; None for no text."""
    return of_ledger(f"status_from.{quoted(heading)} = {inline(made)}", means) if made else None


def inline(made: Mapping[str, str]) -> str:
    """A table of the TOML in one line."""
    return "{ " + ", ".join(f"{quoted(text)} = {quoted(word)}" for text, word in made.items()) + " }"


def commonest(counts: Mapping[Any, int]) -> list[tuple[Any, int]]:
    """The commonest first; among equals by name, so that no order of rows shows."""
    return sorted(counts.items(), key=lambda one: (-one[1], one[0]))


def patterns_in_rows(counts: Iterable[tuple[tuple[str, str], int]], *, each: str = "row") -> str:
    """Patterns, each with what it makes of a row, and their rows, in this order."""
    return ", ".join(f"{pattern.replace('*', '…')} ({count(n, each)})" for (pattern, _), n in counts)


def in_rows(counts: Mapping[str, int], *, none: str = "empty") -> str:
    """Texts with their rows, the commonest first; `none` stands for the empty one."""
    return ", ".join(f"{text or none} ({count(n, 'row')})" for text, n in commonest(counts))


def named_in(doubts: Iterable[Doubt], headings: Iterable[str]) -> set[str]:
    """Those headings of which some doubt is."""
    evidence = [doubt.evidence for doubt in doubts]
    return {h for h in headings if any(f'"{h}"' in text for text in evidence)}


def samples(texts: pl.Series, *, at_most: int = 3) -> str:
    """Masked forms of some texts: 9 is a digit, x a letter."""
    counts = texts.drop_nulls().to_frame("text").group_by("text").agg(pl.len().alias("n"))
    return " | ".join(masked_samples(counts, at_most=at_most))
