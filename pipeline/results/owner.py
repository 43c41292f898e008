"""What the owner's sheet says: how we do, whether it changes, what to do next, what can be trusted. Plain types only.

Shares lie between 0 and 1 and are of teeth free of the event; differences are in failures per 100 teeth, above 0 where
more failed in the first of the two that are compared. Days are ISO 8601.
"""

from dataclasses import dataclass, field

RECENT_MONTHS = 24  # a signal is recent within so many months of the end of the records
GRADES = ("firm", "fair", "thin")
LEAST_FOLLOWED = (0.80, 0.60)  # for firm and for fair


def followed_grade(share: float) -> str:
    """The grade of a share seen of what could have been: follow-up, or teeth judged at recall."""
    firm, fair = LEAST_FOLLOWED
    return GRADES[(share < firm) + (share < fair)]


@dataclass(frozen=True)
class Stretch:
    """A rate of one stretch of time: of teeth followed then (by period), or begun then (by cohort).

    `followed` are the teeth still under observation past `years`; `survival` is None where too few are.
    """

    first_day: str
    last_day: str
    teeth: int
    patients: int
    failures: int
    years: float
    followed: int
    survival: float | None
    ci_low: float | None
    ci_high: float | None


@dataclass(frozen=True)
class Change:
    """One rate against another: `per_100` more failed (below 0: fewer), with its range.

    `verdict` is better, same, worse or cannot_tell; `why` says why not more is said: too_few (failures in either),
    not_followed (to any of the years asked for), many_looks (stood out alone, not among `looks`), wide (the range holds
    both none and more than `matters_per_100`); empty for a claim. `p` is that of no change, `p_of_all` after Holm among
    `looks`.
    """

    verdict: str
    why: str
    years: float
    per_100: float | None = None
    ci_low: float | None = None
    ci_high: float | None = None
    p: float | None = None
    p_of_all: float | None = None
    looks: int = 1
    matters_per_100: float = 5.0
    least_failures: int = 0


@dataclass(frozen=True)
class BegunSince:
    """Teeth begun after those of `OverTime.late`, not yet comparable: so many failed so far.

    `expected` are as many as failed by the same age of those begun before; `against` is whether these counts speak
    against a claim of better or worse.
    """

    first_day: str
    last_day: str
    teeth: int
    failures: int
    expected: float
    against: bool = False


@dataclass(frozen=True)
class OverTime:
    """A rate of late against the same rate of the time before; both None where neither could be made.

    Whoever is not known to have left counts as followed to the end of the records.
    """

    late: Stretch | None
    before: Stretch | None
    change: Change
    since: BegunSince | None = None


@dataclass(frozen=True)
class Measured:
    """One thing that trust hangs on: `share` of what could be (or teeth of 100 for a range), and how good that is.

    `name`: followed, set_aside, day_guessed, order_uncertain, range. `grade`: firm, fair, thin.
    """

    name: str
    share: float
    grade: str


@dataclass(frozen=True)
class Trust:
    """How far a figure can be trusted: the worst grade of what it hangs on."""

    grade: str
    measured: tuple[Measured, ...]


@dataclass(frozen=True)
class BesidePublished:
    """Ours against one published figure that counts as we do; `matters_per_100` is in the `change`.

    `exact` where the source gives neither a range nor a number of teeth: its figure is then taken as it stands.
    `trust` is that in ours at these years; None where they are the rate's own, whose trust is told.
    """

    benchmark_id: str
    citation: str
    years: float
    published: float
    ours: float
    ours_low: float | None
    ours_high: float | None
    change: Change
    exact: bool
    trust: Trust | None = None


@dataclass(frozen=True)
class SheetLine:
    """One rate of the sheet, whether it changes, how it stands beside published ones, how far to trust it."""

    outcome: str
    rate: Stretch
    over_time: OverTime
    published: tuple[BesidePublished, ...]
    trust: Trust


@dataclass(frozen=True)
class EarlyRow:
    """Teeth begun in one year, or in several that were taken together, at each of `EarlySigns.years`."""

    name: str
    at: tuple[Stretch, ...]


@dataclass(frozen=True)
class EarlySigns:
    """Failures soon after the start, by the year in which the teeth were begun, and the latest against those before."""

    outcome: str
    years: tuple[float, ...]
    rows: tuple[EarlyRow, ...]
    late: tuple[OverTime, ...]  # one for each of `years`
    trust: Trust


@dataclass(frozen=True)
class SignalCases:
    """A signal of the running chart: `failed` from `since` to `month` where `expected` were.

    `who` is all, or a clinician held against colleagues. `recent`: within `RECENT_MONTHS` of the end of the records.
    """

    outcome: str
    who: str
    since: str
    month: str
    failed: int
    expected: float
    ratio: float
    false_alarm_years: float
    recent: bool


@dataclass(frozen=True)
class ToDo:
    """Something to do that follows from the data: what (signals, reviews, ask, mend, codes), and how many of them."""

    what: str
    count: int
    of: int
    long_not_seen: int = 0


@dataclass(frozen=True)
class Choice:
    """One chooser of the filters: `field` of the teeth and what can be chosen; the first stands for all."""

    field: str
    options: tuple[str, ...]


@dataclass(frozen=True)
class Part:
    """Teeth of one combination of choices (`chosen`: the place in each chooser's options) in one outcome.

    `followed`, `survival`, `ci_low` and `ci_high` stand at each year of `Filters.years`, as far as enough are followed.
    """

    outcome: str
    chosen: tuple[int, ...]
    teeth: int
    patients: int
    failures: int
    followed: tuple[int, ...]
    survival: tuple[float, ...]
    ci_low: tuple[float, ...]
    ci_high: tuple[float, ...]


@dataclass(frozen=True)
class Filters:
    """Rates and curves of every combination with at least `smallest` teeth, made beforehand."""

    choices: tuple[Choice, ...]
    years: tuple[float, ...]
    smallest: int
    min_at_risk: int
    parts: tuple[Part, ...]
    left_out: tuple[str, ...] = ()  # choosers that would ask for too many combinations


@dataclass(frozen=True)
class Moved:
    """One figure of the last run and of this one; `outcome` names the rate, `by` rate, over_time or published."""

    outcome: str
    by: str
    before: float | None
    now: float | None
    verdict_before: str
    verdict_now: str


@dataclass(frozen=True)
class SinceLastRun:
    """What changed since the last run on other records; `run_on` empty where this is the first."""

    run_on: str
    rows_before: int
    rows_now: int
    cutoff_before: str
    moved: tuple[Moved, ...]
    program_before: str = ""
    settings_changed: bool = False


@dataclass(frozen=True)
class Owner:
    """All of the owner's sheet.

    `recent_by_chance`: of practices where nothing changes, the share with a recent signal on any of the `charts`.
    """

    lines: tuple[SheetLine, ...] = ()
    early: tuple[EarlySigns, ...] = ()
    signals: tuple[SignalCases, ...] = ()
    to_do: tuple[ToDo, ...] = ()
    filters: Filters | None = None
    since: SinceLastRun | None = None
    late_years: int = field(default=3)
    charts: int = 0
    recent_by_chance: float = 0.0
