"""What pages open with, the words that they explain, and that a sentence is said once."""

import re
from dataclasses import replace

import pytest
import sample_results as samples

from dashboards import glossary, page, terms, theme
from dashboards.answers import MOST_WORDS, Answer, Answers, Said, first_sentence, kept, length, words
from dashboards.words import answers as words_answers
from pipeline.results import Choice, Difference

LABELS = {"a": "Root canal through the crown", "b": "Root canal before the seat"}


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (-2, 7, "between 2 fewer and 7 more"),
        (-8, -4, "4 to 8 fewer"),
        (1, 6, "1 to 6 more"),
        (3, 3, "3 more"),
        (0, 5, "between none and 5 more"),
        (-9, 0, "between 9 fewer and none"),
        (0, 0, "none"),
    ],
)
def test_a_range_in_the_english_of_a_person(low: int, high: int, said: str) -> None:
    assert words_answers.between(low, high) == said


def test_a_difference_of_100_in_a_sentence() -> None:
    d = Difference("a", "b", 5, 162, 1.86, -1.9, 6.7, "")
    assert words_answers.of_100(d, LABELS, "crown_failure") == (
        "Of 100 crowns, 2 more failed within 5 years with root canal through the crown than with root canal before the "
        "seat, counted from 5 months on: between 2 fewer and 7 more."
    )
    none = Difference("a", "b", 5, 0, 0.2, -3.0, 0.4, "")
    assert words_answers.of_100(none, LABELS, "tooth_loss") == (
        "Of 100 teeth, as many were lost within 5 years with root canal through the crown as with root canal before "
        "the seat: between 3 fewer and under 1 more."
    )


def test_in_short_a_comparison_says_its_difference_or_why_there_is_none() -> None:
    main = samples.differs().comparisons[0]
    assert main.difference is not None
    d = replace(main.difference, per_100=2.2, ci_low=0.8, ci_high=4.4, years=5)
    told = {
        "differs": "Of 100 opened, 2 more failed within 5 years than treated before (1 to 4).",
        "cannot_tell": "Of 100 opened, 1 to 4 more failed within 5 years than treated before.",
        "too_early": main.verdict.sentence,
    }
    for code, said in told.items():
        found = replace(main, difference=d, verdict=replace(main.verdict, code=code))
        assert words_answers.in_short(found, of="opened", than="treated before") == said
    assert (
        words_answers.in_short(replace(main, difference=None), of="opened", than="treated before")
        == main.verdict.sentence
    )
    early = replace(main, verdict=replace(main.verdict, code="too_early"))
    for none in (early, replace(main, difference=None)):
        assert words_answers.in_short(none, of="opened", than="treated before", when=False) == "so far."
        assert words_answers.comparison_says(none) == main.verdict.sentence


def test_answers_are_cut_where_the_fold_would_be() -> None:
    long = [Answer("word " * 39 + "word.", asked=f"q{i}") for i in range(5)]
    assert [length(a) for a in long] == [41] * 5
    assert len(kept(long)) == 2
    assert kept([Answer("word " * 300)]), "one answer stands however long it is"
    assert length(Answer("Two words.", link="#x", code="cannot_tell")) == 2 + words(terms.verdict("cannot_tell")) + 1


def test_the_first_sentence_is_whole() -> None:
    assert first_sentence("About 1.5 of 100 failed. The rest did not.") == "About 1.5 of 100 failed."
    assert first_sentence("No end") == "No end"


def test_a_sentence_is_said_once_and_a_short_one_again() -> None:
    said = Said()
    long = "The grey zone was fixed beforehand."
    assert said.fresh(f"{long} See it.") == f"{long} See it."
    assert said.fresh(f"{long} See it.") == "See it."
    assert said.each([long, "Another sentence of six whole words."]) == ["Another sentence of six whole words."]


def test_a_word_is_explained_where_it_first_stands_in_running_text() -> None:
    body = '<h2>The seat</h2><p title="the seat">At the seat, and <a href="#x">the seat</a>.</p><li>The seat again</li>'
    marked, met = glossary.explained(body)
    assert marked.count("<dfn") == 1
    assert re.sub(r"</?dfn[^>]*>", "", marked) == body, "nothing else of the page changes"
    assert '<p title="the seat">At <dfn tabindex="0"' in marked
    assert [(id, word) for id, word, _ in met] == [("word-seat", "seat")]


