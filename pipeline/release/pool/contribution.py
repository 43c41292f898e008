"""What one practice gives for pooling. The classes refuse any value that the rules of disclosure would not let out.

So a file made or changed by hand can say no more than one that `contribute` writes, and nothing but known words. Values
that no practice can have (more teeth lost than there were, more time than teeth can have had) are refused too.
"""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.release.disclosure import (
    LOG_STEPS,
    OTHER_COVARIATE,
    SLACK,
    SMALLEST,
    STEP,
    STEPS_PER_100,
    fewest_behind,
    is_rounded,
    is_rounded_error,
    on_step,
)
from pipeline.release.pool.agreed import (
    COVARIATES,
    DEFINITIONS,
    MODELS,
    NOTE,
    SCHEMA,
    TOOTH_GROUPS,
    Pooled,
    questions,
    sayable_rule,
)
from pipeline.release.pool.signing import read_key_number
from pipeline.release.side_by_side import Part
from pipeline.results import GRID_MONTHS, LAST_MONTH

_CODE = re.compile(r"[0-9a-f]{16}")
_MONTH = re.compile(r"20\d{2}-(0[1-9]|1[0-2])")
_SOFTWARE = re.compile(r"toothyears \d{1,3}(\.\d{1,3}){1,2}")
_HEX_KEY = re.compile(r"([0-9a-f]{64})?")
_SIGNATURE = re.compile(r"([0-9a-f]{128})?")
_LARGEST = 10_000_000
MARKS = 256
MOST_DRAWS = 20  # each of half as many patients again: a thousandfold
LARGEST_MARK = 100_000_000
MOST_KEYS = 20


class NotReleasedError(ValueError):
    """A value that may not leave a practice, or that no practice can have; the text names its kind, quoting nothing."""


@dataclass(frozen=True)
class Ratio:
    """A logarithm of a hazard ratio, group against reference, on a step worth five failures of the smaller group.

    `std_error` holds the error of the rounding too.
    """

    model: str
    adjusted_for: tuple[str, ...]
    log_hazard_ratio: float
    step: float
    std_error: float

    def __post_init__(self) -> None:
        _refuse(self.model not in MODELS, "a model")
        _refuse(not all(c in COVARIATES or c == OTHER_COVARIATE for c in self.adjusted_for), "a characteristic")
        _refuse(len(set(self.adjusted_for)) < len(self.adjusted_for), "a characteristic that stands twice")
        _refuse(type(self.step) is not float or self.step not in LOG_STEPS, "a step")
        fine = _two_decimals(self.log_hazard_ratio) and on_step(self.log_hazard_ratio, self.step)
        _refuse(not (fine and abs(self.log_hazard_ratio) < 10), "a hazard ratio")
        _refuse(not (_two_decimals(self.std_error) and 0 < self.std_error < 100), "the error of a hazard ratio")


@dataclass(frozen=True)
class Gap:
    """Failures per 100 by the horizon, group minus reference, on a step worth five teeth of the smaller group.

    `std_error` holds the error of the rounding too. `from_start` is False where counting begins once both are followed.
    """

    per_100: int
    step: int
    std_error: float
    adjusted: bool
    from_start: bool

    def __post_init__(self) -> None:
        _refuse(self.step not in STEPS_PER_100 or type(self.step) is not int, "a step")
        whole = type(self.per_100) is int and abs(self.per_100) <= 100
        _refuse(not whole or self.per_100 % self.step != 0, "a difference")
        _refuse(not (_two_decimals(self.std_error) and 0 < self.std_error < 1000), "the error of a difference")
        _refuse(type(self.adjusted) is not bool or type(self.from_start) is not bool, "a mark of a difference")


