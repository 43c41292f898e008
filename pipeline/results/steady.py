"""Is the ratio of a comparison steady, what is it at first and later, and does it hold within the same patients?"""

from dataclasses import dataclass


@dataclass(frozen=True)
class SteadyTest:
    """One test of whether a hazard ratio changes; `on` is the clock it looks at."""

    term: str
    on: str
    chi_square: float
    df: int
    p: float


@dataclass(frozen=True)
class PhaseRatio:
    """The adjusted ratio in one phase since the group's own start: `first_year` or `later`."""

    phase: str
    failures: int
    hazard_ratio: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True)
class Steady:
    """Whether the adjusted ratio of `contrast` is steady.

    `steady` is None where it could not be tested, or the tests leave it open. `p` is Holm's over the two tests of the
    contrast; `tests` has those and, for the record, the one of every other term and of all together. `phases` are empty
    where a phase has too few failures. `overall` is the ratio over the whole window, with its limits, where the
    difference takes none as steady.
    """

    contrast: str
    steady: bool | None
    p: float | None
    tests: tuple[SteadyTest, ...]
    phases: tuple[PhaseRatio, ...]
    overall: tuple[float, float, float] | None
    sentence: str


@dataclass(frozen=True)
class MeanYears:
    """Difference of mean years in place from `from_days` to `years`, group minus reference, of the crowns compared."""

    group: str
    reference: str
    years: float
    from_days: int
    difference: float
    ci_low: float
    ci_high: float
    sentence: str


@dataclass(frozen=True)
class WithinPatient:
    """The ratio within the same patients: each patient's crowns have a baseline hazard of their own.

    `patients` are those whose crowns of both kinds, or of one of them and a third, are at risk together when one
    fails; `failures` are theirs. `agrees` is None where there are too few to say.
    """

    contrast: str
    hazard_ratio: float | None
    ci_low: float | None
    ci_high: float | None
    patients: int
    failures: int
    agrees: bool | None
    sentence: str
