"""Every technique question on one forest, and each in full below it."""

from collections.abc import Sequence

from dashboards import page
from dashboards.answers import Answer, Answers, kept
from dashboards.charts.contrasts import Apart, difference_chart
from dashboards.formats import count, lower_first, sentence_case, whole
from dashboards.pages import comparison, technique, technique_forest, technique_learning
from dashboards.pages.technique_tables import code_of
from dashboards.theme import Chart
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from dashboards.words import quality as words_quality
from pipeline.results import NotRun, Results
from pipeline.results.safety import UNMEASURED
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast

TITLE = "Which technique makes a difference?"
# Contrasts that are asked for by name, with the question in a person's words: the question, and which of its groups is
# the first that these words name.
BY_NAME = (
    ("instrumentation", "single_file", "One file instead of several?"),
    ("separated_instrument", "left", "A separated file left?"),
)
# Questions that are asked for as a whole, by their first outcome.
WHOLE = (
    ("margin", "Margin?"),
    ("irrigant_activation", "Irrigant activated?"),
    ("filling_method", "Filling?"),
    ("irrigant_strength", "Irrigant strength?"),
)
MOST_DRAWN = 6
TOO_FEW = "Too few such teeth to compare"
NAMED = "What the answers name, and what stood out."
NONE = "No technique question could be answered from these records."


