"""What a run found: one object that every page, slide, sentence and `results.json` reads its numbers from.

`compare` fills it, the store keeps it as JSON, `dashboards` draws it. Days are integers; years are for display.
Survival is a share between 0 and 1; differences and rates say `per_100` in their name.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import types
import typing
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from pipeline.results.evidence import Evidence
from pipeline.results.gap import Gap
from pipeline.results.healing import Agreement, LesionHealing, LossTable, ReaderWay, RecallRow
from pipeline.results.leaving import Leaving
from pipeline.results.monitoring import Benchmark, Monitoring
from pipeline.results.notes import NotesRead
from pipeline.results.owner import Owner
from pipeline.results.planning import Plan
from pipeline.results.points import CaseCurve, CurvePoint, IncidencePoint
from pipeline.results.records import Records
from pipeline.results.states import CrownStates
from pipeline.results.steady import MeanYears, Steady, WithinPatient
from pipeline.results.technique import Learning, TechniqueAnswer, TradeCheck, TradeCount
from pipeline.results.trial_words import CROWN
from pipeline.results.unseen import Unseen

SCHEMA = 1
DAYS_PER_YEAR = 365.25
# Of the half-years on which curves are shared.
GRID_MONTHS = 6
LAST_MONTH = 360


@dataclass(frozen=True)
class HalfYear:
    """How a group stands at a half-year of its clock: `followed` beyond that day, and `failed` up to it.

    `failed_patients` are those of whom a tooth failed up to it; None where nobody counted them. Shared curves are made
    of these alone, wherever the settings have the curve begin and stop.
    """

    months: int
    followed: int
    failed: int
    failed_patients: int | None = None


@dataclass(frozen=True)
class Milestone:
    """One column of the table under a curve; followed + failed + ended = entered.

    `survival` is None where the curve has stopped before, or not yet started.
    """

    years: float
    entered: int
    followed: int
    failed: int
    ended: int
    survival: float | None = None
    ci_low: float | None = None
    ci_high: float | None = None


@dataclass(frozen=True)
class Group:
    """One group of a comparison. `crowns`, `patients` and `failures` count by label, the group that each was in last.

    `followed` teeth, of `followed_patients`, were in the state at some time, which together is `tooth_years`: one that
    changed its group counts in both. `failed_patients` are those of whom a tooth failed; None where nobody counted.
    """

    name: str
    label: str
    crowns: int
    patients: int
    failures: int
    tooth_years: float
    rate_per_100_tooth_years: float
    rate_ci_low: float
    rate_ci_high: float
    curve: tuple[CurvePoint, ...] = ()
    milestones: tuple[Milestone, ...] = ()
    starts_at_days: int = 0
    stops_at_days: int | None = None
    stop_reason: str = ""
    failed_patients: int | None = None
    half_years: tuple[HalfYear, ...] = ()
    followed: int = 0
    followed_patients: int = 0


@dataclass(frozen=True)
class Estimate:
    """One hazard ratio, with the model that gave it."""

    contrast: str
    model: str
    adjusted_for: tuple[str, ...]
    stratified_by: tuple[str, ...]
    hazard_ratio: float
    ci_low: float
    ci_high: float
    p: float
    clustered_on: str
    rows: int
    crowns: int
    events: int
    clusters: int

    @property
    def limits(self) -> tuple[float, float, float]:
        """The ratio, its lower and its upper limit."""
        return self.hazard_ratio, self.ci_low, self.ci_high


@dataclass(frozen=True)
class Naive:
    """The comparison one would make by hand, and why it misleads."""

    contrast: str
    hazard_ratio: float
    ci_low: float
    ci_high: float
    why_biased: str
    explanation: str
    survival: tuple[tuple[str, float], ...]  # group name, share in place at the horizon by the label from the seat


@dataclass(frozen=True)
class Difference:
    """Failures per 100 by `years`: group minus reference; above 0 means that `group` failed more."""

    group: str
    reference: str
    years: float
    from_days: int
    per_100: float
    ci_low: float
    ci_high: float
    method: str


@dataclass(frozen=True)
class Looked:
    """A claim among all main questions: its two-sided `p` alone, `p_family` corrected for all `looks` (weighted Holm).

    `share` is the part of the chance of a false claim that this question has while none has been claimed: the one named
    beforehand has more than the others.
    """

    p: float
    p_family: float
    looks: int
    share: float


@dataclass(frozen=True)
class Verdict:
    """The verdict in plain words; every number in it comes from the same comparison."""

    code: str  # too_early, little_difference, differs, cannot_tell, depends_on_how_we_count
    sentence: str
    result: str
    range: str
    doubt: str
    next_step: str
    smallest_difference_per_100: float
    looked: Looked | None = None  # None where nothing could be claimed, or it is counted in another family


@dataclass(frozen=True)
class FlowStep:
    """One step of the cohort flow: what was left, what went, and why."""

    step: str
    left: int
    removed: int
    why: str
    unit: str  # rows, crowns, courses


@dataclass(frozen=True)
class BalanceRow:
    """How unlike two groups are in one characteristic: absolute standardised difference; `after` None if unweighted.

    `of_group` and `of_reference` are what the characteristic is in each: the mean of a number where it is recorded, the
    share of the teeth that are so for anything else; None where not told.
    """

    name: str
    label: str
    before: float
    after: float | None = None
    of_group: float | None = None
    of_reference: float | None = None


@dataclass(frozen=True)
class Robustness:
    """What a comparison could and could not have shown.

    `detectable_per_100` is the smallest difference that these records would have shown four times in five. The E-values
    (of the estimate, and of the limit nearer to no effect) are None unless a difference is claimed.
    """

    detectable_per_100: float | None
    e_value: float | None
    e_value_limit: float | None
    balance: tuple[BalanceRow, ...]
    leaving: Leaving | None = None


@dataclass(frozen=True)
class Choice:
    """The main comparison under one combination of defensible choices: choice name to the option taken."""

    options: dict[str, str]
    per_100: float | None
    ci_low: float | None
    ci_high: float | None
    hazard_ratio: float | None
    hr_low: float | None
    hr_high: float | None
    crowns: tuple[tuple[str, int], ...]  # group name, crowns
    failures: tuple[tuple[str, int], ...]
    verdict: str
    is_main: bool

    @property
    def says(self) -> str:
        """By its own range `more` or `fewer` failures; empty where that holds both."""
        return "more" if (self.ci_low or 0) > 0 else "fewer" if (self.ci_high or 0) < 0 else ""


@dataclass(frozen=True)
class Choices:
    """The main comparison over every combination of choices, and whether its verdict hangs on them."""

    options: dict[str, list[str]]
    rows: tuple[Choice, ...]
    verdicts: dict[str, int]
    depends: bool
    sentence: str
    sample: Sample | None = None
    leans: tuple[str, ...] = ()  # what to say of ways that use what came later, or lean one way
    beside: tuple[str, ...] = ()  # what stands beside the main figure, whatever the verdict

    def in_common(self) -> tuple[str, str] | None:
        """The one choice, and what was chosen, that all ways which say a difference share and the main way has not.

        Read as a count alone they would pass for so many witnesses, where all of them hang on that choice.
        """
        told = [c for c in self.rows if c.says and c.ci_low is not None and c.ci_high is not None]
        main = next((c for c in self.rows if c.is_main), None)
        if main is None or len(told) < 2 or len({c.says for c in told}) > 1:
            return None
        chosen = {name: {c.options.get(name, value) for c in told} for name, value in main.options.items()}
        found = [(n, min(w)) for n, w in chosen.items() if len(w) == 1 and main.options[n] not in w]
        return found[0] if len(found) == 1 else None


@dataclass(frozen=True)
class Sample:
    """Crowns of the patients that were drawn, of all crowns with a known seat."""

    crowns: int
    of: int


@dataclass(frozen=True)
class Comparison:
    """One question answered."""

    id: str
    title: str
    question: str
    outcome: str
    clock: str
    groups: tuple[Group, ...]
    estimates: tuple[Estimate, ...]
    naive: Naive | None
    difference: Difference | None
    verdict: Verdict
    flow: tuple[FlowStep, ...]
    missing: tuple[Gap, ...]
    notes: tuple[str, ...]
    horizon_years: float
    crude_difference: Difference | None = None
    robustness: Robustness | None = None
    choices: Choices | None = None
    steady: Steady | None = None
    mean_years: MeanYears | None = None
    within_patient: WithinPatient | None = None


@dataclass(frozen=True)
class RateRow:
    """One line of a table of success rates. Survival is None where too few are followed that long.

    `failed_patients` as of a `Group`.
    """

    name: str
    teeth: int
    patients: int
    failures: int
    tooth_years: float
    years: float
    followed: int
    survival: float | None
    ci_low: float | None
    ci_high: float | None
    failed_patients: int | None = None


@dataclass(frozen=True)
class RateTable:
    """Success rates of crowns or root canals by one characteristic."""

    id: str  # e.g. crown_survival_by_tooth_group
    title: str
    outcome: str  # the `rate` of an outcome in `practice/outcomes.py`
    by: str  # overall, year, provider_id, tooth_group, site_id
    rows: tuple[RateRow, ...]


@dataclass(frozen=True)
class LoadRow:
    """One file read: rows_read = loaded + duplicate + reversed + quarantined. `mended` of those set aside count in
    a mended copy.
    """

    file: str
    hash: str
    table: str
    rows_read: int
    loaded: int
    duplicate: int
    quarantined: int
    reversed: int = 0
    mended: int = 0

    @property
    def adds_up(self) -> bool:
        """Whether every row read is accounted for."""
        return self.rows_read == self.loaded + self.duplicate + self.reversed + self.quarantined


@dataclass(frozen=True)
class QuarantineRow:
    """Rows set aside for one reason in one field."""

    table: str
    field: str
    reason: str
    stage: str
    rows: int
    meaning: str
    what_to_do: str


@dataclass(frozen=True)
class FilledIn:
    """In how many of the rows of a table that could hold a field it is filled in: a cleaning has no tooth."""

    table: str
    field: str
    rows: int
    filled: int


@dataclass(frozen=True)
class OtherTexts:
    """Texts of a field with usual words that are none of these: kept, and not understood. Counts, never the texts."""

    table: str
    field: str
    rows: int
    texts: int


@dataclass(frozen=True)
class LinkNote:
    """A count that the linking step made, with what it means for the results; `of_others`: of work done elsewhere."""

    id: str
    count: int
    meaning: str
    of_others: bool = False


@dataclass(frozen=True)
class UnknownCode:
    """A procedure code that the code list does not know; `teeth` counts the teeth that its rows name."""

    code: str
    rows: int
    teeth: int = 0


@dataclass(frozen=True)
class FileChange:
    """Rows of an earlier file that a later one changes in one field; `row vanished` counts those it no longer has."""

    table: str
    earlier: str
    later: str
    field: str
    rows: int


@dataclass(frozen=True)
class Quality:
    """Can these records be trusted? `codes_advice`: lines for PRACTICE.toml that give the unknown codes a meaning."""

    loads: tuple[LoadRow, ...] = ()
    quarantine: tuple[QuarantineRow, ...] = ()
    filled_in: tuple[FilledIn, ...] = ()
    links: tuple[LinkNote, ...] = ()
    unknown_codes: tuple[UnknownCode, ...] = ()
    flow: tuple[FlowStep, ...] = ()
    codes_advice: tuple[str, ...] = ()
    changes: tuple[FileChange, ...] = ()
    other_texts: tuple[OtherTexts, ...] = ()
    notes: NotesRead | None = None


ALL_OTHERS = "all_other_questions"  # the id of what was not run where the main comparison alone was made


@dataclass(frozen=True)
class SmallGroup:
    """A group of a question that could not be asked, since its groups are too small: `failures` of its `teeth`."""

    name: str
    teeth: int
    failures: int
    label: str = ""


@dataclass(frozen=True)
class NotRun:
    """An analysis that the data do not allow, with the fields it lacks, or the groups that are too small."""

    id: str
    title: str
    needs: tuple[str, ...]
    groups: tuple[SmallGroup, ...] = ()


@dataclass(frozen=True)
class FollowUp:
    """How complete follow-up is. Days; shares between 0 and 1.

    `median_days` is the median of the reverse Kaplan-Meier curve (None if not reached), `lost` the share whose
    follow-up ended before the data cut-off without failure or death, `clark_c` the follow-up seen over that possible.
    """

    of: str
    teeth: int
    median_days: int | None
    lost: float
    clark_c: float


@dataclass(frozen=True)
class ProtocolRow:
    """One line of the protocol table: what a trial would do, and what stands in for it in these records."""

    part: str
    trial: str
    records: str


@dataclass(frozen=True)
class IncidenceCurve:
    """Cumulative incidence of one outcome in one arm. `adjusted` says whether it is weighted.

    `event_patients` are those to whom a tooth had the outcome; None where nobody counted them.
    """

    arm: str
    label: str
    outcome: str
    teeth: int
    patients: int
    events: int
    adjusted: bool
    points: tuple[IncidencePoint, ...]
    event_patients: int | None = None


@dataclass(frozen=True)
class TrialOutcome:
    """One outcome of an emulated trial: the difference of the two ways, or why none is given, and both in a sentence.

    `difference` is the adjusted one where `adjusted`, else the crude one. `verdict` is on it; None where the outcome is
    no failure (the need of a root canal).
    """

    outcome: str
    difference: Difference | None
    adjusted: bool
    why_none: str
    sentence: str
    verdict: Verdict | None = None


@dataclass(frozen=True)
class DiagnosisRow:
    """How many teeth of each arm have one diagnosis; `value` is empty where none is recorded.

    `field` is a field of `endo_details`; `when` is "by_prep" (known at the decision) or "by_seat" (recorded later).
    """

    field: str
    when: str
    value: str
    teeth: tuple[tuple[str, int], ...]  # arm, teeth


@dataclass(frozen=True)
class TrialArm:
    """One way of an emulated trial, into which every tooth was cloned.

    `followed` teeth were seen to take it and `either` had what both ways would have done; the clones of the `departed`
    were censored. `largest_weight` is that of a clone after its bounds; None without weights.
    """

    arm: str
    label: str
    followed: int
    either: int
    departed: int
    largest_weight: float | None


@dataclass(frozen=True)
class Trial:
    """The decision on a hyperemic tooth, as an emulated trial: treat before the seat, or seat it vital and wait."""

    id: str
    title: str
    question: str
    protocol: tuple[ProtocolRow, ...]
    curves: tuple[IncidenceCurve, ...]
    differences: tuple[tuple[str, Difference], ...]  # outcome, difference per 100 (treat first minus wait)
    everyday: tuple[str, ...]  # sentences, each computed
    everyday_curves: tuple[IncidenceCurve, ...]
    balance: tuple[BalanceRow, ...]
    flow: tuple[FlowStep, ...]
    notes: tuple[str, ...]
    outcomes: tuple[TrialOutcome, ...] = ()
    diagnoses: tuple[DiagnosisRow, ...] = ()
    not_compared: str = ""
    arms: tuple[TrialArm, ...] = ()

    @property
    def judged(self) -> tuple[tuple[TrialOutcome, Verdict], ...]:
        """The outcomes with a verdict: the crown first, then the tooth."""
        return tuple((o, o.verdict) for o in self.outcomes if o.verdict is not None)

    @property
    def verdict(self) -> Verdict | None:
        """The verdict on the crown, which the decision is named by."""
        return next((v for o, v in self.judged if o.outcome == CROWN), None)


@dataclass(frozen=True)
class Check:
    """One figure of this run computed a second time by another library; `largest_gap` is the absolute difference."""

    what: str
    by: str
    rows: int
    largest_gap: float
    tolerance: float


@dataclass(frozen=True)
class Counts:
    """Rows and people; `crowns` are those whose seat date is known."""

    procedures: int
    patients: int
    crowns: int
    endo_courses: int
    quarantined: int
    crowns_unknown_age: int


@dataclass(frozen=True)
class Results:
    """Everything that one run found."""

    practice: str
    data_from: str
    data_cutoff: str
    counts: Counts
    comparisons: tuple[Comparison, ...]
    rates: tuple[RateTable, ...]
    quality: Quality
    not_run: tuple[NotRun, ...]
    rules: dict[str, str]
    analysis: dict[str, str]
    versions: dict[str, str]
    cautions: tuple[str, ...] = field(default=())
    checks: tuple[Check, ...] = field(default=())
    followup: tuple[FollowUp, ...] = field(default=())
    recalls: tuple[RecallRow, ...] = field(default=())
    agreement: tuple[Agreement, ...] = ()
    reader_ways: tuple[ReaderWay, ...] = ()
    lesion_healing: LesionHealing | None = None
    losses: tuple[LossTable, ...] = ()
    states: CrownStates | None = None
    trials: tuple[Trial, ...] = field(default=())
    own_cases: tuple[CaseCurve, ...] = field(default=())
    techniques: tuple[TechniqueAnswer, ...] = ()
    learning: tuple[Learning, ...] = ()
    monitoring: tuple[Monitoring, ...] = field(default=())
    benchmarks: tuple[Benchmark, ...] = field(default=())
    calibration: str = ""
    trade_checks: tuple[TradeCheck, ...] = field(default=())
    trade_counts: tuple[TradeCount, ...] = field(default=())
    planning: tuple[Plan, ...] = field(default=())
    unseen: tuple[Unseen, ...] = field(default=())
    evidence: Evidence | None = None
    owner: Owner = field(default_factory=Owner)
    records: Records = field(default_factory=Records)
    schema: int = SCHEMA


_AS_IS = frozenset((str, int, float, bool, types.NoneType))


def to_plain(value: Any) -> Any:
    """Dataclasses, tuples and dates as JSON's own types."""
    if type(value) in _AS_IS:
        return value
    if isinstance(value, (tuple, list)):
        return [to_plain(v) for v in value]
    if isinstance(value, dict):
        return {k: to_plain(v) for k, v in value.items()}
    if isinstance(value, dt.date):
        return value.isoformat()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {name: to_plain(getattr(value, name)) for name in _names(type(value))}
    return value


@functools.cache
def _names(kind: type) -> tuple[str, ...]:
    return tuple(f.name for f in dataclasses.fields(kind))


def from_plain(kind: Any, value: Any) -> Any:
    """The inverse of `to_plain` for an annotated type: `from_plain(Results, json.loads(text))`."""
    read = _reader(kind)
    return value if read is None else read(value)


@functools.cache
def _reader(kind: Any) -> Callable[[Any], Any] | None:
    """How a value of an annotated type is read back; None: it is that value already."""
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        one = _reader(next(k for k in inner if k is not types.NoneType))
        return None if one is None else lambda value: None if value is None else one(value)
    if origin is tuple and len(inner) == 2 and inner[1] is Ellipsis:
        each = _reader(inner[0])
        return tuple if each is None else lambda value: tuple(map(each, value))
    if origin is tuple:
        return lambda value: tuple(from_plain(k, v) for k, v in zip(inner, value, strict=True))
    if origin is dict:
        return dict
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        hints = typing.get_type_hints(kind)
        return lambda value: kind(**{k: from_plain(hints[k], v) for k, v in value.items()})
    return None
