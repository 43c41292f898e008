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
ONE_WAY = "Each clinician mostly works one way."
ONE_WAY_TOO = "Likewise."
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
    shown = [pair for i, pair in enumerate(named)
             if pair not in named[:i] and words_answers.has_range(pair[1]) and code_of(*pair) != "one_way"]  # fmt: skip
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
    given: list[Answer] = []
    for question, group, asked in BY_NAME:
        if (found := _named(results.techniques, question, group)) is not None:
            a, c = found
            code = code_of(a, c)
            said = technique.contrast_says(a, c, paired=False) if code != "one_way" else _one_way(given)
            said = sentence_case(said)
            given.append(Answer(said, asked=asked, link=f"#{technique.address(question)}", code=code))
        elif lacking := _lacking(results, question):
            given.append(Answer(too_few(lacking, group, asked=asked), asked=asked, link="#not-run"))
    for question, asked in WHOLE:
        of = [a for a in results.techniques if a.question == question]
        if of:
            is_one_way = {code_of(of[0], c) for c in of[0].contrasts} == {"one_way"}
            said = _one_way(given) if is_one_way else _in_figures(of[0], technique.finding(of))
            code = "one_way" if is_one_way else ""
            given.append(Answer(said, asked=asked, link=f"#{technique.address(question)}", code=code))
        elif _lacking(results, question):
            given.append(Answer(f"{TOO_FEW}.", asked=asked, link="#not-run"))
    return given


def _one_way(given: Sequence[Answer]) -> str:
    """Why nothing is told of ways that go with the clinician; in a word where the answers before say why."""
    return ONE_WAY_TOO if any(a.says == ONE_WAY for a in given) else ONE_WAY


def _in_figures(a: TechniqueAnswer, found: str) -> str:
    """What was found of a question by its first outcome, in numbers where words alone would be heard as `none`.

    `Little difference; up to 4 of 100.` Of risks unrecorded, which no figure settles, the range of one contrast.
    """
    with_range = [c for c in a.contrasts if words_answers.has_range(c)]
    ends = [(c.difference_ci_low or 0.0, c.difference_ci_high or 0.0) for c in with_range]
    if len(a.contrasts) == len(ends) == 1 and UNMEASURED in a.caveats:
        told, happened = words_answers.from_to(*ends[0]).removeprefix("from "), technique.befell(a)
        return f"{words_answers.pair(a, with_range[0])}: {told} of 100 {happened.removeprefix('teeth ')}; {found}."
    if not ends or {c.verdict for c in a.contrasts} != {"little_difference"}:
        return f"{sentence_case(found)}."
    far = max(abs(end) for both in ends for end in both)
    return f"{sentence_case(found)}; up to {max(1, round(far))} of 100."


def _lacking(results: Results, question: str) -> NotRun | None:
    """The first outcome of a question that could not be asked."""
    return next((n for n in results.not_run if n.id.startswith(f"technique_{question}_")), None)


def too_few(found: NotRun, group: str, *, asked: str) -> str:
    """Why a contrast that is asked for by name is missing, with how many such teeth there are where that is known.

    The other groups are told with it: alone it is held against whatever the reader has in mind.
    """
    of = next((g for g in found.groups if g.name == group), None)
    if of is None:
        return f"{TOO_FEW}."
    rest = [g for g in found.groups if g is not of and g.label and g.teeth]
    asked_of = asked.rpartition(" ")[0]  # `A separated file`, which need not be said again
    others = [f"{lower_first(g.label.removeprefix(asked_of).strip())}: {whole(g.failures)} of {whole(g.teeth)}"
              for g in rest]  # fmt: skip
    return f"Too few: {'; '.join([f'{whole(of.failures)} of {whole(of.teeth)} lost', *reversed(others)])}."


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
