"""What a run found of those who stopped coming: who, the figure that allows for them, and what would turn a verdict."""

from dataclasses import dataclass


@dataclass(frozen=True)
class LostFromSight:
    """Of `teeth` of a group, `lost` were lost from sight before the horizon, while they could have been followed."""

    group: str
    teeth: int
    lost: int


@dataclass(frozen=True)
class Weighed:
    """The main adjusted figures, each stretch weighted by the inverse chance of still being followed.

    `reasons` are what leaving was modelled on. `left` of `teeth` crowns left for good. `leaves_ratio` is how many times
    as fast the opened left as those treated before (None where it cannot be told). Weights lie between `weight_low` and
    `weight_high`, the quantiles that `truncated` of `stretches` were set back to. Figures are None where a model gives
    none. Differences are per 100, group minus reference, as the main one.
    """

    reasons: tuple[str, ...]
    left: int
    teeth: int
    leaves_ratio: float | None
    weight_low: float
    weight_high: float
    stretches: int
    truncated: int
    hazard_ratio: float | None
    hr_low: float | None
    hr_high: float | None
    per_100: float | None
    ci_low: float | None
    ci_high: float | None


@dataclass(frozen=True)
class Tipping:
    """How many more (or fewer) of 100 lost from sight in `group` must have failed before the verdict is another one.

    `extra_per_100` is by the horizon, against those still seen, and below 0 for fewer; `ratio` is how many times as
    fast they fail after their loss. Both are None, and `verdict` empty, where no amount turns it; `most_per_100` is
    what none or all of them failing comes to.
    """

    group: str
    more: bool
    most_per_100: float
    extra_per_100: float | None = None
    ratio: float | None = None
    verdict: str = ""


@dataclass(frozen=True)
class Leaving:
    """Those who left, of one comparison. `away_days`: last seen so long before the records end counts as left."""

    away_days: int
    lost: tuple[LostFromSight, ...]
    verdict: str  # what the range says now, in the codes of verdicts
    tipping: tuple[Tipping, ...]
    weighed: Weighed | None = None
    notes: tuple[str, ...] = ()