def test_each_form_belongs_to_one_word_and_meanings_are_short() -> None:
    forms = [form for _, forms in glossary.WORDS.values() for form in forms]
    assert len(forms) == len(set(forms))
    assert all(form == form.lower() for form in forms)
    assert all(4 <= words(meaning) <= 30 and meaning.endswith(".") for meaning, _ in glossary.WORDS.values())


def test_a_text_of_the_practice_that_holds_an_explained_word_stays_a_text() -> None:
    marked, _ = glossary.explained("<p>&lt;b&gt;the seat&lt;/b&gt; {{ 7 }}</p>")
    assert "<b>" not in marked
    assert "{{ 7 }}" in marked


def test_contents_are_the_headings_and_addresses_stay() -> None:
    ready = page.made_ready("", '<h2 id="x">A <em>b</em></h2><h2>Same words</h2><h2>Same words</h2>')
    assert ready.contents == [("x", "A b"), ("same-words", "Same words"), ("same-words-2", "Same words")]
    assert 'id="same-words-2"' in ready.content


def test_the_picture_of_the_answers_is_drawn_and_the_verdict_framed() -> None:
    results = samples.differs()
    from dashboards.pages import crowns

    made = crowns.render(results)
    assert made.count('<div class="chart" id="difference"') == 1
    assert f'<span class="chip {terms.shape(results.comparisons[0].verdict.code)}">' in made
    opening = made[made.index('class="answers') : made.index('class="content"')]
    text = re.sub(r"<[^>]+>", " ", opening[opening.index("<ul") : opening.index("<figure")])
    assert words(text) <= MOST_WORDS
    assert Answers((Answer("x"),)).picture is None


def test_verdicts_differ_in_shape_and_every_colour_has_its_dark_one() -> None:
    assert len(set(terms.SHAPES.values())) == len(terms.VERDICTS) == len(terms.SHAPES)
    assert set(terms.SHAPES) == set(terms.VERDICTS)
    looks = [*theme.LOOKS, *theme.FIXED.values(), theme.OWN, theme.ALL]
    assert {look.colour for look in looks} <= set(theme.DARK)
    assert len({look.colour for look in theme.FIXED.values()}) == len({look.symbol for look in theme.FIXED.values()})


def test_groups_of_different_meaning_differ_in_colour_and_in_grey() -> None:
    meanings = {
        "before": ("before_seat", "endo_first"),
        "through": ("through_crown",),
        "vital": ("vital", "seat_vital", "normal"),
        "crowned": ("crowned", "crowned_soon"),
        "later": ("crowned_later",),
        "not crowned": ("not_crowned", "not_yet_crowned"),
        "hyperemic": ("hyperemic",),
    }
    looks = {name: {theme.look(group, 3) for group in groups} for name, groups in meanings.items()}
    assert all(len(found) == 1 for found in looks.values()), "one meaning has one look"
    assert len({next(iter(found)).colour for found in looks.values()}) == len(meanings)
    assert len({next(iter(found)).symbol for found in looks.values()}) == len(meanings)
    assert set(theme.FIXED) == {group for groups in meanings.values() for group in groups}


def test_ways_that_hang_on_one_choice_are_no_witnesses_of_their_own() -> None:
    """What all ways that say a difference share, and the main way has not, stands beside how many they are."""
    main = samples.depends().comparisons[0]
    assert main.choices is not None
    rows = main.choices.rows
    one = next(c for c in rows if c.is_main)
    one = replace(one, options={**one.options, "end_of_followup": "last contact"})
    other = {**one.options, "end_of_followup": "last day of the data"}
    says, open_still = {"per_100": 4.0, "ci_low": 1.0, "ci_high": 7.0}, {"per_100": 1.0, "ci_low": -3.0, "ci_high": 5.0}
    found = (replace(one, **open_still), *(replace(one, is_main=False, options=other, **says) for _ in range(2)))

    def told(*made: Choice) -> str:
        return words_answers.how_sure(replace(main, choices=replace(main.choices, rows=made)))

    assert told(*found).startswith(
        "2 of 3 ways to count these teeth say more failures, all with “last day of the data” as end of follow-up; "
        "1 cannot tell."
    )
    apart = replace(found[1], options=one.options)
    assert told(found[0], found[1], apart).startswith("2 of 3 ways to count these teeth say more failures; 1 cannot")
