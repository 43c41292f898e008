"""Whether a rival did the same work: its counts and hazard ratios held against ours."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

COUNTS = ("crowns", "failures", "tooth_days")
MODELS = {"crude": "crude", "adjusted": "adjusted"}
SURVIVAL_GROUPS = ("before_seat", "vital")  # ours of opened crowns begins later, when enough are followed


@dataclass(frozen=True)
class Agreement:
    """The largest relative differences of counts and of hazard ratios, and both in words; None: nothing to hold."""

    count_gap: float | None
    ratio_gap: float | None
    note: str


def agreement(ours: Mapping[str, Any], theirs: Mapping[str, Any]) -> Agreement:
    """Hold a rival's figures against ours; both as `figures` of `ours.py` and the rivals' lines give them."""
    counts = {
        f"{name} {group}": gap(ours[name][group], theirs[name].get(group, 0))
        for name in COUNTS
        if name in theirs
        for group in ours[name]
    }
    if "completed_courses" in theirs:
        counts["completed courses"] = gap(ours["completed_courses"], theirs["completed_courses"])
    ratios = {
        f"{model} hazard ratio": gap(ours[model]["hazard_ratio"], theirs[model]["hazard_ratio"])
        for model in MODELS
        if model in theirs and model in ours
    }
    errors = [
        f"{model}: standard error {theirs[model]['log_error']:.4f}, ours {ours[model]['log_error']:.4f}"
        for model in MODELS
        if model in theirs and model in ours
    ]
    survival = {
        f"5-year survival {group}": gap(ours["survival"][group], theirs["survival"][group])
        for group in SURVIVAL_GROUPS
        if group in theirs.get("survival", {}) and ours.get("survival", {}).get(group) is not None
    }
    words = [_counts_in_words(counts), *(_in_words(name, by) for name, by in (ratios | survival).items()), *errors]
    return Agreement(
        max(counts.values(), default=None), max(ratios.values(), default=None), "; ".join(w for w in words if w)
    )


def gap(ours: float, theirs: float) -> float:
    """The difference in relation to ours; 0 where both are 0."""
    if ours == theirs:
        return 0.0
    return abs(theirs - ours) / abs(ours) if ours else float("inf")


def _counts_in_words(counts: Mapping[str, float]) -> str:
    if not counts:
        return ""
    apart = {name: by for name, by in counts.items() if by > 0}
    if not apart:
        return f"all {len(counts)} counts equal ours"
    return "; ".join(f"{name} {by:.2%} apart" for name, by in apart.items())


def _in_words(name: str, by: float) -> str:
    return f"{name} equal to 6 digits" if by < 1e-6 else f"{name} {by:.2g} apart"
