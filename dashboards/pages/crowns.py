"""How long crowns last: vital or root-filled, opened or treated before. The page of the main question."""

from typing import Any

from dashboards import page
from dashboards.answers import Answer, Answers, kept
from dashboards.charts.areas import state_areas
from dashboards.formats import whole, years
from dashboards.pages import comparison, losses
from dashboards.pages.evidence import evidence_block
from dashboards.tables import NumberTable
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from dashboards.words import states as words_states
from pipeline.questions.question import SINCE_OPENING
from pipeline.results import Results
from pipeline.results.states import STATES, CrownStates

TITLE = "Does opening a crown for a root canal shorten its life?"


def render(results: Results) -> str:
    """The page `crowns.html`: the main comparison first, then crowns since their opening, then what becomes of them."""
    found = comparison.sections(results, of_crowns=True)
    states = states_block(results)
    lost = [s for s in losses.losses_block(results) if s["of_crowns"]]
    evidence = evidence_block(results.evidence, "ratio") if results.comparisons else {}
    return page.inside(
        "crowns.html",
        results,
        title=TITLE,
        answers=_answers(results),
        sections=found,
        states=states,
        sure_heading=words_answers.sure_heading(results.comparisons[0]) if results.comparisons else "",
        losses=lost,
        evidence=evidence,
    )


def _answers(results: Results) -> Answers:
    if not results.comparisons:
        return Answers((Answer(words.not_asked(results) or comparison.NONE),))
    main, *others = results.comparisons
    since = next((c for c in others if c.id == SINCE_OPENING.id), None)
    given = [words_answers.comparison_answer(main, link="#" + comparison.place(main.id))]
    given.append(Answer(words_answers.how_sure(main), asked="How sure is this?", link="#sure"))
    if since is not None:
        given.append(words_answers.comparison_answer(since, link="#" + comparison.place(since.id)))
    if results.states is not None:
        given.append(
            Answer(words_states.states_headline(results.states), asked="A crown on a living tooth", link="#states")
        )
    return Answers(kept(given), comparison.comparison_difference(main, id=comparison.SHORT))


def states_block(results: Results) -> dict[str, Any] | None:
    """What `states.html.j2` shows: a sentence, the picture, how many are followed, and the numbers with ranges."""
    states = results.states
    if states is None:
        return None
    return {
        "title": words_states.states_heading(states),
        "headline": words_states.states_headline(states),
        "before": words_states.states_before(states),
        "definition": words_states.states_definition(states),
        "chart": state_areas(states, id="states-areas", label=words_states.states_label(states)),
        "followed": followed_table(states),
        "table": states_table(states),
    }


def followed_table(states: CrownStates) -> NumberTable:
    """How many crowns are followed beyond each whole year of the picture."""
    points = [p for p in states.points if float(p.years).is_integer()]
    names = ("unopened", "opened") if points else ()
    rows = tuple((name, *(whole(p.followed[i]) for p in points)) for i, name in enumerate(names))
    caption = "Crowns followed past each year since the seat; under the curves, those followed to it"
    return NumberTable(caption, ("Crowns", *(f"{p.years:g}" for p in points)), rows)


def states_table(states: CrownStates) -> NumberTable:
    """Crowns of 100 in each state at the years told, with ranges; the whole numbers of a row sum to 100."""
    heads = ("After", *(words_states.NAMES[s] for s in STATES))
    rows = tuple(
        (years(y), *(words_states.of_100(point, i) for i in range(len(STATES))))
        for y in states.told
        if (point := states.at(y)) is not None
    )
    return NumberTable("Of 100 crowns seated on a living tooth, with 95 % ranges", heads, rows)
