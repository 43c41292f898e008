"""Healing at recall: adjusted shares, and what may be said of their difference."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.covariates import Covariate, Levels, Numeric, design, independent
from pipeline.questions.group_ratios import patient_codes
from pipeline.questions.techniques.grouping import Grouped
from pipeline.questions.verdict import DIFFERS, LITTLE_DIFFERENCE, TOO_EARLY
from pipeline.results.gap import Gap
from pipeline.results.safety import spoken_code, with_caution
from pipeline.results.technique import TechniqueGroup
from pipeline.stats.logistic import StandardShares, standard_shares
from pipeline.stats.standardised import AdjustedDifference

CLINICIAN = Levels("provider_id", "clinician")
RECALL = Numeric("recall_years", "time to the recall", 1.0)
UNLIKE = 0.10  # shares recalled that lie this far apart are spoken of


@dataclass(frozen=True)
class Healing:
    """Adjusted shares not healed, None where the model gave none. `within` as in the engine: within clinicians."""

    shares: StandardShares | None
    used: tuple[str, ...]
    missing: tuple[Gap, ...]
    notes: tuple[str, ...]
    by_clinician: bool
    within: bool


def healing(groups: Grouped, adjust: tuple[Covariate, ...], analysis: Analysis) -> Healing:
    """Share of recalled teeth not healed by group, from a logistic model with the covariates, clinician and recall.

    Where groups do not vary within any clinician's teeth, the clinician is left out and `within` is False.
    """
    covariates = (*adjust, RECALL)
    several = groups.rows["provider_id"].n_unique() > 1
    if several:
        found = _fit(groups, (*covariates, CLINICIAN), by_clinician=True, within=True)
        if found.shares is not None:
            return found
    return _fit(groups, covariates, by_clinician=False, within=not several)


def healing_difference(shares: StandardShares, pair: tuple[str, str], analysis: Analysis) -> AdjustedDifference:
    """Teeth not healed per 100, the first group minus the second."""
    found = shares.difference(*pair, confidence=analysis.confidence)
    return AdjustedDifference(
        group=pair[0],
        reference=pair[1],
        day=0,
        from_day=0,
        per_100=100 * found.difference,
        std_error=100 * found.std_error,
        low=100 * found.low,
        high=100 * found.high,
        p=found.p,
        confidence=analysis.confidence,
    )


def healing_sentence(
    code: str,
    difference: AdjustedDifference | None,
    group: tuple[str, int],
    reference: tuple[str, int],
    smallest: float,
    *,
    safety: bool = False,
) -> str:
    """What a verdict says of teeth not healed; `group` and `reference` are label and count of teeth not healed."""
    said = _healing_sentence(spoken_code(code, safety=safety), difference, group, reference, smallest)
    return with_caution(said, safety=safety)


def _healing_sentence(
    code: str,
    difference: AdjustedDifference | None,
    group: tuple[str, int],
    reference: tuple[str, int],
    smallest: float,
) -> str:
    one, other = group[0].lower(), reference[0].lower()
    if code == TOO_EARLY or difference is None:
        return f"Too few teeth to compare (not healed: {group[1]} with {one}, {reference[1]} with {other})."
    spread = f"{_signed(difference.low)} to {_signed(difference.high)} not healed per 100"
    if code == LITTLE_DIFFERENCE:
        return f"Any difference in healing is probably smaller than {smallest:g} per 100 ({spread})."
    if code == DIFFERS:
        return (
            f"In these records, {_count(difference.per_100)} not healed at recall per 100 with {one} than with {other} "
            f"({spread}); this may be due to which teeth were treated which way, and which came back."
        )
    return f"With {one} instead of {other} it could be {spread}: we cannot tell yet."


def recall_notes(groups: Sequence[TechniqueGroup]) -> tuple[str, ...]:
    """How many teeth that were due came back, overall and by group, and what that may do to the comparison."""
    due, seen = sum(g.due or 0 for g in groups), sum(g.teeth for g in groups)
    came = [(g.teeth / g.due, g.label) for g in groups if g.due]
    if not due or not came:
        return ()
    (least, fewest), (most, fullest) = min(came), max(came)
    notes: tuple[str, ...] = (
        f"Healing is judged on the {seen:,} of {due:,} teeth due ({100 * seen / due:.0f} %) that came back for a film: "
        "those with trouble may come back more often than others, or less often.",
    )
    if most - least >= UNLIKE:
        notes += (
            f"They did not come back alike ({100 * least:.0f} % with {fewest.lower()}, {100 * most:.0f} % with "
            f"{fullest.lower()}): that alone can make a difference in healing, or hide one.",
        )
    return notes


def _fit(groups: Grouped, covariates: tuple[Covariate, ...], *, by_clinician: bool, within: bool) -> Healing:
    rows = groups.rows
    states = [name for name in groups.labels if name != groups.reference]
    indicators = np.column_stack([(rows["state"] == s).cast(pl.Float64).to_numpy() for s in states])
    full = design(rows, covariates)
    made = independent(full, indicators)
    # A clinician whose column follows from the groups has teeth in one group alone: nothing is told within clinicians.
    told_apart = made.of.count(CLINICIAN.label) == full.of.count(CLINICIAN.label)
    x = np.column_stack([indicators, made.x])
    used = tuple(label for label in made.used if label != CLINICIAN.label)
    notes = tuple(f"Not adjusted for {name}." for name in made.left_out)
    columns: dict[str, str | None] = {name: None if name == groups.reference else name for name in groups.labels}
    shares = None
    if told_apart:
        with suppress(ValueError):
            shares = standard_shares(
                rows["event"], x, names=(*states, *made.names), groups=columns, cluster=patient_codes(rows)
            )
    if shares is None:
        notes = (*notes, "No adjusted shares: the groups or the covariates tell healed teeth from the rest too well.")
    return Healing(shares, used, made.missing, notes, by_clinician, within)


def _signed(per_100: float) -> str:
    return f"{abs(round(per_100))} {'more' if per_100 >= 0 else 'fewer'}"


def _count(per_100: float) -> str:
    whole = abs(round(per_100))
    return f"{whole} {'more' if per_100 > 0 else 'fewer'} teeth" if whole else "about as many teeth"
