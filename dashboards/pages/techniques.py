"""Every technique question in full, on a page of its own; the clinician's page has a summary of it."""

from __future__ import annotations

from dashboards import page, words
from dashboards.pages import technique
from pipeline.results import Results


def render(results: Results) -> str:
    """The page `techniques.html`: each question with its outcomes, and what the records lack for the others."""
    block = technique.technique_block(results)
    return page.render(
        "techniques.html.j2",
        title="Technique: what goes with lasting",
        audience="inside",
        charts=block.get("charts", ()),
        practice=results.practice,
        here="techniques.html",
        cautions=results.cautions,
        technique=block,
        not_run=[a for a in results.not_run if a.id.startswith("technique")],
        scope=words.scope_sentence(results),
        not_asked=words.not_asked(results),
    )
