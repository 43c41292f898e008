"""One doubt: what was seen, the question in words of the trade, and the lines of PRACTICE.toml that answer it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.machine.errors import ConfigError
from pipeline.practice.counts import count
from pipeline.reading.suggest.masks import masked_samples


@dataclass(frozen=True)
class Doubt:
    """One doubt. `evidence` holds counts and masked samples, never a value of a patient.

    `answers` are the lines that settle it, each as (section of the TOML, line, what it means).
    """

    id: str
    where: str
    evidence: str
    question: str
    answers: tuple[tuple[str, str, str], ...]

    def lines(self) -> list[str]:
        """For the screen: what was seen, the question, the answers."""
        told = [
            f"    under [{section}] write {line}" + (f"  ({means})" if means else "")
            for section, line, means in self.answers
        ]
        return [f"  {self.where}: {self.evidence}", f"    {self.question}", *told]


class OpenDoubtsError(ConfigError):
    """PRACTICE.toml does not yet say how something in the files is meant. Exit status 2, as for open questions."""


def refuse_doubts(doubts: Sequence[Doubt], *, file: str) -> None:
    """Stop while a doubt stands open.

    Raises
    ------
    OpenDoubtsError
        With each doubt: what was seen, what is asked and the lines that answer it.
    """
    if doubts:
        raise OpenDoubtsError("\n".join([f"{file}: {counted(len(doubts))} Nothing was loaded.", *told(doubts)]))


def counted(n: int) -> str:
    """How many doubts stand open, as a sentence."""
    return f"{count(n, 'thing')} in the files must be settled before anything is loaded."


def told(doubts: Iterable[Doubt]) -> list[str]:
    """All doubts in lines; where several can be accepted, how to name them together."""
    listed = list(doubts)
    lines = [line for doubt in listed for line in doubt.lines()]
    if sum(any(line.startswith("accepted") for _, line, _ in d.answers) for d in listed) > 1:
        lines.append('  accepted is one list: write accepted = ["...", "..."] once, with all that is so.')
    return lines


def accept(word: str, already: Sequence[str], means: str) -> tuple[str, str, str]:
    """The answer "that is so"."""
    words = ", ".join(f'"{w}"' for w in (*already, word))
    return "practice", f"accepted = [{words}]", means


def samples(texts: pl.Series, *, at_most: int = 3) -> str:
    """Masked forms of some texts: 9 is a digit, x a letter."""
    counts = texts.drop_nulls().to_frame("text").group_by("text").agg(pl.len().alias("n"))
    return " | ".join(masked_samples(counts, at_most=at_most))
