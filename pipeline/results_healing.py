"""What a run found of healing at recall and of losses by cause; shares between 0 and 1, days integers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class CountedShare:
    """`count` of `of` teeth (or pairs of readings); the share and its limits are None where there are too few."""

    count: int
    of: int
    share: float | None = None
    ci_low: float | None = None
    ci_high: float | None = None


@dataclass(frozen=True)
class RecallRow:
    """Healing of completed root canals in one group at the latest recall; shares are of those `recalled`.

    `successes` are healed by the strict count (PAI 1 or 2, no symptoms): they, `uncertain` and `not_healed` add up to
    those recalled. `loose` (or lower than before treatment) is of those whose index before treatment is known.
    """

    name: str
    completed: int
    due: int
    recalled: int
    patients: int
    successes: int
    success: float | None
    ci_low: float | None
    ci_high: float | None
    uncertain: CountedShare | None = None
    not_healed: CountedShare | None = None
    loose: CountedShare | None = None


@dataclass(frozen=True)
class Agreement:
    """How far two readings of one film agree.

    `kind` is `same_reader`, `two_readers` or `reader_not_told`. `exact`: the same index; `same_side`: both healed (1 or
    2) or both not (3 to 5). Kappa is weighted by steps of the index, None where it cannot be told.
    """

    kind: str
    patients: int
    exact: CountedShare
    same_side: CountedShare
    kappa: float | None
    ci_low: float | None
    ci_high: float | None


@dataclass(frozen=True)
class LossPoint:
    """Cumulative incidence by `years`: shares between 0 and 1; `at_risk` are followed beyond that day."""

    years: float
    at_risk: int
    estimate: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True)
class LossByCause:
    """Teeth lost by one cause (`all` for the total), and how many of 100 by each year."""

    cause: str
    losses: int
    points: tuple[LossPoint, ...]


@dataclass(frozen=True)
class LossGroup:
    """Teeth of one group: `causes` add up to `total`, in losses and at every point.

    `starts_at_days` is where the points of a group that teeth enter later are counted from: those of teeth still there.
    """

    name: str
    label: str
    teeth: int
    patients: int
    starts_at_days: int
    causes: tuple[LossByCause, ...]
    total: LossByCause


@dataclass(frozen=True)
class LossTable:
    """Losses of teeth by cause on one clock: `since_completion` or `since_seat`; the first group holds all teeth."""

    id: str
    title: str
    clock: str
    groups: tuple[LossGroup, ...]
    notes: tuple[str, ...]
