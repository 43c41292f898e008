"""How long crowns last: vital or root-filled, opened or treated before. The page of the main question."""

from dashboards import page
from dashboards.answers import Answer, Answers, kept
from dashboards.pages import comparison, losses
from dashboards.pages.evidence import evidence_block
from dashboards.pages.states import states_block
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from dashboards.words.states import states_headline
from pipeline.questions.question import SINCE_OPENING
from pipeline.results import Results

TITLE = "Does opening a crown for a root canal shorten its life?"


def render(results: Results) -> str:
    """The page `crowns.html`: the main comparison first, then crowns since their opening, then what becomes of them."""
    found = comparison.sections(results, of_crowns=True)
    states = states_block(results)
    lost = [s for s in losses.losses_block(results) if s["of_crowns"]]
    evidence = evidence_block(results.evidence, "ratio") if results.comparisons else None
    return page.render(
        "crowns.html.j2",
        title=TITLE,
        audience="inside",
        answers=_answers(results),
        charts=[
            *comparison.charts(found),
            *([states["chart"]] if states else []),
            *losses.charts(lost),
            evidence.chart if evidence else None,
        ],
        practice=results.practice,
        here="crowns.html",
        cautions=results.cautions,
        sections=found,
        states=states,
        sure_heading=words_answers.sure_heading(results.comparisons[0]) if results.comparisons else "",
        losses=lost,
        evidence=evidence,
        scope=words.scope_sentence(results),
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
        given.append(Answer(states_headline(results.states), asked="A crown on a living tooth", link="#states"))
    return Answers(kept(given), comparison.comparison_difference(main, id=comparison.SHORT))
