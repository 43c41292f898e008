"""Every technique question on one forest, and each in full below it."""

from __future__ import annotations

from collections.abc import Sequence

from dashboards import page, words, words_answers
from dashboards.answers import Answer, Answers, kept
from dashboards.formats import count, whole
from dashboards.pages import technique, technique_forest, technique_learning
from pipeline.results import Results
from pipeline.results_technique import TechniqueAnswer

TITLE = "Which technique makes a difference?"
NONE = "No technique question could be answered from these records."


def render(results: Results) -> str:
    """The page `techniques.html`: the forest, each question with its outcomes, and what the records lack for others."""
    answers = results.techniques
    block, learning = technique.technique_block(results), technique_learning.learning_block(results)
    if block:
        block |= {"heading": words_answers.technique_says(answers).rstrip("."), "alone": _alone(answers),
                  "reconciled": reconciled(answers)}  # fmt: skip
    return page.render(
        "techniques.html.j2",
        title=TITLE,
        audience="inside",
        answers=Answers(kept(_answers(results))),
        charts=[*block.get("charts", ()), *learning.get("charts", ())],
        practice=results.practice,
        here="techniques.html",
        cautions=results.cautions,
        technique=block,
        forests=technique_forest.forests(answers, smallest=smallest(results)),
        learning=learning,
        not_run=[a for a in results.not_run if a.id.startswith("technique")],
        scope=words.scope_sentence(results),
    )


def smallest(results: Results) -> float:
    """The smallest difference that matters, of 100, as fixed in the settings; 5 where no comparison tells it."""
    told = [c.verdict.smallest_difference_per_100 for c in results.comparisons]
    return told[0] if told else 5.0


def _answers(results: Results) -> list[Answer]:
    answers = results.techniques
    if not answers:
        return [Answer(words.not_asked(results) or NONE)]
    given = [Answer(words_answers.technique_says(answers), asked="In short", link="#one-forest")]
    found = [(a, c) for a in answers for c in a.contrasts]
    given += [
        Answer(technique.contrast_says(a, c), code=c.verdict, link=f"#{technique.address(a.question)}")
        for a, c in found
        if c.verdict == "differs"
    ][:3]
    lone = [(a, c) for a, c in found if c.withheld and c.p_family is not None and words_answers.leaves_zero_out(c)]
    if lone:
        a, c = max(lone, key=lambda pair: abs(pair[1].difference_per_100 or 0))
        said = f"{technique.contrast_says(a, c)} It stood out alone, among {whole(a.family)} looks."
        given.append(
            Answer(said, asked="What stood out most", code=c.verdict, link=f"#{technique.address(a.question)}")
        )
    return given


def reconciled(answers: Sequence[TechniqueAnswer]) -> str:
    """How the comparisons that are shown and the looks that are counted belong together; empty where they are one."""
    shown = [c for a in answers for c in a.contrasts]
    looks, counted = max(a.family for a in answers), sum(c.p_family is not None for c in shown)
    said = []
    if looks != counted:
        said.append(
            f"{whole(counted)} of the {count(len(shown), 'comparison')} shown are among these {whole(looks)} looks; "
            "the other looks are curves along a dose, and techniques that were taken up."
        )
    if counted < len(shown):
        rest = len(shown) - counted
        said.append(f"Of {whole(rest)} nothing is claimed, since in them each clinician mostly works one way.")
    return " ".join(said)


def _alone(answers: Sequence[TechniqueAnswer]) -> str:
    """Why a range that leaves zero out may still be open."""
    lone = [c for a in answers for c in a.contrasts
            if c.withheld and c.p_family is not None and words_answers.leaves_zero_out(c)]  # fmt: skip
    if not lone:
        return ""
    looks = max(a.family for a in answers)
    return (
        f"{count(len(lone), 'range')} without zero {'is' if len(lone) == 1 else 'are'} still open: asked alone "
        f"{'it' if len(lone) == 1 else 'they'} would pass for a difference, but among {whole(looks)} looks some do so "
        "by chance."
    )
