"""Every technique question on one forest, and each in full below it."""

from __future__ import annotations

from collections.abc import Sequence

from dashboards import page
from dashboards.answers import Answer, Answers, kept
from dashboards.formats import count, whole
from dashboards.pages import technique, technique_forest, technique_learning
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from pipeline.results import Results
from pipeline.results.technique import TechniqueAnswer

TITLE = "Which technique makes a difference?"
# Contrasts that are asked for by name, with the question in a person's words: the question, and which of its groups.
BY_NAME = (
    ("instrumentation", "single_file", "One file, or several?"),
    ("separated_instrument", "left", "A separated file left in the canal?"),
)
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
        answers=Answers(kept(opening(results))),
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


def opening(results: Results) -> list[Answer]:
    """What the page opens with: how many comparisons differ, which do, what is asked by name, what stood out most."""
    answers = results.techniques
    if not answers:
        return [Answer(words.not_asked(results) or NONE), *_by_name(results)]
    given = [Answer(words_answers.technique_says(answers), asked="In short", link="#one-forest")]
    found = [(a, c) for a in answers for c in a.contrasts]
    given += [
        Answer(technique.contrast_says(a, c), code=c.verdict, link=f"#{technique.address(a.question)}")
        for a, c in found
        if c.verdict == "differs"
    ][:3]
    given += _by_name(results)
    lone = [(a, c) for a, c in found if c.withheld and c.p_family is not None and words_answers.leaves_zero_out(c)]
    if lone:
        a, c = max(lone, key=lambda pair: abs(pair[1].difference_per_100 or 0))
        said = f"{technique.contrast_says(a, c)} It stood out alone, among {whole(a.family)} looks."
        given.append(
            Answer(said, asked="What stood out most", code=c.verdict, link=f"#{technique.address(a.question)}")
        )
    return given


def _by_name(results: Results) -> list[Answer]:
    """The answers to contrasts that are asked for by name; one that could not be compared says so."""
    given = []
    for question, group, asked in BY_NAME:
        of = [a for a in results.techniques if a.question == question]
        found = next(((a, c) for a in of for c in a.contrasts if c.group == group), None)
        if found is not None:
            a, c = found
            link = f"#{technique.address(question)}"
            given.append(Answer(technique.contrast_says(a, c), asked=asked, link=link, code=c.verdict))
        elif any(n.id.startswith(f"technique_{question}_") for n in results.not_run):
            given.append(Answer("Too few such teeth are recorded to compare.", asked=asked, link="#not-run"))
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