@dataclass(frozen=True)
class Line:
    """The risk set at one point of the grid. `tooth_years` and `failures` count from the first line of the table on.

    `failures` is None (hidden) under 11 and then stays as it is until 11 more have happened.
    """

    months: int
    followed: int
    tooth_years: int
    failures: int | None

    def __post_init__(self) -> None:
        on_grid = type(self.months) is int and 0 <= self.months <= LAST_MONTH and self.months % GRID_MONTHS == 0
        _refuse(not on_grid, "a month")
        _refuse(self.followed is None or not is_rounded(self.followed) or self.followed > _LARGEST, "a number followed")
        whole = type(self.tooth_years) is int and 0 <= self.tooth_years <= _LARGEST
        _refuse(not whole or self.tooth_years % STEP != 0, "a number of tooth-years")
        _refuse(not is_rounded(self.failures) or (self.failures or 0) > _LARGEST, "a number of failures")


@dataclass(frozen=True)
class Side:
    """One group: counts of teeth, patients and failures, teeth by tooth group in the fixed order, and its table."""

    name: str
    teeth: int | None
    patients: int | None
    failures: int | None
    tooth_groups: tuple[int | None, ...]
    table: tuple[Line, ...]

    def __post_init__(self) -> None:
        counts = (self.teeth, self.patients, self.failures, *self.tooth_groups)
        _refuse(not all(is_rounded(n) and (n or 0) <= _LARGEST for n in counts), "a count")
        _refuse(len(self.tooth_groups) not in (0, len(TOOTH_GROUPS)), "a case mix")
        _refuse(bool(self.table) and None in (self.teeth, self.failures), "a table of a hidden group")
        teeth = self.teeth or 0
        if self.teeth is not None:
            parts = (self.patients or 0, self.failures or 0, *(n or 0 for n in self.tooth_groups))
            _refuse(max(parts) > teeth, "more in a part than in the whole")
            off = SLACK * (1 + len(TOOTH_GROUPS))
            _refuse(sum(n or 0 for n in self.tooth_groups) > teeth + off, "more in all parts than in the whole")
        for line in self.table:
            _refuse(line.followed > teeth or (line.failures or 0) > (self.failures or 0), "more than there are")
        for before, after in zip(self.table, self.table[1:], strict=False):
            years = after.tooth_years - before.tooth_years
            _refuse(after.months != before.months + GRID_MONTHS, "a gap in the table")
            _refuse(years < 0, "falling tooth-years")
            _refuse((before.failures is not None and after.failures is None), "failures that vanish")
            _refuse((after.failures or 0) < (before.failures or 0), "falling failures")
            _refuse(years > teeth * GRID_MONTHS / 12 + 2 * STEP, "more tooth-years than teeth can have")


@dataclass(frozen=True)
class Contrast:
    """One question: the group and its reference, the hazard ratio with fewest and with most adjustments, the gap."""

    id: str
    outcome: str
    clock: str
    group: Side
    reference: Side
    crude: Ratio | None
    adjusted: Ratio | None
    gap: Gap | None

    def __post_init__(self) -> None:
        asked = questions().get(self.id)
        _refuse(asked is None, "a question")
        assert asked is not None
        _refuse((self.outcome, self.clock) != (asked.outcome, asked.clock), "another outcome or clock")
        _refuse((self.group.name, self.reference.name) != (asked.group, asked.reference), "a group")
        sides = (self.group, self.reference)
        for side, late in zip(sides, asked.may_enter_late, strict=True):
            _refuse(bool(side.table) and not asked.curves, "a table")
            rises = any(b.followed > a.followed for a, b in zip(side.table, side.table[1:], strict=False))
            _refuse(rises and not late, "a rising number followed")
        values = [v for v in (self.crude, self.adjusted, self.gap) if v is not None]
        teeth = [s.teeth for s in sides if s.teeth is not None]
        failures = [s.failures for s in sides if s.failures is not None]
        _refuse(bool(values) and len(teeth) + len(failures) < 4, "a ratio of a hidden group")
        _refuse(any(isinstance(v, Ratio) and v.model != asked.model for v in values), "another model")
        for v in values:
            fewest = fewest_behind(min(teeth if isinstance(v, Gap) else failures))
            worth = v.step * fewest / (100 if isinstance(v, Gap) else 1)
            _refuse(worth < STEP - 1e-9, "too fine a step")
            _refuse(not is_rounded_error(v.std_error, failures_told=min(failures)), "too fine an error")

    @property
    def asked(self) -> Pooled:
        """The question in words."""
        return questions()[self.id]


