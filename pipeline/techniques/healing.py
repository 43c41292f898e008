"""Healing at recall: adjusted shares, and what may be said of their difference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.questions.covariates import Covariate, Levels, Numeric, design
from pipeline.questions.crown_longevity import Analysis, patient_codes
from pipeline.questions.verdict import DIFFERS, LITTLE_DIFFERENCE, TOO_EARLY
from pipeline.stats.standard_share import StandardShares, standard_shares
from pipeline.stats.standardised import AdjustedDifference
from pipeline.techniques.grouping import Grouped

CLINICIAN = Levels("provider_id", "clinician")
RECALL = Numeric("recall_years", "time to the recall", 1.0)


@dataclass(frozen=True)
class Healing:
    """Adjusted shares not healed, None where the model gave none. `within` as in the engine: within clinicians."""

    shares: StandardShares | None
    used: tuple[str, ...]
    missing: tuple[str, ...]
    notes: tuple[str, ...]
    by_clinician: bool
    within: bool


def healing(groups: Grouped, adjust: tuple[Covariate, ...], analysis: Analysis) -> Healing:
    """Share of recalled teeth not healed by group, from a logistic model with the covariates, clinician and recall.

    Where the groups do not vary within any clinician's teeth, the clinician is left out of the model and `within` is
    False.
    """
    covariates = (*adjust, RECALL) if "recall_years" in groups.rows.columns else adjust
    several = groups.rows["provider_id"].n_unique() > 1
    if several:
        found = _fit(groups, (*covariates, CLINICIAN), by_clinician=True, within=True)
        if found.shares is not None:
            return found
    return _fit(groups, covariates, by_clinician=False, within=not several)


def healing_difference(shares: StandardShares, pair: tuple[str, str], analysis: Analysis) -> AdjustedDifference:
    """Teeth not healed per 100, the first group minus the second."""
    found = shares.difference(*pair, confidence=analysis.confidence)
    per_100 = (100 * v for v in (found.difference, found.std_error, found.low, found.high))
    return AdjustedDifference(*pair, 0, 0, *per_100, found.p, analysis.confidence)


def healing_sentence(
    code: str,
    difference: AdjustedDifference | None,
    group: tuple[str, int],
    reference: tuple[str, int],
    smallest: float,
) -> str:
    """What a verdict says of teeth not healed; `group` and `reference` are label and count of teeth not healed."""
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


def _fit(groups: Grouped, covariates: tuple[Covariate, ...], *, by_clinician: bool, within: bool) -> Healing:
    rows = groups.rows
    made = design(rows, covariates)
    states = [name for name in groups.labels if name != groups.reference]
    x = np.column_stack([*((rows["state"] == s).cast(pl.Float64).to_numpy() for s in states), made.x])
    used = tuple(label for label in made.used if label != CLINICIAN.label)
    notes = tuple(f"Not adjusted for {name}." for name in made.left_out)
    columns: dict[str, str | None] = {name: None if name == groups.reference else name for name in groups.labels}
    try:
        shares = standard_shares(
            rows["event"], x, names=(*states, *made.names), groups=columns, cluster=patient_codes(rows)
        )
    except ValueError:
        shares = None
    if shares is None:
        notes = (*notes, "No adjusted shares: the groups or the covariates tell healed teeth from the rest too well.")
    return Healing(shares, used, made.missing, notes, by_clinician, within)


def _signed(per_100: float) -> str:
    return f"{abs(round(per_100))} {'more' if per_100 >= 0 else 'fewer'}"


def _count(per_100: float) -> str:
    whole = abs(round(per_100))
    return f"{whole} {'more' if per_100 > 0 else 'fewer'} teeth" if whole else "about as many teeth"
