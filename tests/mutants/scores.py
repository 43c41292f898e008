"""What is kept: a score per module, the mutants that live, and those that no test could kill."""

from __future__ import annotations

import csv
import dataclasses
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.mutants.make import Key, Mutant, Source
from tests.mutants.run import Target

HERE = Path(__file__).parent
_COLUMNS = ("file", "function", "line", "kind")


@dataclass(frozen=True)
class Score:
    """Of one module: how many mutants it has and were drawn, are equivalent, were killed and lived."""

    group: str
    file: str
    mutants: int
    drawn: int
    equivalent: int
    killed: int
    lived: int

    @property
    def percent(self) -> float:
        """Killed of those that could be."""
        return 100 * self.killed / max(self.killed + self.lived, 1)


def equivalents(folder: Path = HERE / "equivalent") -> dict[Key, str]:
    """The reason why a mutant cannot be told from the source by any result; one file a group."""
    found = {}
    for path in sorted(folder.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as text:
            for row in csv.DictReader(text):
                found[Key(*(row[c] for c in _COLUMNS))] = row["reason"]
    return found


def stale(known: Iterable[Key], mutants: Iterable[Mutant]) -> list[Key]:
    """Entries whose line or change the source no longer has."""
    there = {one.key for one in mutants}
    return [key for key in known if key not in there]


def scored(target: Target, source: Source, *, drawn: int, possible: int, lived: int) -> Score:
    """The score of one module, of whose mutants drawn so many could be killed and so many lived."""
    return Score(target.group, target.file, len(source.mutants), drawn, drawn - possible, possible - lived, lived)


def lived(folder: Path = HERE) -> set[Key]:
    """Those that lived when their module was run last."""
    return {Key(*(row[c] for c in _COLUMNS)) for row in _rows(folder / "survivors.csv")}


def keep(scores: Sequence[Score], survivors: Sequence[Key], folder: Path = HERE) -> None:
    """Renew the rows of the modules that were run; all others stay."""
    renewed = {one.file for one in scores}
    rows = [row for row in _rows(folder / "scores.csv") if row["file"] not in renewed]
    rows += [
        {k: str(v) for k, v in dataclasses.asdict(one).items()} | {"percent": f"{one.percent:.0f}"} for one in scores
    ]
    names = [*(f.name for f in dataclasses.fields(Score)), "percent"]
    _write(folder / "scores.csv", names, sorted(rows, key=lambda row: (row["group"], row["file"])))
    lived = [row for row in _rows(folder / "survivors.csv") if row["file"] not in renewed]
    lived += [dataclasses.asdict(one) for one in survivors]
    _write(folder / "survivors.csv", list(_COLUMNS), sorted(lived, key=lambda row: tuple(row.values())))


def outcomes_in(path: Path) -> dict[Key, str]:
    """By what each mutant of a kept file was killed, an empty text if it lived."""
    return {Key(*(row[c] for c in _COLUMNS)): row["by"] for row in _rows(path)}


def add_outcome(path: Path, key: Key, by: str) -> None:
    """Add one mutant to a kept file."""
    new = not path.exists()
    with path.open("a", encoding="utf-8", newline="") as text:
        writer = csv.writer(text, lineterminator="\n")
        if new:
            writer.writerow([*_COLUMNS, "by"])
        writer.writerow([*dataclasses.astuple(key), by])


def _rows(path: Path) -> list[dict[str, str]]:
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def _write(path: Path, names: Sequence[str], rows: Iterable[dict[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as text:
        writer = csv.DictWriter(text, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
