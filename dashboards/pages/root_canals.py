"""What becomes of teeth after their root canal: a crown or none, soon or late, healing, and what they are lost to."""

from collections.abc import Sequence

from dashboards import page
from dashboards.answers import Answer, Answers, first_sentence, kept
from dashboards.pages import comparison, losses
from dashboards.pages.healing import curve_block, healing_block
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from pipeline.results import Comparison, Results

TITLE = "After a root canal: does a crown help, does it heal, what is the tooth lost to?"
NONE = "No root canal could be followed long enough to compare."


def render(results: Results) -> str:
    """The page `root_canals.html`: every comparison whose clock starts at the root canal."""
    found = comparison.sections(results, of_crowns=False)
    lost = [s for s in losses.losses_block(results) if not s["of_crowns"]]
    curve = curve_block(results)
    return page.inside(
        "root_canals.html",
        results,
        title=TITLE,
        answers=_answers(results, [s["c"] for s in found]),
        sections=found,
        healing=healing_block(results, by_clinician=False),
        curve=curve,
        losses=lost,
    )


def _answers(results: Results, found: Sequence[Comparison]) -> Answers:
    given = [words_answers.comparison_answer(c, link="#" + comparison.place(c.id)) for c in found]
    healing = healing_block(results, by_clinician=False)
    if healing and healing["headline"]:
        given.append(Answer(first_sentence(healing["headline"]), asked="Does it heal?", link="#recall"))
    if not given:
        given = [Answer(words.not_asked(results) or NONE)]
    picture = comparison.comparison_difference(found[0], id=comparison.SHORT) if found else None
    return Answers(kept(given), picture)
