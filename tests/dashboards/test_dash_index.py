"""The front page and the clinician's door: one line a question, each with its address, in the words of the results."""

import dataclasses
import html

import pytest
import sample_results as samples
from read_page import plain

from dashboards import answers
from dashboards.pages import clinician, index
from dashboards.words import answers as words_answers


@pytest.mark.parametrize("name", samples.few_at_once("empty_practice", "too_early"))
def test_every_question_has_its_line_and_all_are_short(name: str) -> None:
    given = index.answers(samples.all_variants()[name])
    links = [a.link.partition("#")[0] for a in given]
    assert {"owner.html", "crowns.html", "my_cases.html", "open_questions.html"} <= set(links)
    assert all(a.asked and a.says for a in given)
    # The last four are pages of the menu, which stands above the answers: they go where there is much to say.
    assert len(answers.kept(given, most=answers.MOST_WORDS)) >= len(given) - 4


def test_the_lines_hold_the_figures_of_the_results() -> None:
    results = samples.differs()
    page = html.unescape(plain(index.render(results)))
    d = results.comparisons[0].difference
    assert d is not None
    low, high = round(d.ci_low), round(d.ci_high)
    assert f"Of 100 opened, {words_answers.more(round(d.per_100))} failed than treated before (" in page
    assert f"({low} to {high})" in page
    (moved,) = (m.corrected for u in results.unseen for m in u.moved if m.name == "need_per_100")
    ends = f"{100 - round(moved.high)} to {100 - round(moved.low)}"
    assert f"Waiting, perhaps {100 - round(moved.median)} of 100 had no root canal ({ends})." in page


def test_the_door_lists_every_finding_with_its_verdict_and_address() -> None:
    results = samples.differs()
    found = clinician.findings(results)
    asked = [*results.comparisons, *(o for t in results.trials for o, _ in t.judged)]
    assert [a.code for a in found] == [x.verdict.code for x in asked if x.verdict is not None]
    assert len({a.link for a in found}) == len(found)
    page = clinician.render(results)
    assert all(f'href="{a.link}"' in page for a in found)


def test_the_picture_says_which_answer_it_shows_and_from_when_it_is_counted() -> None:
    results = samples.differs()
    main = results.comparisons[0]
    assert main.difference is not None
    early, late = (
        dataclasses.replace(main, difference=dataclasses.replace(main.difference, from_days=d)) for d in (0, 152)
    )
    for c, said in ((early, f"{main.title}. Grey"), (late, f"{main.title}, counted from 5 months on. Grey")):
        made = index.render(dataclasses.replace(results, comparisons=(c, *results.comparisons[1:])))
        assert f"<figcaption>All by 5 years. {said}" in made
