"""What pooling several practices found: one object that the page and `pooled.json` read their numbers from.

Every count is a sum of rounded counts; practices are letters. Ratios and differences are group against reference.
"""

from dataclasses import dataclass

POOLED_SCHEMA = 2
MEMBER, KEY, NOBODY = "member", "key", "nobody"


@dataclass(frozen=True)
class PooledPractice:
    """One practice: a letter, the last month of its data, how many questions it told of, and its file's SHA-256.

    `signed_by` is `member` (a key on the list of whoever pooled), `key` (signed, by whom is not checked) or `nobody`.
    """

    letter: str
    data_until: str
    software: str
    questions: int
    digest: str
    signed_by: str


@dataclass(frozen=True)
class PooledPart:
    """One practice's value with its range, its share of the pooled one, and the pooled one without it.

    The last three are None where fewer than three practices gave a value.
    """

    letter: str
    value: float
    low: float
    high: float
    weight: float
    without: float | None = None
    without_low: float | None = None
    without_high: float | None = None


@dataclass(frozen=True)
class PooledValue:
    """A hazard ratio or a difference per 100, pooled by random effects.

    `kind` is `crude`, `adjusted` (hazard ratios) or `difference` (per 100). The range is by Hartung and Knapp, never
    narrower than the usual one (`usual_low`, `usual_high`). `predicted_low` and `predicted_high` hold what one further
    practice like these would truly have; with two practices they say next to nothing. `tau2` is the variance between
    practices, on the scale of the logarithm for ratios; `i2` a share; `others` the same value by other estimators of
    that variance.
    """

    kind: str
    value: float
    low: float
    high: float
    usual_low: float
    usual_high: float
    p: float
    predicted_low: float
    predicted_high: float
    q: float
    q_p: float
    i2: float
    i2_low: float
    i2_high: float
    tau2: float
    tau2_low: float
    tau2_high: float
    others: tuple[tuple[str, float, float, float], ...]  # method, value, low, high
    parts: tuple[PooledPart, ...]
    heterogeneity: tuple[str, ...]
    leave_one_out: str
    adjusted_for: tuple[str, ...] = ()


@dataclass(frozen=True)
class PooledPoint:
    """The pooled curve at a month: failed of 100 with the range, and the practices and teeth it rests on."""

    months: int
    failed: float
    low: float
    high: float
    followed: int
    practices: int


@dataclass(frozen=True)
class PooledGroup:
    """One group over all practices. Counts leave out practices that hide theirs; `told` says how many told them."""

    name: str
    label: str
    teeth: int
    failures: int
    told: int
    points: tuple[PooledPoint, ...]
    spread: float  # how much more the practices differ along the curve than chance would have them; at least 1


@dataclass(frozen=True)
class PooledMix:
    """One practice's group: teeth, patients, failures and teeth by tooth group, None where hidden."""

    letter: str
    group: str
    teeth: int | None
    patients: int | None
    failures: int | None
    tooth_groups: tuple[int | None, ...]


@dataclass(frozen=True)
class PooledVerdict:
    """The verdict by the four rules, on the pooled difference; the code is one of `questions.verdict`."""

    code: str
    sentence: str
    range: str
    doubt: str
    next_step: str


@dataclass(frozen=True)
class PooledComparison:
    """One question over all practices that gave figures for it."""

    id: str
    title: str
    outcome: str
    clock: str
    horizon_years: float
    smallest_difference_per_100: float
    groups: tuple[PooledGroup, ...]  # the group, then its reference
    values: tuple[PooledValue, ...]
    mix: tuple[PooledMix, ...]
    verdict: PooledVerdict
    notes: tuple[str, ...]
    technique: bool = False
    p_family: float | None = None  # of technique questions: corrected for all that were pooled
    safety: bool = False  # a measure of safety, see `pipeline.results.safety`
    ratio_leads: bool = False  # no difference per 100 tells anything, so none is told in a headline


@dataclass(frozen=True)
class PooledResults:
    """Everything that pooling found."""

    practices: tuple[PooledPractice, ...]
    comparisons: tuple[PooledComparison, ...]
    rules: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    schema: int = POOLED_SCHEMA
