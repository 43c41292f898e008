"""All headline verdicts as one family of looks, all technique questions as another, and what that means for a verdict.

Headlines are the main comparison, the same crowns since the opening, the crown after a root canal by each outcome, the
delay to the crown, and the trial of the hyperemic tooth by crown and by tooth.
"""

import math
from collections.abc import Mapping
from dataclasses import replace

from scipy.special import ndtr

from pipeline.questions.analysis import Analysis
from pipeline.questions.group_ratios import adjusted_ratio
from pipeline.questions.verdict import DIFFERS, withheld
from pipeline.results import Comparison, Difference, Looked, Verdict
from pipeline.results.technique import of_100_by_chance
from pipeline.stats.limits import z_value
from pipeline.stats.multiplicity import holm

# The main comparison is asked first and named beforehand: of the chance of a false claim that the headlines have it
# holds four fifths, the others share the last. Where the main comparison differs, they share the whole (weighted Holm).
# The technique questions are looked through for what may differ; a family of their own, as when practices are pooled,
# or a hundred of them would take from the headlines, and the headlines all from them.
MAIN_SHARE = 0.8


def among_headlines(p: Mapping[str, float | None], *, main: str) -> dict[str, Looked]:
    """The p of every headline, alone and corrected for all of them, by id; `main` is that of the main comparison."""
    asked = {name: value for name, value in p.items() if value is not None}
    if not asked:
        return {}
    rest = (1 - MAIN_SHARE) / max(sum(name != main for name in asked), 1)
    weights = [MAIN_SHARE if name == main else rest for name in asked]
    corrected = holm(list(asked.values()), weights).tolist()
    return {
        name: Looked(value, among, len(asked), weight / sum(weights))
        for (name, value), among, weight in zip(asked.items(), corrected, weights, strict=True)
    }


def alone_main(p: float | None) -> Looked | None:
    """The main comparison as it may be claimed whatever the other headlines show."""
    return None if p is None else Looked(p, min(1.0, p / MAIN_SHARE), 1, MAIN_SHARE)


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
    if p is None:
        return None
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


def in_family(comparison: Comparison, looked: Looked | None, analysis: Analysis) -> Comparison:
    """A comparison as it may be claimed among all looks: a difference that only stands alone is not named."""
    return replace(comparison, verdict=verdict_in_family(comparison.verdict, looked, analysis))


def by_chance(p_family: float | None) -> str:
    """How often one as clear comes up where nothing differs, from a p corrected for the family: that is its bound."""
    if p_family is None:
        return "one as clear comes up by chance too often"
    most = of_100_by_chance(p_family)
    if most >= 50:
        return "among so many, chance alone may well show one as clear"
    return f"where nothing differs, chance shows one as clear in up to {most} of 100 practices"


def verdict_in_family(verdict: Verdict, looked: Looked | None, analysis: Analysis) -> Verdict:
    """`in_family` of a verdict."""
    verdict = replace(verdict, looked=looked)
    if verdict.code != DIFFERS or looked is None or looked.p_family < 1 - analysis.confidence:
        return verdict
    # Most of what chance is allowed goes to the question named beforehand: p times the number of looks is not this p.
    among = "it does not stand alone"
    if looked.looks > 1:
        part = f"1/{round(1 / looked.share)}"
        among = f"{looked.looks} main questions share what chance is allowed, and this one has {part} of it"
    return withheld(
        verdict,
        f"Alone it would pass for a difference (p {looked.p:.2g}), but {among}: p becomes {looked.p_family:.2g}, and "
        "chance is not ruled out.",
    )
