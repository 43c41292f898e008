"""What watching the practice over time and by clinician found, and what others have published. Plain types only.

Ratios are observed over expected failures; shares lie between 0 and 1; months are `2024-03`, quarters `2024 Q1`.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class FunnelRow:
    """One clinician beside colleagues. `expected`: failures that so many `colleagues` lead one to expect.

    `ratio` is observed over expected, None without expected failures; the limits are what chance leaves of it for the
    whole family of clinicians (95 %, 99.8 %), None where the clinician is not judged or there is no end. `standing`:
    within, more_95, more_99_8, fewer_95, fewer_99_8; differ_95, differ_99_8 where two were left and nobody can say
    which of them is unusual; too_few to be judged. `notice_95` is the chance to stand outside the 95 % limits at
    `Funnel.times` the colleagues' rate. `shrunk` with its 95 % range is the rate over the practice's usual one, drawn
    to it as far as little was seen.
    """

    name: str
    teeth: int
    patients: int
    tooth_years: float
    observed: int
    expected: float
    ratio: float | None
    low_95: float | None
    high_95: float | None
    low_99_8: float | None
    high_99_8: float | None
    standing: str
    colleagues: int
    notice_95: float | None
    shrunk: float
    shrunk_low: float
    shrunk_high: float


@dataclass(frozen=True)
class Funnel:
    """Clinicians' failures beside those that their colleagues lead one to expect of teeth like theirs; never ranked.

    `dispersion` widens the limits where teeth of one patient fail together. `by_chance` is the simulated chance that
    anybody stands outside the 95 % limits where all `judged` are alike. `times`: see `FunnelRow.notice_95`.
    """

    rows: tuple[FunnelRow, ...]
    not_recorded: int
    min_expected: float
    times: float
    dispersion: float
    judged: int
    by_chance: float


@dataclass(frozen=True)
class RunningMonth:
    """One month: failures seen and expected, their running difference (expected minus observed) and the CUSUM."""

    month: str
    observed: int
    expected: float
    gap: float
    cusum: float
    signal: bool


@dataclass(frozen=True)
class Running:
    """Failures over time of the whole practice (`name` is all) or of one clinician.

    Failures of the whole practice are expected from all the years before, those of a clinician from colleagues. The
    CUSUM looks for `ratio` times the expected failures; `threshold` gives one false signal in `false_alarm_years`, on
    average over how wrong chance makes the expectation. `delay_months`: months until such a rise is noticed, on
    average, at the recent pace. `chance_in_span`: of at least one false signal in all these months. `dispersion`: how
    much more than chance the failures of a month vary, because teeth of one patient fail together. `rests_on`: failures
    that the latest expectation rests on.
    """

    name: str
    months: tuple[RunningMonth, ...]
    pace_a_year: float
    ratio: float
    threshold: float
    false_alarm_years: float
    delay_months: float
    chance_in_span: float
    dispersion: float
    rests_on: float


@dataclass(frozen=True)
class FirstYearRow:
    """Teeth of one quarter. `share` failed within a year, with its limits; None where none is followed that long.

    `limit_low` and `limit_high` are what chance leaves of the whole practice's share in a quarter of this size, 99.8 %.
    Not `complete`: some of its teeth could not yet be followed for a year, so it has no share and no limits.
    """

    quarter: str
    teeth: int
    failures: int
    share: float | None
    ci_low: float | None
    ci_high: float | None
    expected: float
    limit_low: float | None
    limit_high: float | None
    complete: bool
    outside: bool


@dataclass(frozen=True)
class FirstYear:
    """Failures in the first year by quarter. `longest_run`: of complete quarters on one side of the overall share; it
    means something only if `runs_told`: enough quarters, with `min_expected` failures each on average.
    """

    rows: tuple[FirstYearRow, ...]
    overall: float | None
    days: int
    longest_run: int
    run_limit: int
    min_quarters: int
    min_expected: float
    runs_told: bool


@dataclass(frozen=True)
class Monitoring:
    """One outcome watched by clinician and over time. None where there are too few failures to expect any."""

    outcome: str  # the `rate` of an outcome in `practice/outcomes.py`
    teeth: int
    failures: int
    adjusted_for: tuple[str, ...]
    left_out: tuple[str, ...]
    funnel: Funnel | None
    running: tuple[Running, ...]
    first_year: FirstYear | None
    min_failures: int


@dataclass(frozen=True)
class Benchmark:
    """One published figure that was read in its source; ours beside it if all definitions agree, else what differs.

    `outcome` to `teeth` are the typed words of `questions/benchmarks.py`, `definition` says what was counted,
    `population` where. `published` and `ours` are shares free of the event at `horizon_years`; `figure` is as printed,
    with its unit. `disagrees` names the fields that differ, `reasons` says how; both are empty where `comparable`.
    `our_failures` and `our_tooth_years` count up to the horizon.
    """

    benchmark_id: str
    outcome: str
    event: str
    start: str
    clock: str
    censoring: str
    teeth: str
    definition: str
    population: str
    tooth_type: str
    timing: str
    figure: str
    n: int | None
    citation: str
    doi: str
    seen_where: str
    note: str
    horizon_years: float | None
    published: float | None
    published_low: float | None
    published_high: float | None
    comparable: bool
    disagrees: tuple[str, ...]
    reasons: tuple[str, ...]
    our_definition: str = ""
    our_teeth: int | None = None
    ours: float | None = None
    ours_low: float | None = None
    ours_high: float | None = None
    our_failures: int | None = None
    our_tooth_years: float | None = None
