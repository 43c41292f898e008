"""Many comparisons at once: among twenty without any effect, one is expected to look like one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from pipeline.results import Comparison, Estimate
from pipeline.stats.multiplicity import false_discovery, holm


@dataclass(frozen=True)
class Look:
    """One adjusted estimate of a family, with its p as it stands and adjusted for the family.

    `p_holm` below 0.05: a chance of 5 % of any false claim in the family. `q` below 0.05: of such claims 5 % are false
    on average.
    """

    comparison: str
    contrast: str
    hazard_ratio: float
    p: float
    p_holm: float
    q: float


def adjust_for_many(comparisons: Iterable[Comparison]) -> tuple[Look, ...]:
    """Holm's and false-discovery-adjusted p over all adjusted estimates of a family of comparisons.

    The family is what is passed: decide on it before looking at any p. Estimates of crude models, and those without a
    p, are no part of it; of two adjusted estimates of one contrast the later counts, which adjusts for more. Sorted by
    p, then by comparison and contrast; the order of the comparisons does not matter.

    Raises ValueError where two comparisons share an id: one would count twice.
    """
    family = [
        (estimate.p, comparison.id, estimate.contrast, estimate.hazard_ratio)
        for comparison in comparisons
        for estimate in _adjusted(comparison)
        if np.isfinite(estimate.p)
    ]
    family.sort()
    names = [(comparison, contrast) for _, comparison, contrast, _ in family]
    if len(set(names)) < len(names):
        raise ValueError(f"{len(names) - len(set(names))} contrasts stand in the family twice")
    p = np.array([row[0] for row in family], dtype=np.float64)
    return tuple(
        Look(comparison, contrast, ratio, raw, float(careful), float(q))
        for (raw, comparison, contrast, ratio), careful, q in zip(family, holm(p), false_discovery(p), strict=True)
    )


def _adjusted(comparison: Comparison) -> list[Estimate]:
    return list({e.contrast: e for e in comparison.estimates if e.adjusted_for or e.stratified_by}.values())
