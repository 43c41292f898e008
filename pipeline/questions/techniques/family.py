"""All headline verdicts and all technique questions as one family of looks, and what that means for a verdict.

Headlines are the main comparison, the same crowns since the opening, the crown after a root canal by each outcome, the
delay to the crown, and the trial of the hyperemic tooth by crown and by tooth.
"""

from __future__ import annotations

import math
from dataclasses import replace

from scipy.special import ndtr

from pipeline.questions.analysis import Analysis
from pipeline.questions.group_ratios import adjusted_ratio
from pipeline.questions.verdict import DIFFERS, withheld
from pipeline.results import Comparison, Difference, Verdict
from pipeline.stats.limits import z_value

# The main comparison is asked first and named beforehand: of the chance of a false claim it has four fifths. Of the
# last fifth the other headlines share one half and the technique questions the other, so that some five headlines are
# not lost among a hundred techniques. Where the main comparison differs, they share the whole (weighted Holm).
MAIN_SHARE = 0.8
HEADLINE_SHARE = 0.5


def main_p(comparison: Comparison | None, analysis: Analysis) -> float | None:
    """Two-sided p of a comparison, the larger of those of its difference and its ratio; None without a difference.

    A claim must show on both scales, so the larger p is that of the claim.
    """
    if comparison is None or comparison.difference is None:
        return None
    d = comparison.difference
    p = difference_p(d, analysis)
    overall = comparison.steady.overall if comparison.steady is not None else None
    ratio = adjusted_ratio(comparison.estimates, (d.group, d.reference))
    if p is None or (overall is None and ratio is None):
        return p
    if overall is None:
        return max(p, ratio.p) if ratio is not None else p
    value, low, high = overall
    error = math.log(high / low) / (2 * z_value(analysis.confidence))
    return max(p, float(2 * ndtr(-abs(math.log(value)) / error)))


def difference_p(d: Difference | None, analysis: Analysis) -> float | None:
    """Two-sided p of a difference by its range; None where there is none."""
    if d is None or not d.ci_high > d.ci_low:
        return None
    reach = d.per_100 - d.ci_low if d.per_100 > 0 else d.ci_high - d.per_100
    error = reach / z_value(analysis.confidence)
    return float(2 * ndtr(-abs(d.per_100) / error))


def in_family(comparison: Comparison, p_family: float | None, analysis: Analysis) -> Comparison:
    """A comparison as it may be claimed among all looks: a difference that only stands alone is not named."""
    verdict = verdict_in_family(comparison.verdict, p_family, analysis)
    return comparison if verdict is comparison.verdict else replace(comparison, verdict=verdict)


def by_chance(p_family: float | None) -> str:
    """How often one as clear comes up where nothing differs, from a p corrected for the family: that is its bound."""
    if p_family is None:
        return "one as clear comes up by chance too often"
    most = min(100, math.ceil(100 * p_family))
    return f"where nothing differs, chance shows one as clear in up to {most} of 100 practices"


def verdict_in_family(verdict: Verdict, p_family: float | None, analysis: Analysis) -> Verdict:
    """`in_family` of a verdict."""
    if verdict.code != DIFFERS or p_family is None or p_family < 1 - analysis.confidence:
        return verdict
    return withheld(
        verdict,
        "Alone it would just pass for a difference, but it is counted with all other questions asked of these records, "
        "and among so many looks it cannot be told from chance yet.",
    )
