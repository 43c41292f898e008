"""The clinician's door: the answer to each question in a sentence, with where it is answered in full."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from dashboards import page, terms
from dashboards.answers import Answer, Answers, kept
from dashboards.formats import count, sentence_case, whole
from dashboards.pages import comparison, technique
from dashboards.pages.index import asked_sentence, crowned
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from pipeline.results import Results
from pipeline.results.asked import Asked
from pipeline.results.trial_words import CROWN, NEED


def render(results: Results, *, asked: Sequence[Asked] = ()) -> str:
    """The page `clinician.html`. `asked` are the practice's own questions, on the page `asked.html`."""
    return page.render(
        "clinician.html.j2",
        title="For the clinician: what these records say",
        audience="inside",
        answers=Answers(kept(_answers(results))),
        practice=results.practice,
        here="clinician.html",
        cautions=results.cautions,
        findings=findings(results),
        findings_heading=_findings_heading(results),
        techniques=techniques(results),
        techniques_heading=words_answers.technique_says(results.techniques).rstrip("."),
        not_run=results.not_run,
        asked=asked_sentence(asked),
        scope=words.scope_sentence(results),
    )


def findings(results: Results) -> list[Answer]:
    """Every comparison and trial with its verdict, each with its address; the word of an open one says the rest."""
    found = [
        Answer(
            comparison.asked(c) if c.verdict.code in words_answers.OPEN else comparison.heading(c),
            link=_link(i, c.id, c.outcome),
            code=c.verdict.code,
        )
        for i, c in enumerate(results.comparisons)
    ]
    found += [
        Answer(t.title, link="hyperemic.html#trial", code=t.verdict.code)
        for t in results.trials
        if t.verdict is not None
    ]
    return found


def techniques(results: Results) -> list[Answer]:
    """Every technique question by name with its finding, each with its address."""
    by_question = groupby(results.techniques, key=lambda a: a.question)
    return [
        Answer(
            technique.finding(answers),
            asked=answers[0].title.rsplit(": ", 1)[0],
            link=f"techniques.html#{technique.address(question)}",
        )
        for question, found in by_question
        if (answers := list(found))
    ]


def _findings_heading(results: Results) -> str:
    """How many of the comparisons and decisions show a difference, for a heading."""
    codes = [c.verdict.code for c in results.comparisons] + [
        t.verdict.code for t in results.trials if t.verdict is not None
    ]
    if not codes:
        return "No finding yet"
    differ = codes.count("differs")
    verb = "shows" if differ == 1 else "show"
    return f"{whole(differ) if differ else 'None'} of {count(len(codes), 'finding')} {verb} a difference"


def _link(index: int, id: str, outcome: str) -> str:
    file = "crowns" if index == 0 or terms.is_crown(outcome) else "root_canals"
    return f"{file}.html#{comparison.place(id)}"


def _answers(results: Results) -> list[Answer]:
    given = []
    if results.comparisons:
        main = results.comparisons[0]
        asked = "Does opening a crown shorten its life?"
        given.append(Answer(words_answers.in_short(main), asked=asked, link="crowns.html", code=main.verdict.code))
    given += hyperemic(results)
    given += crowned(results, "A crown after a root canal?", when=True)
    if results.techniques:
        said = words_answers.technique_says(results.techniques)
        given.append(Answer(said, asked="Which technique differs?", link="#techniques"))
    given.append(Answer("Each beside the whole practice, by name.", asked="My own cases?", link="my_cases.html"))
    return given


def hyperemic(results: Results) -> list[Answer]:
    """The decision on a hyperemic tooth in a line: crown, and root canals spared."""
    if not results.trials:
        return []
    t = results.trials[0]
    said = " ".join(text for o in (CROWN, NEED) if (text := words_answers.trial_says(t, o)))
    code = t.verdict.code if t.verdict is not None else ""
    says = sentence_case(said) or (t.verdict.sentence if t.verdict is not None else "Too few such teeth so far.")
    return [Answer(says, asked="Hyperemic tooth: root canal first, or wait?", link="hyperemic.html", code=code)]
