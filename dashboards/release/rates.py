"""Tables of success rates as they may leave: whole teeth of 100, clinicians and clinics by letter."""

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import terms
from dashboards.release.count import ReleasedCount
from dashboards.release.percent import release_share
from pipeline.practice.outcomes import is_outcome
from pipeline.release.disclosure import DOMINANCE_PERCENT, FAILURES, TEETH, Gate, nth_letter
from pipeline.results import RateRow, RateTable, Results

KINDS = ("overall", "year", "tooth_group", "site_id", "provider_id")
NOT_RECORDED = "not recorded"
CODED = ("provider_id", "site_id")
LETTERED = 26 + 26**2  # one or two letters
TOOTH_GROUPS = ("anterior", "premolar", "molar")
FEWEST_CODED = 3
KNOWN_BY_VOLUME = (
    f"a table of fewer than {FEWEST_CODED} clinicians or clinics, or with over {DOMINANCE_PERCENT} % at one of them"
)


@dataclass(frozen=True)
class ReleasedRate:
    """One row of rates; percentages are None where too few stand behind them."""

    name: str
    teeth: ReleasedCount
    failures: ReleasedCount
    years: float
    in_place: int | None
    low: int | None
    high: int | None

    def __post_init__(self) -> None:
        values = (self.in_place, self.low, self.high)
        if any(v is not None and v not in range(101) for v in values):
            raise ValueError("a released rate is in whole teeth of 100")
        if self.in_place is not None and (self.failures.value is None or self.teeth.value is None):
            raise ValueError("a rate is released only with the counts behind it")


@dataclass(frozen=True)
class ReleasedRates:
    """A table of rates. Clinicians and sites are letters; rows of too few teeth are left out, and nothing says so."""

    outcome: str
    by: str
    rows: tuple[ReleasedRate, ...]

    def __post_init__(self) -> None:
        coded = self.by in CODED
        if self.by not in KINDS or (
            coded and any(not re.fullmatch(rf"[A-Z]{{1,2}}|{NOT_RECORDED}", r.name) for r in self.rows)
        ):
            raise ValueError("clinicians and sites are released by letter only")


def release_rates(gate: Gate, results: Results) -> tuple[ReleasedRates, ...]:
    """The tables of known kinds and outcomes that may be told."""
    letters = {by: _letters(gate, results, by) for by in CODED}
    return tuple(
        found
        for t in results.rates
        if t.by in KINDS and is_outcome(t.outcome) and (found := _rates(gate, t, letters.get(t.by, {}))) is not None
    )


def _rates(gate: Gate, table: RateTable, letters: dict[str, str]) -> ReleasedRates | None:
    """Rows of too few teeth are left out as if there were none.

    Of clinicians and clinics there must be three, and none may have more than half of the teeth: else one is known by
    volume, to the others at least. Both are asked of the rows that are not left out.
    """
    gate.place = f"{terms.outcome(table.outcome).many.capitalize()}: {terms.by(table.by).lower()}"
    rows = [r for r in table.rows if _name(table.by, r, letters) is not None and _is_told(gate, r)]
    few = [r for r in table.rows if r not in rows]
    if table.by in CODED and _known_by_volume(rows):
        gate.withhold(KNOWN_BY_VOLUME)
        return None
    names = [f"{table.by} {r.name}" for r in rows]
    failed = [f"{n} {table.outcome}" for n in names]
    people = [r.patients for r in rows], [r.failed_patients for r in rows]
    teeth: list[int | None]
    failures: list[int | None]
    if table.by == "overall":
        teeth = [gate.teeth(r.teeth, p, group=n) for r, p, n in zip(rows, people[0], names, strict=True)]
        failures = [gate.failures(r.failures, p, group=n) for r, p, n in zip(rows, people[1], failed, strict=True)]
    else:
        teeth = gate.table(names, [r.teeth for r in rows], people[0], left_out=[r.teeth for r in few])
        failures = gate.table(
            failed, [r.failures for r in rows], people[1], kind=FAILURES, left_out=[r.failures for r in few]
        )
    released = [
        _rate(gate, r, _name(table.by, r, letters) or "", t, f if t is not None else None)
        for r, t, f in zip(rows, teeth, failures, strict=True)
    ]
    ordered = sorted(released, key=lambda r: TOOTH_GROUPS.index(r.name) if r.name in TOOTH_GROUPS else len(r.name))
    if table.by in ("year", *CODED):
        ordered = sorted(released, key=lambda r: r.name)
    return ReleasedRates(table.outcome, table.by, tuple(ordered))


def _is_told(gate: Gate, r: RateRow) -> bool:
    """Whether a row is of so many teeth, of so many patients, that it may stand in a table."""
    return gate.enough(r.teeth, kind=TEETH) and (r.patients is None or gate.rounding.count(r.patients) is not None)


def _known_by_volume(rows: Sequence[RateRow]) -> bool:
    """The (1, 50) dominance rule on the teeth of a table by clinician or clinic, and at least three of them."""
    sizes = [r.teeth for r in rows if r.name != NOT_RECORDED]
    return len(sizes) < FEWEST_CODED or 100 * max(sizes) > DOMINANCE_PERCENT * sum(sizes)


def _rate(gate: Gate, r: RateRow, name: str, teeth: int | None, failures: int | None) -> ReleasedRate:
    counts = (ReleasedCount(teeth), ReleasedCount(failures))
    if failures is None or teeth is None or r.survival is None or r.ci_low is None or r.ci_high is None:
        return ReleasedRate(name, *counts, r.years, None, None, None)
    # Nobody enters late, so at least (those followed at the end) times (the share that failed) have failed.
    figures = (r.survival, r.ci_low, r.ci_high)
    shown = release_share(gate, figures, of=teeth, behind=r.followed * (1 - r.survival), beside=r.followed)
    return ReleasedRate(name, *counts, r.years, *(shown or (None, None, None)))


def _name(by: str, row: RateRow, letters: dict[str, str]) -> str | None:
    """The name a row may bear; None for one that is none of ours."""
    if by == "overall":
        return "whole practice"
    if by == "year":
        return row.name if re.fullmatch(r"(19|20)\d\d", row.name) else None
    if by == "tooth_group":
        return row.name if row.name in TOOTH_GROUPS else None
    return NOT_RECORDED if row.name == NOT_RECORDED else letters.get(row.name)


def _letters(gate: Gate, results: Results, by: str) -> dict[str, str]:
    """A letter for each clinician or site of whom some table may tell, the same on every page of a run.

    The order hangs on the records, which nobody outside has, so that neither the alphabet nor the number of teeth gives
    a name away. Whoever has too few teeth for any table has no letter, whose lack would tell of him.
    """
    salt = results.records.digest or (
        "".join(sorted(f"{r.hash}{r.rows_read}" for r in results.quality.loads)) + repr(results.counts)
    )
    rows = (r for t in results.rates if t.by == by and is_outcome(t.outcome) for r in t.rows)
    names = {r.name for r in rows if _is_told(gate, r)} - {NOT_RECORDED}
    mixed = sorted(names, key=lambda n: hashlib.sha256(f"{salt}|{by}|{n}".encode()).hexdigest())
    return {name: nth_letter(i) for i, name in enumerate(mixed[:LETTERED])}
