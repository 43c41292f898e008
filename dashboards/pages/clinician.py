"""The clinician's door: the answer to each question in a sentence, with where it is answered in full."""

from collections.abc import Sequence

from dashboards import page, terms
from dashboards.answers import Answer, Answers, kept
from dashboards.charts.contrasts import Apart, difference_chart
from dashboards.formats import count, more_or_fewer, plural, range_more_or_fewer, sentence_case, whole
from dashboards.pages import comparison, technique, trial
from dashboards.pages.hyperemic import differences
from dashboards.pages.index import BEFORE, OF_OPENED, OPENED, asked_sentence, crowned
from dashboards.tables import NumberTable
from dashboards.theme import Chart
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from pipeline.questions.question import KEPT_BY_CROWN
from pipeline.results import Results
from pipeline.results.asked import Asked
from pipeline.results.trial_words import CROWN, NEED, TOOTH
from pipeline.results.unseen import need_with_unseen


def render(results: Results, *, asked: Sequence[Asked] = ()) -> str:
    """The page `clinician.html`. `asked` are the practice's own questions, on the page `asked.html`."""
    picture, numbers = _in_short(results)
    return page.inside(
        "clinician.html",
        results,
        title="For the clinician: what these records say",
        answers=Answers(kept(_answers(results)), picture, comparison.GREY),
        findings=findings(results),
        findings_heading=_findings_heading(results),
        techniques=techniques(results),
        techniques_heading=words_answers.technique_heading(results.techniques),
        not_run=results.not_run,
        asked=asked_sentence(asked),
        numbers=numbers,
    )


def findings(results: Results) -> list[Answer]:
    """Every comparison and trial with its verdict, each with its address; the word of an open one says the rest."""
    found = [
        Answer(
            c.title if c.verdict.code in words_answers.OPEN else comparison.heading(c),
            link=_link(i, c.id, c.outcome),
            code=c.verdict.code,
        )
        for i, c in enumerate(results.comparisons)
    ]
    found += [
        Answer(words_answers.decided(o.outcome), link=f"hyperemic.html#{trial.place(o.outcome)}", code=v.code)
        for t in results.trials
        for o, v in t.judged
    ]
    return found


def techniques(results: Results) -> dict[str, str]:
    """Every technique question by name, each with its address; its finding stands there."""
    return {a.title.rsplit(": ", 1)[0]: f"techniques.html#{technique.address(a.question)}" for a in results.techniques}


def _findings_heading(results: Results) -> str:
    """How many of the comparisons and decisions show a difference, for a heading."""
    codes = [c.verdict.code for c in results.comparisons] + [v.code for t in results.trials for _, v in t.judged]
    if not codes:
        return "No finding yet"
    differ = codes.count("differs")
    verb = "shows" if differ == 1 else "show"
    return f"{whole(differ) if differ else 'None'} of {count(len(codes), 'finding')} {verb} a difference"


def _link(index: int, id: str, outcome: str) -> str:
    file = "crowns" if index == 0 or terms.is_crown(outcome) else "root_canals"
    return f"{file}.html#{comparison.place(id)}"


def _in_short(results: Results) -> tuple[Chart | None, NumberTable]:
    """The differences that the answers name, on one forest and in numbers; none of a comparison that it is too early
    for."""
    kept_teeth = [c for c in results.comparisons[1:] if c.id == KEPT_BY_CROWN.id]
    named = [
        *((c, "Opened for a root canal") for c in results.comparisons[:1]),
        *((c, "Crowned after the root canal") for c in kept_teeth),
    ]
    told = [(c, d, name) for c, name in named
            if (d := c.difference) is not None and c.verdict.code != words_answers.TOO_EARLY]  # fmt: skip
    rows = [Apart(f"{name}: {plural(2, terms.outcome(c.outcome).noun)} {terms.happened(c.outcome)}",
                  d.per_100, d.ci_low, d.ci_high, code=c.verdict.code) for c, d, name in told]  # fmt: skip
    rows[1:1] = [r for t in results.trials for r in differences(t, of="hyperemic, root canal first: ")]
    said = [words_answers.of_100(d, {g.name: g.label for g in c.groups}, c.outcome) for c, d, _ in told]
    said += [sentence_case(words_answers.trial_says(t, o)) for t in results.trials for o in (CROWN, TOOTH)]
    smallest = results.comparisons[0].verdict.smallest_difference_per_100 if results.comparisons else 0.0
    chart = difference_chart(rows, smallest=smallest, id="forest-in-short", label=" ".join(said),
                             title="Of 100: fewer to the left, more to the right")  # fmt: skip
    numbers = tuple(
        (r.label, more_or_fewer(round(r.mid)), range_more_or_fewer(round(r.low), round(r.high))) for r in rows
    )
    return chart, NumberTable("Of 100, as the first chart shows", ("Compared", "Difference", "Range"), numbers)


def _answers(results: Results) -> list[Answer]:
    given = []
    if results.comparisons:
        main = results.comparisons[0]
        said = words_answers.in_short(main, of=OF_OPENED, than=BEFORE)
        given.append(Answer(said, asked=OPENED, link="crowns.html", code=main.verdict.code))
    else:
        given.append(Answer(words.not_asked(results) or comparison.NONE))
    given += hyperemic(results)
    given += crowned(results, when=True)
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
    more = need_with_unseen(results.unseen, t.id)
    told = [sentence_case(text) for o in (CROWN, NEED) if (text := words_answers.trial_says(t, o, unseen=more))]
    said = " ".join(dict.fromkeys(told))
    code = t.verdict.code if t.verdict is not None else ""
    says = said or (t.verdict.sentence if t.verdict is not None else "Too few such teeth so far.")
    return [Answer(says, asked="Hyperemic tooth: treat or wait?", link="hyperemic.html", code=code)]
