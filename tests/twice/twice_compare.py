"""Two sets of figures held against one another, leaf by leaf; whatever has a number in ours must be in R's."""

from __future__ import annotations

import math
import re
from typing import Any

from pipeline.results.gap import Gap

# Counts are equal, all else to a millionth of itself: numbers of R are kept with 11 digits, its models end at 1e-13,
# and the steps of its numerical derivatives leave some 1e-7 of an error.
RELATIVE, ABSOLUTE = 1e-6, 1e-9
CURVES_OF_TRIAL = ("curves", "everyday_curves")
NUMBER = re.compile(r"(?<![\w.])-?\d[\d,]*(?:\.\d+)?(?!\w)")


def numbers(text: str) -> list[float]:
    """The numbers of a sentence, in order."""
    return [float(found.replace(",", "")) for found in NUMBER.findall(text)]


def of_results(results: dict[str, Any]) -> dict[str, Any]:
    """What `results.json` says of the questions that R answers too, by the id of the question."""
    comparisons = {c["id"]: comparison(c) for c in results["comparisons"]}
    trial = results["trials"][0]
    techniques = {a["id"]: _technique(a) for a in results["techniques"]}
    return {**comparisons, trial["id"]: of_trial(trial), **techniques}


def gaps(ours: Any, theirs: Any, where: str = "") -> list[str]:
    """Every leaf that is not the same in both, and every number of one that the other does not have."""
    if isinstance(ours, list) and isinstance(theirs, dict):
        ours = {key: [row[key] for row in ours] for key in (ours[0] if ours else theirs)}
    if isinstance(ours, dict) and isinstance(theirs, dict):
        lacking = [k for k in ours if k not in theirs and _has_number(ours[k])]
        extra = [k for k in theirs if k not in ours]
        out = [f"{where}/{k}: only in ours" for k in lacking] + [f"{where}/{k}: only in R" for k in extra]
        return out + [gap for k in theirs if k in ours for gap in gaps(ours[k], theirs[k], f"{where}/{k}")]
    if isinstance(ours, list) and isinstance(theirs, list):
        if len(ours) != len(theirs):
            return [f"{where}: {len(ours)} in ours, {len(theirs)} in R"]
        return [gap for i, pair in enumerate(zip(ours, theirs, strict=True)) for gap in gaps(*pair, f"{where}/{i}")]
    return [] if _same(ours, theirs) else [f"{where}: {ours} in ours, {theirs} in R"]


def _same(ours: Any, theirs: Any) -> bool:
    if isinstance(ours, (int, float)) and isinstance(theirs, (int, float)):
        if isinstance(ours, int) and isinstance(theirs, int):
            return ours == theirs
        return math.isclose(ours, theirs, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    return bool(ours == theirs)


def _has_number(value: Any) -> bool:
    if isinstance(value, dict):
        return any(_has_number(v) for v in value.values())
    if isinstance(value, list):
        return any(_has_number(v) for v in value)
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def comparison(found: dict[str, Any]) -> dict[str, Any]:
    robustness = found["robustness"]
    # Whether a ratio is steady, mean years and the same patients have judges of their own (stats, questions).
    kept = {k: v for k, v in found.items() if k not in {"steady", "mean_years", "within_patient", "robustness"}}
    return {
        **kept,
        # How a claim stands in its family has a judge of its own (techniques).
        "verdict": {k: v for k, v in found["verdict"].items() if k != "looked"},
        "groups": _groups(found),
        "missing": _gaps_of(found),
        "notes": [_note(text) for text in found["notes"]],
        "honesty": {
            **{key: value for key, value in robustness.items() if key != "leaving"},
            "balance": {row["name"]: [row["before"]] for row in robustness["balance"]},
        },
    }


def _gaps_of(found: dict[str, Any]) -> list[str]:
    return [Gap(**gap).sentence for gap in found["missing"]]


def of_trial(found: dict[str, Any]) -> dict[str, Any]:
    """What a trial says, with the numbers of its sentences in place of these."""
    labels = {row["label"]: row["name"] for row in found["balance"]}
    notes = [_note(text) for text in found["notes"]]
    for i, text in enumerate(found["notes"]):
        if " standard deviations in " in text:
            notes[i] = {
                "off": [labels[name] for name in text.rstrip(".").split(" standard deviations in ")[1].split(", ")]
            }
    curves = {which: [_without(curve, "event_patients") for curve in found[which]] for which in CURVES_OF_TRIAL}
    return {
        **found,
        **curves,
        "balance": {row["name"]: [row["before"], row["after"]] for row in found["balance"]},
        "notes": notes,
        "verdict": found["outcomes"][0]["verdict"],
        "outcomes": [
            {k: v for k, v in o.items() if k != "verdict"} | {"why_none": numbers(o["why_none"])}
            for o in found["outcomes"]
        ],
        "days_of_preparation": _days_of_preparation(found["flow"]),
        "protocol": {row["part"]: numbers(row["records"]) for row in found["protocol"]},
    }


def _days_of_preparation(flow: list[dict[str, Any]]) -> list[float]:
    """Recorded, worked out, the days taken for those, and how many crowns say so."""
    return numbers(next(step["why"] for step in flow if step["step"] == "Day of the preparation"))


def _technique(found: dict[str, Any]) -> dict[str, Any]:
    return {
        **found,
        "groups": _groups(found),
        "missing": _gaps_of(found),
        "notes": [numbers(text) for text in found["notes"]],
    }


def _groups(found: dict[str, Any]) -> list[dict[str, Any]]:
    """The groups but for what is counted by hand in tests/questions/test_groups.py."""
    by_hand = ("failed_patients", "half_years", "followed", "followed_patients")
    return [{k: v for k, v in group.items() if k not in by_hand} for group in found["groups"]]


def _without(points: Any, name: str) -> Any:
    """Rows, or columns, without one of them."""
    if isinstance(points, dict):
        return {k: v for k, v in points.items() if k != name}
    return [{k: v for k, v in p.items() if k != name} for p in points]


def _note(text: str) -> Any:
    return text if text.startswith("Not adjusted for ") else numbers(text)
