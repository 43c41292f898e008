"""What a run found of healing at recall and of losses by cause; shares between 0 and 1, days integers."""

from dataclasses import dataclass

from pipeline.results.points import IncidencePoint


@dataclass(frozen=True)
class CountedShare:
    """`count` of `of` teeth (or pairs of readings); the share and its limits are None where there are too few.

    `patients` are those whose teeth are the `count`; None where nobody counted them.
    """

    count: int
    of: int
    share: float | None = None
    ci_low: float | None = None
    ci_high: float | None = None
    patients: int | None = None


@dataclass(frozen=True)
class RecallRow:
    """Healing of completed root canals in one group at the latest recall; shares are of those `recalled`.

    `successes` are healed by the strict count (PAI 1 or 2, no symptoms): they, `uncertain` and `not_healed` add up to
    those recalled, and `healed_patients` have them. `loose` (or lower than before treatment) is of those whose index
    before treatment is known.
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
    healed_patients: int | None = None


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
    who: str = ""  # the reader, or the two; empty where all pairs of a kind are taken together


@dataclass(frozen=True)
class ReaderWay:
    """Healing at recall by one reader alone on the films that others read too (`films`), or by all agreed (`agreed`).

    `of` teeth were recalled, `healed` of them healed by the strict count. The teeth are the same in every way.
    """

    reader: str
    films: int
    healed: CountedShare


@dataclass(frozen=True)
class HealingPoint:
    """Lesions healed within `years`: shares between 0 and 1.

    `estimate` spreads the chance evenly between the films that it lies between; `at_least` and `at_most` put it at the
    later or the earlier one. `followed` lesions have a film that late or later, or were treated again.
    """

    years: float
    followed: int
    estimate: float
    at_least: float
    at_most: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True)
class LesionHealing:
    """How soon lesions heal after the root canal, from films between which each healed.

    Of `lesions` known before treatment, `filmed` have a film since that judges them, or were `treated_again`; those
    are of `patients`. `seen_healed` were seen healed, `seen_again` of them not healed on a later film. `points` are by
    quarters of a year, up to the last that enough are followed to; empty where there are too few.
    """

    lesions: int
    filmed: int
    patients: int
    seen_healed: int
    seen_again: int
    treated_again: int
    months_between: float | None  # median time between the last film before and the first that shows it healed
    points: tuple[HealingPoint, ...]


@dataclass(frozen=True)
class LossByCause:
    """Teeth lost by one cause (`all` for the total), and how many of 100 by each year.

    `patients` are those who lost them; None where nobody counted.
    """

    cause: str
    losses: int
    points: tuple[IncidencePoint, ...]
    patients: int | None = None


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
