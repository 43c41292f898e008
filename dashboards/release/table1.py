"""Who was in the two groups of a comparison, as it may leave: Table 1 of a report.

Means of numbers in whole units; shares in percent on the step of the group, hidden where fewer than 11 teeth are, or
are not. Each share is told by itself: shares differ from the true ones by up to five teeth and more, so that what two
leave of 100 says of a third no more than that it is small. Names are the declared ones and no others.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dashboards.formats import known, phrase, sentence_case
from dashboards.release.percent import percent_step
from pipeline.practice.tables import MATERIALS, SEXES, TOOTH_GROUPS
from pipeline.release.disclosure import ONE_IN_AVERAGES, TEETH, Gate
from pipeline.results import BalanceRow, Comparison

# Characteristics by the name that results give them. Of a yes-or-no what is neither is no.
NUMBERS = {
    "age_at_seat": "Age at the seat, mean in years",
    "age_at_completion": "Age at completion, mean in years",
    "seat_year": "Year of the seat, mean",
    "completion_year": "Year of completion, mean",
}
WORDS: Mapping[str, tuple[str, Sequence[str]]] = {
    "sex": ("Sex", SEXES),
    "tooth_group": ("Tooth group", TOOTH_GROUPS),
    "material": ("Material", MATERIALS),
    "bruxism": ("Bruxism", ("true",)),
    "smoker": ("Smoking", ("true",)),
    "diabetes": ("Diabetes", ("true",)),
}
UNKNOWN = "unknown"


@dataclass(frozen=True)
class ReleasedCharacteristic:
    """One line of Table 1 for the reference and the group: a mean, or percent of teeth if `share`; None if hidden."""

    label: str
    share: bool
    of_reference: int | None
    of_group: int | None

    def __post_init__(self) -> None:
        values = (self.of_reference, self.of_group)
        if any(v is not None and (not isinstance(v, int) or (self.share and v not in range(101))) for v in values):
            raise ValueError("a released characteristic is a whole number, and a share a whole percent")


def release_table1(gate: Gate, c: Comparison, enough: set[str]) -> tuple[ReleasedCharacteristic, ...]:
    """Table 1 of the two groups that a comparison sets side by side; empty where the count of one is hidden."""
    d = c.difference
    if c.robustness is None or d is None or not {d.group, d.reference} <= enough:
        return ()
    teeth = {g.name: g.crowns for g in c.groups}
    if not all(gate.averages(teeth[name]) for name in (d.reference, d.group)):
        gate.withhold(ONE_IN_AVERAGES)
        return ()
    sizes = (teeth[d.reference], teeth[d.group])
    rows = {row.name: row for row in c.robustness.balance}
    lines = [
        ReleasedCharacteristic(label, False, *_means(gate, row, rows.get(f"{name}_{UNKNOWN}"), sizes))
        for name, label in NUMBERS.items()
        if (row := rows.get(name)) is not None
    ]
    for name in WORDS:
        lines += _levels(gate, name, rows, sizes)
    return tuple(line for line in lines if (line.of_reference, line.of_group) != (None, None))


def _means(gate: Gate, row: BalanceRow, gaps: BalanceRow | None, sizes: Sequence[int]) -> list[int | None]:
    """Both means in whole units; none of teeth so few that have the number that it could be a person's own."""
    told = (row.of_reference, row.of_group)
    without = (gaps.of_reference, gaps.of_group) if gaps else (0.0, 0.0)
    filled = [round(n * (1 - (gap or 0.0))) for gap, n in zip(without, sizes, strict=True)]
    return [
        round(value) if known(value) and gate.rounding.count(having) is not None and gate.averages(having) else None
        for value, having in zip(told, filled, strict=True)
    ]


def _levels(
    gate: Gate, name: str, rows: Mapping[str, BalanceRow], sizes: Sequence[int]
) -> list[ReleasedCharacteristic]:
    """The lines of one characteristic; in either group a level of few teeth, or of all but few, is hidden."""
    label, words = WORDS[name]
    found = {word: row for word in (*words, UNKNOWN) if (row := rows.get(f"{name}_{word}")) is not None}
    shares = [[row.of_reference for row in found.values()], [row.of_group for row in found.values()]]
    columns = [_column(gate, values, n) for n, values in zip(sizes, shares, strict=True)]
    return [
        ReleasedCharacteristic(_named(label, word), True, *values)
        for word, *values in zip(found, *columns, strict=True)
    ]


def _column(gate: Gate, shares: Sequence[float | None], teeth: int) -> list[int | None]:
    step = percent_step(gate.rounding.count(teeth))
    if step is None:
        return [None] * len(shares)
    return [
        gate.rounding.share(100 * s, step)
        if known(s) and all(gate.enough(round(n * teeth), kind=TEETH) for n in (s, 1 - s))
        else None
        for s in shares
    ]


def _named(label: str, word: str) -> str:
    if word == UNKNOWN:
        return f"{label}: not recorded"
    return label if word == "true" else f"{label}: {sentence_case(phrase(word)).lower()}"
