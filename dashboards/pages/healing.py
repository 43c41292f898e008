"""Healing at recall and over time, on the owner's and the clinician's page; readings, for the data-quality page."""

from typing import Any

from dashboards import tables
from dashboards.charts.incidence import healing_curve
from dashboards.words import healing as words_healing
from pipeline.results import Results


def healing_block(results: Results, *, by_clinician: bool) -> dict[str, Any]:
    """What `healing.html.j2` shows, empty where no root canal was judged; lines by clinician only if asked for."""
    if not results.recalls:
        return {}
    whole = next((r for r in results.recalls if r.name == "all"), None)
    rows = [r for r in results.recalls if by_clinician or not r.name.startswith("clinician")]
    return {
        "heading": words_healing.recall_heading(whole),
        "headline": words_healing.recall_headline(whole) if whole else "",
        "by_lesion": words_healing.by_lesion(results.recalls),
        "definition": words_healing.definition(results.rules.get("uncertain_years", "")),
        "table": tables.recalls(rows),
        "ways": words_healing.ways_sentence(results.reader_ways),
        "ways_rule": words_healing.WAYS_RULE,
        "ways_table": tables.reader_ways(results.reader_ways),
    }


def curve_block(results: Results) -> dict[str, Any]:
    """How soon a lesion heals, for the clinician's page; empty where no lesion was known before treatment."""
    found = results.lesion_healing
    if found is None:
        return {}
    headline = words_healing.curve_headline(found)
    return {
        "heading": words_healing.curve_heading(found),
        "headline": headline,
        "basis": words_healing.curve_basis(found),
        "rule": words_healing.curve_rule(found),
        "chart": healing_curve(found, id="healing-curve", label=headline),
        "table": tables.lesion_healing(found),
    }


def agreement_block(results: Results) -> dict[str, Any]:
    """What the data-quality page says of films read twice; empty where there is none."""
    if not results.agreement:
        return {}
    return {
        "heading": words_healing.agreement_heading(results.agreement),
        "said": [words_healing.agreement_sentence(a) for a in results.agreement if not a.who],
        "rule": words_healing.readings_rule(),
        "table": tables.agreement(results.agreement),
        "ways": words_healing.ways_sentence(results.reader_ways),
    }