@dataclass(frozen=True)
class Contribution:
    """All that one practice gives: `code` is drawn by chance and names nobody, `data_until` is a month.

    `marks` (`marks.py`) tell whether two files rest on the same patients' work, and of no patient whether his is in
    them. `key` is the public key that `signature` is of, both empty in a file that nobody signed; `former_keys` are the
    key numbers that this practice signed with before.
    """

    schema: int
    definitions: int
    software: str
    note: str
    code: str
    data_until: str
    rules: tuple[tuple[str, str], ...]
    contrasts: tuple[Contrast, ...]
    marks: tuple[int, ...] = ()
    former_keys: tuple[str, ...] = ()
    key: str = ""
    signature: str = ""

    def __post_init__(self) -> None:
        whole = type(self.schema) is int and type(self.definitions) is int
        _refuse(not whole or (self.schema, self.definitions) != (SCHEMA, DEFINITIONS), "an outdated form")
        _refuse(not isinstance(self.software, str) or not _SOFTWARE.fullmatch(self.software), "a version")
        _refuse(self.note != NOTE, "a note")
        _refuse(not isinstance(self.code, str) or not _CODE.fullmatch(self.code), "a practice code")
        _refuse(not isinstance(self.data_until, str) or not _MONTH.fullmatch(self.data_until), "a month")
        names = [name for name, _ in self.rules]
        _refuse(len(set(names)) < len(names), "a rule that stands twice")
        _refuse(not all(sayable_rule(name, value) for name, value in self.rules), "a rule")
        ids = [c.id for c in self.contrasts]
        _refuse(len(set(ids)) < len(ids), "a question that stands twice")
        draws = len(self.marks) / (2 * MARKS)
        _refuse(len(self.marks) != MARKS and draws not in range(MOST_DRAWS + 1), "so many marks")
        _refuse(not all(type(n) is int and abs(n) <= LARGEST_MARK for n in self.marks), "a mark")
        numbers = [isinstance(n, str) and read_key_number(n) == n for n in self.former_keys]
        _refuse(not all(numbers) or len(numbers) > MOST_KEYS, "a former key")
        _refuse(not isinstance(self.key, str) or not _HEX_KEY.fullmatch(self.key), "a key")
        _refuse(not isinstance(self.signature, str) or not _SIGNATURE.fullmatch(self.signature), "a signature")
        _refuse(bool(self.key) != bool(self.signature), "a key without a signature, or a signature without a key")


def _two_decimals(value: object) -> bool:
    return type(value) is float and math.isfinite(value) and round(value, 2) == value


def _refuse(broken: bool, what: str) -> None:
    if broken:
        raise NotReleasedError(f"a contribution may not hold {what} like this (counts under {SMALLEST} are hidden)")


# Of the same teeth what the first counts is among what the second does.
_LOST, _FAILED = "_tooth_loss", "_endo_failure"
_AMONG = {"tooth_survival_by_crown_after_endo": "endo_free_of_intervention_by_crown"}


def parts_of(given: Contribution) -> dict[str, Part]:
    """Every told count by a name, with its whole where that is told: teeth lost are among those that failed."""
    sides = {f"{c.asked.compared} {s.name}": s for c in given.contrasts for s in (c.group, c.reference)}
    out: dict[str, Part] = {f"{of} {what}": (n, None) for of, side in sides.items() for what, n in _counts(side)}
    for of, side in sides.items():
        compared, name = of.split(" ", 1)
        among = _AMONG.get(compared) or (compared.replace(_LOST, _FAILED) if compared.endswith(_LOST) else None)
        whole = sides.get(f"{among} {name}")
        if whole is not None:
            out[f"{of} failures"] = (side.failures, whole.failures)
    return out


def _counts(side: Side) -> Iterator[tuple[str, int | None]]:
    yield from (("teeth", side.teeth), ("patients", side.patients), ("failures", side.failures))
    yield from zip(TOOTH_GROUPS, side.tooth_groups, strict=False)
    for line in side.table:
        yield from ((f"followed {line.months}", line.followed), (f"failures {line.months}", line.failures))
