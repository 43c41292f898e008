"""What chart notes gave and how right they are read, as the data-quality page shows it: inside the practice only."""

from dataclasses import dataclass


@dataclass(frozen=True)
class FieldRead:
    """One field in the sample that was held against the charts. Shares lie between 0 and 1; None without rows.

    `read` values were read and judged, `right` of them are so; `there` are those that the chart says.
    """

    table: str
    field: str
    read: int
    right: int
    there: int
    predictive_value: float | None
    predictive_low: float | None
    predictive_high: float | None
    sensitivity: float | None
    sensitivity_low: float | None
    sensitivity_high: float | None


@dataclass(frozen=True)
class MisreadContrast:
    """One technique comparison, as counted and as it would be if notes were misread as the check found.

    Odds ratios of failure, group over reference, crude. `moved` is None where the errors contradict the counts.
    """

    title: str
    outcome: str
    group: str
    reference: str
    field: str
    counted: float
    moved: float | None
    moved_low: float | None
    moved_high: float | None
    sensitivity: float
    specificity: float


@dataclass(frozen=True)
class NotesRead:
    """Values read from notes: how many fill a field, agree with what is recorded, differ from it, or wait."""

    values: int
    sure: int
    used: int
    agree: int
    differ: int
    open: int
    checked: int  # notes of the sample that were held against the chart
    fields: tuple[FieldRead, ...] = ()
    contrasts: tuple[MisreadContrast, ...] = ()
