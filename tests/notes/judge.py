"""Notes with what a reader finds in them, and how the rules compare with it by field."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.notes.read import NoteValue, read_note
from pipeline.notes.vocabulary import vocabulary
from pipeline.practice.teeth import parse_teeth

SECOND_AUTHOR = Path(__file__).parent / "data" / "second_author.txt"
HELD_OUT = 3  # each third note: no rule was made or changed because of it


@dataclass
class Written:
    """A note with its truth: `(tooth_fdi, field)` to value."""

    notation: str
    tooth: int | None
    text: str = ""
    truth: dict[tuple[int, str], str] = field(default_factory=dict)


@dataclass
class Tally:
    """Counts of one field: sure values that are right and wrong, what a reader finds, what was found sure or not."""

    right: int = 0
    wrong: int = 0
    told: int = 0
    found_unsure: int = 0

    @property
    def precision(self) -> float:
        """Share of the sure values that are right."""
        return self.right / max(self.right + self.wrong, 1)

    @property
    def recall(self) -> float:
        """Share of what a reader finds that is found and sure."""
        return self.right / max(self.told, 1)


def written_notes(path: Path = SECOND_AUTHOR) -> list[Written]:
    """The notes of a file, in its order."""
    found: list[Written] = []
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            if line[1:2] != " ":
                found[-1].text += line + "\n"
        elif line.startswith("@ "):
            notation, tooth = line[2:].split()
            found.append(Written(notation, None if tooth == "-" else fdi(tooth, notation)))
        elif line.startswith("= "):
            tooth, *pairs = line[2:].split()
            for pair in pairs:
                name, _, value = pair.partition("=")
                found[-1].truth[fdi(tooth, found[-1].notation), name] = value
        else:
            found[-1].text += line + "\n"
    return found


def fdi(tooth: str, notation: str) -> int:
    """A written tooth in two-digit ISO 3950."""
    return int(parse_teeth(pl.Series([tooth]), notation=notation)["tooth_fdi"][0])


def judge(notes: list[Written]) -> tuple[dict[str, Tally], list[tuple[Written, list[NoteValue], list[str]]]]:
    """Tallies by field, and each note with what went wrong in it."""
    words, tallies, wrong = vocabulary(), {}, []
    for note in notes:
        found = read_note(note.text, words, notation=note.notation, tooth=note.tooth)
        faults = []
        by_key = {(v.tooth or note.tooth, v.field): v for v in found}
        for (tooth, name), value in note.truth.items():
            tally = tallies.setdefault(name, Tally())
            tally.told += 1
            v = by_key.get((tooth, name))
            if v is None or not same(v.value, value):
                faults.append(f"MISS {tooth} {name}={value}" + (f" got {v.value} sure={v.sure} {v.rule}" if v else ""))
            elif not v.sure:
                tally.found_unsure += 1
                faults.append(f"unsure {tooth} {name}={value} {v.rule}")
        for (tooth, name), v in by_key.items():
            if not v.sure:
                continue
            tally = tallies.setdefault(name, Tally())
            if same(v.value, note.truth.get((tooth, name))):  # type: ignore[arg-type]
                tally.right += 1
            else:
                tally.wrong += 1
                faults.append(f"FALSE {tooth} {name}={v.value} [{v.evidence}] {v.rule}")
        wrong.append((note, found, faults))
    return tallies, wrong


def same(a: str | None, b: str | None) -> bool:
    """Whether two values are one; numbers by value."""
    if a is None or b is None:
        return False
    try:
        return float(a) == float(b)
    except ValueError:
        return a == b


def overall(tallies: dict[str, Tally]) -> Tally:
    """All fields together."""
    total: Counter[str] = Counter()
    for t in tallies.values():
        total.update(right=t.right, wrong=t.wrong, told=t.told, found_unsure=t.found_unsure)
    return Tally(total["right"], total["wrong"], total["told"], total["found_unsure"])
