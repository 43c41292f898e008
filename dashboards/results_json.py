"""`results.json`: the figures of the pages for machines, under key names that other programs rely on."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from pipeline.private_files import private_folder, write_private
from pipeline.results import Comparison, Estimate, Group, Results, to_plain
from pipeline.results_states import STATES, CrownStates


def results_json(results: Results) -> dict[str, Any]:
    """The results as JSON's own types.

    Keys that other programs rely on come first: `schema`, `data_cutoff`, `counts`, `comparisons`, `not_run` and those
    within them. `survival` lists the milestones after year 0 that the curve reaches; its `at_risk` counts those still
    followed beyond them. The further keys hold the rest of what the pages show. A number that could not be worked out
    is null. The file holds exact counts and the clinicians' names: it is for inside the practice.
    """
    n = results.counts
    counts = {
        "procedures": n.procedures,
        "patients": n.patients,
        "crowns": n.crowns,
        "endo_courses": n.endo_courses,
        "quarantined": n.quarantined,
        "crowns_unknown_age": n.crowns_unknown_age,
    }
    whole: dict[str, Any] = {
        "schema": results.schema,
        "data_cutoff": results.data_cutoff,
        "counts": counts,
        "comparisons": [_comparison(c) for c in results.comparisons],
        "not_run": [{"id": a.id, "needs": list(a.needs), "title": a.title} for a in results.not_run],
        "audience": "inside the practice only",
        "data_from": results.data_from,
        "rates": to_plain(results.rates),
        "quality": to_plain(results.quality),
        "rules": dict(results.rules),
        "analysis": dict(results.analysis),
        "versions": dict(results.versions),
        "checks": to_plain(results.checks),
        "followup": to_plain(results.followup),
        "recalls": to_plain(results.recalls),
        "reading_agreement": to_plain(results.agreement),
        "reader_ways": to_plain(results.reader_ways),
        "lesion_healing": to_plain(results.lesion_healing),
        "losses_by_cause": to_plain(results.losses),
        "crown_states": _states(results.states),
        "trials": to_plain(results.trials),
        "own_cases": to_plain(results.own_cases),
        "techniques": to_plain(results.techniques),
        "monitoring": to_plain(results.monitoring),
        "benchmarks": to_plain(results.benchmarks),
        "owner": to_plain(results.owner),
        "evidence": to_plain(results.evidence),
        "unseen": to_plain(results.unseen),
        "cautions": list(results.cautions),
    }
    cleaned: dict[str, Any] = _finite(whole)
    return cleaned


def write_results_json(results: Results, out: Path) -> Path:
    """Write `results.json` into `out` in one step, for its owner alone; return its path. OSError if that fails."""
    return write_private(private_folder(out) / "results.json", as_bytes(results))


def as_bytes(results: Results) -> bytes:
    """The file's content: UTF-8, one key a line."""
    text = json.dumps(results_json(results), ensure_ascii=False, allow_nan=False, indent=1)
    return f"{text}\n".encode()


def _comparison(c: Comparison) -> dict[str, Any]:
    naive = None
    if c.naive is not None:
        naive = {
            "contrast": c.naive.contrast,
            "hazard_ratio": c.naive.hazard_ratio,
            "why_biased": c.naive.why_biased,
            "ci_low": c.naive.ci_low,
            "ci_high": c.naive.ci_high,
            "survival": [{"name": name, "estimate": share} for name, share in c.naive.survival],
        }
    return {
        "id": c.id,
        "outcome": c.outcome,
        "clock": c.clock,
        "groups": [_group(g) for g in c.groups],
        "estimates": [_estimate(e) for e in c.estimates],
        "naive": naive,
        "verdict": c.verdict.sentence,
        "missing": list(c.missing),
        "title": c.title,
        "question": c.question,
        "horizon_years": c.horizon_years,
        "verdict_code": c.verdict.code,
        "verdict_parts": to_plain(c.verdict),
        "difference": to_plain(c.difference),
        "crude_difference": to_plain(c.crude_difference),
        "honesty": to_plain(c.honesty),
        "choices": to_plain(c.choices),
        "flow": to_plain(c.flow),
        "notes": list(c.notes),
    }


def _states(states: CrownStates | None) -> dict[str, Any] | None:
    """The shares by quarters, and whole crowns of 100 that sum to 100 at the years told."""
    if states is None:
        return None
    of_100 = [
        {"years": _year(y), **dict(zip(STATES, point.per_100, strict=True))}
        for y in states.told
        if (point := states.at(y)) is not None
    ]
    return {"states": list(STATES), "per_100": of_100, **to_plain(states)}


def _group(g: Group) -> dict[str, Any]:
    survival = [
        {
            "years": _year(m.years),
            "estimate": m.survival,
            "ci_low": m.ci_low,
            "ci_high": m.ci_high,
            "at_risk": m.followed,
        }
        for m in g.milestones
        if m.survival is not None and m.years > 0
    ]
    return {
        "name": g.name,
        "crowns": g.crowns,
        "patients": g.patients,
        "failures": g.failures,
        "tooth_years": g.tooth_years,
        "survival": survival,
        "label": g.label,
        "rate_per_100_tooth_years": g.rate_per_100_tooth_years,
        "rate_ci_low": g.rate_ci_low,
        "rate_ci_high": g.rate_ci_high,
        "milestones": to_plain(g.milestones),
        "starts_at_days": g.starts_at_days,
        "stops_at_days": g.stops_at_days,
    }


def _estimate(e: Estimate) -> dict[str, Any]:
    plain: dict[str, Any] = to_plain(e)
    first = ("contrast", "model", "adjusted_for", "hazard_ratio", "ci_low", "ci_high", "p", "clustered_on")
    return {key: plain[key] for key in first} | plain


def _year(years: float) -> float:
    """A whole number of years as an integer: 5, not 5.0."""
    return int(years) if float(years).is_integer() else years


def _finite(value: Any) -> Any:
    """JSON has no infinity and no not-a-number: null instead."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_finite(v) for v in value]
    return value
