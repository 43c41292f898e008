"""Mutants that nobody has tried, drawn at once over all lines that a figure of the main comparison passes."""

from __future__ import annotations

import csv
import hashlib
import math
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from tests.mutants.make import Key, Mutant, Source, draw
from tests.mutants.passed import parsed
from tests.mutants.run import Target
from tests.mutants.scores import HERE
from tests.mutants.wider import wider_kinds

# Of these only functions are drawn from: what they declare is of all fields, few of which this comparison reads.
DECLARED = ("pipeline/practice/tables.py",)

Drawn = list[tuple[Target, Source, list[Mutant]]]


def draw_fresh(
    targets: Sequence[Target],
    passed: Mapping[str, Collection[int]],
    known: Collection[Key],
    *,
    root: Path,
    number: int,
    seed: int,
) -> Drawn:
    """`number` mutants, half of the usual kinds and half of the wider, of lines that are passed.

    Each module by how many it has. Left out are those drawn for the kept scores, and those that no result can tell.
    """
    files = {target.file: target for target in targets if target.file in passed}
    tried, found = _tried(), {}
    for kinds in (None, wider_kinds):
        chosen: list[tuple[str, Source, Mutant]] = []
        for file, target in sorted(files.items()):
            source = target.source(root, kinds)
            parser = parsed(root / file)
            before = {one.key for one in draw(source.mutants, tried.get(file, 0))} if kinds is None else set()
            inside = [m for m in source.mutants if file not in DECLARED or m.key.function != "(module)"]
            for one in inside:
                if one.key not in before and one.key not in known and parser.first_line(one.number) in passed[file]:
                    chosen.append((_rank(one, seed), source, one))
        half = number // 2 if kinds is None else number - number // 2
        for _, source, one in sorted(chosen, key=lambda c: c[0])[:half]:
            found.setdefault(id(source), (files[source.file], source, []))[2].append(one)
    # What links ledgers before the forks imports modules that others could then not be mutated in: it comes last.
    return sorted(found.values(), key=lambda of: bool(of[0].relaxed))


def told(killed: int, tried: int) -> str:
    """How many were noticed, with the standard error of the share."""
    share = killed / max(tried, 1)
    error = math.sqrt(share * (1 - share) / max(tried, 1))
    return f"{killed} of {tried} noticed, {share:.0%} (standard error {error:.1%})"


def _rank(mutant: Mutant, seed: int) -> str:
    key = mutant.key
    text = "\n".join((f"passed {seed}", key.file, key.function, key.line, key.kind))
    return hashlib.sha256(text.encode()).hexdigest()


def _tried() -> dict[str, int]:
    with (HERE / "scores.csv").open(encoding="utf-8", newline="") as text:
        return {row["file"]: int(row["drawn"]) for row in csv.DictReader(text)}
