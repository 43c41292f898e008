"""The main comparison and all technique questions as one family of looks, and what that means for the main one."""

from __future__ import annotations

from dataclasses import replace

from scipy.special import ndtr

from pipeline.questions.crown_longevity import Analysis
from pipeline.questions.verdict import CANNOT_TELL, DIFFERS
from pipeline.results import Comparison
from pipeline.stats.limits import z_value

# The main comparison is asked first and named beforehand: of the chance of a false claim it has four fifths. All
# technique questions share the last fifth, or the whole where the main comparison differs (weighted Holm).
MAIN_SHARE = 0.8


def main_p(comparison: Comparison | None, analysis: Analysis) -> float | None:
    """Two-sided p of the difference that the main verdict stands on; None where there is none.

    The limits may lie unevenly about the difference: p is that of the limit on the side of no difference.
    """
    d = comparison.difference if comparison is not None else None
    if d is None or not d.ci_high > d.ci_low:
        return None
    reach = d.per_100 - d.ci_low if d.per_100 > 0 else d.ci_high - d.per_100
    error = reach / z_value(analysis.confidence)
    return float(2 * ndtr(-abs(d.per_100) / error))


def in_family(comparison: Comparison, p_family: float | None, analysis: Analysis) -> Comparison:
    """The main comparison as it may be claimed among all looks: a difference that only stands alone is not named."""
    verdict = comparison.verdict
    if verdict.code != DIFFERS or p_family is None or p_family < 1 - analysis.confidence:
        return comparison
    sentence = (
        f"{verdict.range} Alone it would just pass for a difference, but it is counted with all technique questions, "
        "and among so many looks it cannot be told from chance yet."
    )
    return replace(comparison, verdict=replace(verdict, code=CANNOT_TELL, sentence=sentence))