def render(results: Results) -> str:
    """The page `techniques.html`: the forest, each question with its outcomes, and what the records lack for others."""
    answers = results.techniques
    block, learning = technique.technique_block(results), technique_learning.learning_block(results)
    if block:
        block |= {"heading": words_answers.technique_heading(answers), "alone": _alone(answers),
                  "reconciled": reconciled(answers)}  # fmt: skip
    lacking = [a for a in results.not_run if a.id.startswith("technique")]
    return page.inside(
        "techniques.html",
        results,
        title=TITLE,
        answers=Answers(kept(opening(results)), picture(results), f"{NAMED} {comparison.GREY}"),
        technique=block,
        forests=technique_forest.forests(answers, smallest=smallest(results)),
        learning=learning,
        not_run_heading=words_quality.not_run_heading(lacking),
        not_run=words_quality.not_run_says(lacking),
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
    given = [Answer(words_answers.technique_says(answers, by_name=False), asked="In short", link="#one-forest")]
    found = [(a, c) for a in answers for c in a.contrasts]
    given += [
        Answer(technique.contrast_says(a, c), code=c.verdict, link=f"#{technique.address(a.question)}")
        for a, c in found
        if c.verdict == "differs"
    ][:3]
    given += _by_name(results)
    for a, c in _stood_out(answers):
        said = f"{technique.contrast_says(a, c)} {sentence_case(technique.by_chance(a, c))}."
        given.append(Answer(said, asked="What stood out", code=code_of(a, c), link=f"#{technique.address(a.question)}"))
    return given


def picture(results: Results) -> Chart | None:
    """The comparisons that the opening names, on one small forest, in its order; each question's by its first outcome.

    None where none of them has a range to show.
    """
    answers = results.techniques
    named = [(a, c) for a in answers for c in a.contrasts if c.verdict == "differs"][:3]
    named += [found for question, group, _ in BY_NAME if (found := _named(answers, question, group)) is not None]
    named += _stood_out(answers)
    for question, _ in WHOLE:
        first = next((a for a in answers if a.question == question and a.contrasts), None)
        named += [(first, c) for c in first.contrasts] if first is not None else []
    shown = [pair for i, pair in enumerate(named) if pair not in named[:i] and words_answers.has_range(pair[1])]
    drawn = shown[:MOST_DRAWN]
    rows = [
        Apart(f"{words_answers.pair(a, c)}: {technique.befell(a)}", c.difference_per_100 or 0.0,
              c.difference_ci_low or 0.0, c.difference_ci_high or 0.0, code=c.verdict)
        for a, c in drawn
    ]  # fmt: skip
    return difference_chart(rows, smallest=smallest(results), id="forest-in-short",
                            label=" ".join(technique.contrast_says(a, c) for a, c in drawn),
                            title="Of 100, with the first named: fewer left, more right")  # fmt: skip


def _named(
    answers: Sequence[TechniqueAnswer], question: str, group: str
) -> tuple[TechniqueAnswer, TechniqueContrast] | None:
    """The contrast of one group of a question, by the first outcome that has it."""
    return next(((a, c) for a in answers if a.question == question for c in a.contrasts if c.group == group), None)


def _stood_out(answers: Sequence[TechniqueAnswer]) -> list[tuple[TechniqueAnswer, TechniqueContrast]]:
    """What lies furthest from no difference of all that chance may show among so many looks; at most one."""
    lone = [(a, c) for a in answers for c in a.contrasts
            if c.withheld and c.p_family is not None and words_answers.leaves_zero_out(c)]  # fmt: skip
    return sorted(lone, key=lambda pair: abs(pair[1].difference_per_100 or 0))[-1:]


def _by_name(results: Results) -> list[Answer]:
    """The answers to contrasts that are asked for by name; one that could not be compared says so."""
    given = []
    for question, group, asked in BY_NAME:
        if (found := _named(results.techniques, question, group)) is not None:
            a, c = found
            link = f"#{technique.address(question)}"
            said = sentence_case(technique.contrast_says(a, c, paired=False))
            given.append(Answer(said, asked=asked, link=link, code=code_of(a, c)))
        elif lacking := _lacking(results, question):
            given.append(Answer(too_few(lacking, group), asked=asked, link="#not-run"))
    for question, asked in WHOLE:
        of = [a for a in results.techniques if a.question == question]
        if of:
            said = f"{sentence_case('; '.join([*_range_of(of[0]), technique.finding(of)]))}."
            given.append(Answer(said, asked=asked, link=f"#{technique.address(question)}"))
        elif _lacking(results, question):
            given.append(Answer(f"{TOO_FEW}.", asked=asked, link="#not-run"))
    return given


def _range_of(a: TechniqueAnswer) -> list[str]:
    """From how many fewer to how many more, of a question of one contrast that no figure settles: risks unrecorded."""
    if len(a.contrasts) > 1 or UNMEASURED not in a.caveats:
        return []
    return [
        f"{words_answers.pair(a, c)}: {words_answers.from_to(c.difference_ci_low, c.difference_ci_high)} of 100 "
        f"{technique.befell(a)}"
        for c in a.contrasts
        if words_answers.has_range(c) and c.difference_ci_low is not None and c.difference_ci_high is not None
    ]


def _lacking(results: Results, question: str) -> NotRun | None:
    """The first outcome of a question that could not be asked."""
    return next((n for n in results.not_run if n.id.startswith(f"technique_{question}_")), None)


def too_few(found: NotRun, group: str) -> str:
    """Why a contrast that is asked for by name is missing, with how many such teeth there are where that is known.

    Other groups that are small too are told with it, or somebody who counts them all finds more.
    """
    of = next((g for g in found.groups if g.name == group), None)
    if of is None:
        return f"{TOO_FEW}."
    most = max(g.teeth for g in found.groups)
    others = [f"{lower_first(g.label)}: {whole(g.teeth)}" for g in found.groups
              if g is not of and g.label and 0 < g.teeth < most]  # fmt: skip
    lost = f"{whole(of.failures) if of.failures else 'none'} lost"
    return f"{TOO_FEW}: {'; '.join([f'{whole(of.teeth)}, {lost}', *others])}."


def reconciled(answers: Sequence[TechniqueAnswer]) -> str:
    """How the comparisons that are shown and the looks that are counted belong together; empty where they are one."""
    shown = [c for a in answers for c in a.contrasts]
    looks, counted = max(a.family for a in answers), sum(c.p_family is not None for c in shown)
    said = []
    if looks > counted:
        said.append(
            f"{whole(counted)} of the {count(len(shown), 'comparison')} shown are among these {whole(looks)}, whose "
            f"other {whole(looks - counted)} are curves along a dose, and techniques that were taken up."
        )
    if counted < len(shown):
        rest = len(shown) - counted
        said.append(
            f"Of the other {whole(rest)} shown nothing is claimed, since in them each clinician mostly works one way."
        )
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
        f"{'it' if len(lone) == 1 else 'they'} would pass for a difference, but among {whole(looks)} some do so "
        "by chance."
    )
