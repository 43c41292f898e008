"""The verdict on a comparison, by its interval alone: one of four, tested in a fixed order so that every case has one.

The smallest difference that would change practice is set before the data are seen; see `Analysis` in the settings.
Wording never goes above what one practice's records can carry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from scipy.special import ndtri

from pipeline.practice.counts import count
from pipeline.practice.counts import years as in_years
from pipeline.results import Difference, Group, Verdict
from pipeline.results.safety import NEXT_STEP, spoken_code, with_caution
from pipeline.results.verdict_codes import CANNOT_TELL, DIFFERS, LITTLE_DIFFERENCE, TOO_EARLY
from pipeline.stats.limits import z_value

__all__ = [
    "CANNOT_TELL",
    "DIFFERS",
    "LITTLE_DIFFERENCE",
    "TOO_EARLY",
    "Basis",
    "Scales",
    "decide",
    "range_words",
    "withheld",
    "write_verdict",
]

# A forecast further away than this is not worth printing: habits and materials will have changed.
FORECAST_YEARS = 10
POWER = 0.8


@dataclass(frozen=True)
class Basis:
    """What a verdict stands on; `safety` is true of a measure of safety, see `safety.py`."""

    group: Group
    reference: Group
    difference: Difference | None
    horizon_years: float
    smallest_per_100: float
    min_failures: int
    years_of_records: float
    safety: bool = False
    scales: Scales | None = None
    confidence: float = 0.95


@dataclass(frozen=True)
class Scales:
    """The adjusted ratio with its limits, beside the difference; None where there is no adjusted ratio.

    `adjusted` says whether the difference is.
    """

    ratio: tuple[float, float, float] | None
    adjusted: bool = True


def decide(
    difference: Difference | None,
    failures: tuple[int, int],
    *,
    smallest: float,
    min_failures: int,
    scales: Scales | None = None,
    horizon_years: float = 0.0,
) -> str:
    """The verdict's code, by the first rule that holds.

    1. Too early: fewer than `min_failures` in either group, or no difference (too few are followed to any horizon).
    2. Little difference: the whole interval lies within the smallest difference that matters, even if it excludes 0.
       Not by fewer years than `horizon_years`: what is little by then may not be little by the horizon.
    3. Differs: the interval excludes 0 and passes the smallest difference that matters.
    4. Cannot tell: everything else.

    With `scales` a difference must show on both: where the range of the ratio holds 1, where the two point opposite
    ways, or where nothing could be adjusted for, `differs` becomes `cannot_tell`. The E-value of the limit nearer to
    none is 1 exactly where the range of the ratio holds 1, so what is claimed always has one above 1.
    Sources: Altman 1995.
    """
    if difference is None or min(failures) < min_failures:
        return TOO_EARLY
    low, high = difference.ci_low, difference.ci_high
    if -smallest < low and high < smallest and difference.years >= horizon_years:
        return LITTLE_DIFFERENCE
    if (low > 0 or high < 0) and not one_scale_alone(difference, scales):
        return DIFFERS
    return CANNOT_TELL


def one_scale_alone(difference: Difference, scales: Scales | None) -> str:
    """Why a difference whose range leaves out 0 is not claimed all the same; empty where it may be."""
    if scales is None or difference.ci_low <= 0 <= difference.ci_high:
        return ""
    if not scales.adjusted or scales.ratio is None:
        return "It could not be adjusted for how the teeth differ, so nothing is claimed."
    ratio, low, high = scales.ratio
    if low <= 1 <= high or (ratio > 1) != (difference.per_100 > 0):
        return (
            f"Alone this would pass for a difference, but the ratio of how fast they fail ({low:.2f} to {high:.2f}) "
            "does not show it: what is claimed must show on both scales."
        )
    return ""


def withheld(verdict: Verdict, why: str) -> Verdict:
    """The verdict where a difference is not claimed all the same: its range, and why not."""
    return replace(verdict, code=CANNOT_TELL, sentence=f"{verdict.range} {why}")


def write_verdict(basis: Basis) -> Verdict:
    """The verdict in plain words. Differences are in whole teeth per 100."""
    failures = (basis.group.failures, basis.reference.failures)
    found = decide(
        basis.difference,
        failures,
        smallest=basis.smallest_per_100,
        min_failures=basis.min_failures,
        scales=basis.scales,
        horizon_years=basis.horizon_years,
    )
    code = spoken_code(found, safety=basis.safety)
    group, reference = basis.group.label.lower(), basis.reference.label.lower()
    smallest = f"{basis.smallest_per_100:g} per 100"
    doubt = (
        "The teeth were not assigned by chance: whatever led to one treatment rather than the other may itself decide "
        "how long they last."
    )
    if code == TOO_EARLY or basis.difference is None:
        return _too_early(basis, group, reference, doubt)
    d = basis.difference
    by = _by(d)
    result = f"{_count(d.per_100)} per 100 with {group} than with {reference} {by}."
    interval = f"The range that the records allow is {range_words(d)} per 100."
    if d.years < basis.horizon_years:
        interval += f" Too few are followed for {in_years(basis.horizon_years)}: this is {by}."
    sentences = {
        LITTLE_DIFFERENCE: f"Any difference {by} is probably smaller than {smallest} ({range_words(d)} per 100).",
        DIFFERS: (
            f"In these records, {_count(d.per_100, start=False)} per 100 with {group} than with {reference} {by} "
            f"({range_words(d)} per 100); this may be due to which teeth were treated which way."
        ),
        CANNOT_TELL: f"With {group} instead of {reference} it could be {range_words(d)} failures per 100 {by}"
        f"{': we cannot tell yet' if found == code else ''}.",
    }
    verdict = Verdict(
        code=code,
        sentence=with_caution(sentences[code], safety=basis.safety),
        result=result,
        range=interval,
        doubt=doubt,
        next_step=_next(basis, code) if found == code else NEXT_STEP,
        smallest_difference_per_100=basis.smallest_per_100,
    )
    alone = one_scale_alone(d, basis.scales) if found == CANNOT_TELL else ""
    return withheld(verdict, alone) if alone else verdict


def _too_early(basis: Basis, group: str, reference: str, doubt: str) -> Verdict:
    counts = f"{_failures(basis.group.failures)} with {group}, {_failures(basis.reference.failures)} with {reference}"
    few = min(basis.group.failures, basis.reference.failures) < basis.min_failures
    if few:
        sentence = f"Too few failures so far to compare ({counts})."
    else:
        sentence = f"Too few teeth are followed for {in_years(basis.horizon_years)} to compare ({counts})."
    return Verdict(
        code=TOO_EARLY,
        sentence=with_caution(sentence, safety=basis.safety),
        result=f"So far: {counts}.",
        range=f"No range is given below {basis.min_failures} failures in a group, or where too few are followed.",
        doubt=doubt,
        next_step="Look again in a year; looking more often only raises the chance of a false alarm.",
        smallest_difference_per_100=basis.smallest_per_100,
    )


def _next(basis: Basis, code: str) -> str:
    if code != CANNOT_TELL or basis.difference is None:
        return "More of these records will not say why: other practices’ records may, or treatments chosen by chance."
    half, limit = (basis.difference.ci_high - basis.difference.ci_low) / 2, z_value(basis.confidence)
    # The range narrows with the square root of the number of failures.
    times = (half / basis.smallest_per_100 * (limit + float(ndtri(POWER))) / limit) ** 2
    goal = f"find a difference of {basis.smallest_per_100:g} per 100, if there is one, four times in five"
    if times <= 1:
        return f"These records are enough to {goal}; a smaller one takes more."
    years = math.ceil((times - 1) * basis.years_of_records)
    pooled = f"the records of {math.ceil(times)} practices of this size together"
    if years > FORECAST_YEARS:
        return f"Not here within {FORECAST_YEARS} years; {pooled} would {goal}."
    return f"About {count(years, 'more year')} of records at the present pace, or {pooled}, would {goal}."


def _by(d: Difference) -> str:
    if d.from_days == 0:
        return f"by {in_years(d.years)}"
    return f"from {_months(d.from_days)} to {in_years(d.years)}"


def _months(days: int) -> str:
    months = max(1, round(days / 30.4375))
    return f"{months} month{'s' if months != 1 else ''}"


def _count(per_100: float, *, start: bool = True) -> str:
    n = round(abs(per_100))
    if n == 0:
        text = "about as many failures"
    else:
        text = f"{n} {'more' if per_100 > 0 else 'fewer'} failure{'s' if n != 1 else ''}"
    return text[0].upper() + text[1:] if start else text


def range_words(d: Difference) -> str:
    """The range of a difference in whole teeth per 100, in words."""
    low, high = round(d.ci_low), round(d.ci_high)
    if low >= 0:
        return f"{low} to {high} more"
    if high <= 0:
        return f"{-high} to {-low} fewer"
    return f"{-low} fewer to {high} more"


def _failures(n: int) -> str:
    return f"{n} failure{'s' if n != 1 else ''}"
