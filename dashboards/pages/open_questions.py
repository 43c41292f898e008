"""What these records cannot say, said once: each open question, what would settle it and when, and what never will."""

from dataclasses import dataclass

from dashboards import page, terms
from dashboards.answers import Answer, Answers, Said, first_sentence, kept
from dashboards.formats import count, lower_first, plural, sentence_case, whole
from dashboards.pages import comparison, trial
from dashboards.pages.planning import planning_block
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from dashboards.words import quality as words_quality
from pipeline.results import Results

TITLE = "What these records cannot say yet, and what would settle it"
NEVER = (
    "What only a trial could tell: whether the treatment itself made the difference, since chance did not choose it.",
    "What nobody wrote down: pain, cost, comfort, and why one treatment was chosen over another.",
    "What became of patients who stopped coming, and of teeth treated elsewhere without a word in these records.",
)


@dataclass(frozen=True)
class Open:
    """One open question as the page lists it."""

    title: str
    link: str
    code: str
    when: str
    detail: tuple[str, ...]


def render(results: Results) -> str:
    """The page `open_questions.html`."""
    found = open_questions(results)
    planning = planning_block(results)
    return page.inside(
        "open_questions.html",
        results,
        title=TITLE,
        answers=Answers(_answers(results, found, planning["technique_short"])),
        found=found,
        planning=planning,
        never=NEVER,
        heading=_heading(results, found),
        not_run_heading=words_quality.not_run_heading(results.not_run),
        not_run=words_quality.not_run_says(results.not_run),
    )


def open_questions(results: Results) -> list[Open]:
    """Every comparison and trial whose verdict claims nothing, with what would settle it."""
    plans = {p.id: p for p in results.planning}
    found: list[Open] = []
    said = Said()
    for i, c in enumerate(results.comparisons):
        if c.verdict.code not in words_answers.OPEN:
            continue
        file = "crowns" if i == 0 or terms.is_crown(c.outcome) else "root_canals"
        plan = plans.get(c.id)
        detail = plan.sentences if plan is not None and not plan.settled else ()
        link = f"{file}.html#{comparison.place(c.id)}"
        found.append(Open(c.title, link, c.verdict.code, said.fresh(c.verdict.next_step), detail))
    for t in results.trials:
        for o, v in t.judged:
            if v.code in words_answers.OPEN:
                link = f"hyperemic.html#{trial.place(o.outcome)}"
                found.append(Open(words_answers.decided(o.outcome), link, v.code, said.fresh(v.next_step), ()))
    return found


def _heading(results: Results, found: list[Open]) -> str:
    """What is open, for a heading."""
    asked = len(results.comparisons) + sum(len(t.judged) for t in results.trials)
    if not found:
        return "No question is open"
    said = f"{whole(len(found))} of {count(asked, 'question')} {plural(len(found), 'is')} open"
    return f"{said}, each with what would settle it"


def _answers(results: Results, found: list[Open], technique: str) -> tuple[Answer, ...]:
    if not results.comparisons and not results.trials:
        return (Answer(words.not_asked(results) or "No question could be asked of these records yet."),)
    asked = count(len(results.comparisons) + sum(len(t.judged) for t in results.trials), "question")
    first = f"{whole(len(found)) if found else 'None'} of {asked} {plural(len(found), 'is')} open."
    given = [Answer(first, asked="How many", link="#open")]
    if found:
        first_open = found[0]
        said = f"What would settle it, at the present pace: {lower_first(first_sentence(first_open.when))}"
        given.append(Answer(said, first_open.title, first_open.link))
    if technique:
        given.append(Answer(technique, asked="Techniques", link="#techniques"))
    given.append(Answer(sentence_case(NEVER[0].partition(": ")[2]), asked="Never from records", link="#never"))
    return kept(given)
