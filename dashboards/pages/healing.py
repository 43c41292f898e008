"""Healing at recall, on the owner's and the clinician's page; the agreement of readings, for the data-quality page."""

from __future__ import annotations

from typing import Any

from dashboards import tables, words_healing
from pipeline.results import Results


def healing_block(results: Results, *, by_clinician: bool) -> dict[str, Any]:
    """What `healing.html.j2` shows, empty where no root canal was judged; lines by clinician only if asked for."""
    if not results.recalls:
        return {}
    whole = next((r for r in results.recalls if r.name == "all"), None)
    rows = [r for r in results.recalls if by_clinician or not r.name.startswith("clinician")]
    return {
        "headline": words_healing.recall_headline(whole) if whole else "",
        "by_lesion": words_healing.by_lesion(results.recalls),
        "definition": words_healing.definition(results.rules.get("uncertain_years", "")),
        "table": tables.recalls(rows),
    }


def agreement_block(results: Results) -> dict[str, Any]:
    """What the data-quality page says of films read twice; empty where there is none."""
    if not results.agreement:
        return {}
    return {
        "said": [words_healing.agreement_sentence(a) for a in results.agreement],
        "rule": words_healing.readings_rule(),
        "table": tables.agreement(results.agreement),
    }
