"""Technique questions at the gate: declared words, counts hidden and rounded, verdicts no bolder than figures."""

import dataclasses
import functools
import re

import pytest
import sample_results as samples
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_gate import plain_gate
from read_page import plain

from dashboards import terms
from dashboards.pages import study_club
from dashboards.release.percent import percent_step
from dashboards.release.released import release
from dashboards.release.technique import ReleasedContrast, ReleasedTechniques, release_techniques
from dashboards.words import shared as words_shared
from dashboards.words import technique as words_technique
from pipeline.questions.techniques.declared import all_questions
from pipeline.results.technique import TechniqueAnswer


@functools.cache
def answers() -> tuple[TechniqueAnswer, ...]:
    return samples.differs().techniques


def shown(*given: TechniqueAnswer) -> ReleasedTechniques:
    return release_techniques(plain_gate(), given, smallest=5)


def test_a_group_whose_count_is_hidden_is_not_named_nor_is_a_question_of_one_group() -> None:
    margin, *rest = answers()
    assert [g.failures for g in margin.groups] == [71, 58, 7]
    (found,) = shown(margin).answers
    assert [(g.label, str(g.failures)) for g in found.groups] == [("Chamfer", "70"), ("Shoulder", "60")]
    small = tuple(dataclasses.replace(g, failures=g.failures if i == 0 else 10) for i, g in enumerate(margin.groups))
    assert shown(dataclasses.replace(margin, groups=small), *rest) == shown(*rest)


def test_figures_stand_on_steps_worth_five_teeth() -> None:
    sealer = shown(*answers()).answers[1]
    (contrast,) = sealer.contrasts
    step = percent_step(410)
    assert step == 2
    assert (contrast.per_100, contrast.low, contrast.high) == (6, 2, 12)
    assert contrast.verdict_code == "differs"
    assert [g.label for g in sealer.groups] == ["Calcium silicate sealer", "Epoxy resin sealer"]


@pytest.mark.parametrize(
    "change",
    [
        {"question": "invented"},
        {"outcome": "happiness"},
        {"groups": tuple(dataclasses.replace(g, name="Dr Ashby") for g in samples.differs().techniques[1].groups)},
    ],
)
def test_what_is_not_declared_stays_inside(change: dict) -> None:
    assert shown(dataclasses.replace(answers()[1], **change)).answers == ()


def test_labels_of_the_results_are_not_used() -> None:
    renamed = tuple(dataclasses.replace(g, label="Dr Ashby’s way") for g in answers()[1].groups)
    found = shown(dataclasses.replace(answers()[1], groups=renamed, title="Dr Ashby: loss"))
    assert "Ashby" not in repr(found)
    assert found.answers


@settings(max_examples=200, deadline=None)
@given(
    st.tuples(st.integers(11, 4000), st.integers(11, 4000)),
    st.floats(-40, 40),
    st.floats(0, 30),
    st.sampled_from(["differs", "little_difference", "cannot_tell", "too_early", "something else"]),
)
def test_a_verdict_is_never_bolder_than_the_figures(
    teeth: tuple[int, int], mid: float, half: float, verdict: str
) -> None:
    a = answers()[1]
    groups = tuple(dataclasses.replace(g, teeth=n, failures=11) for g, n in zip(a.groups, teeth, strict=True))
    told = dataclasses.replace(
        a.contrasts[0], difference_per_100=mid, difference_ci_low=mid - half, difference_ci_high=mid + half,
        verdict=verdict,
    )  # fmt: skip
    for c in shown(dataclasses.replace(a, groups=groups, contrasts=(told,))).contrasts:
        step = max(percent_step(plain_gate().rounding.count(n)) or 99 for n in teeth)
        assert {c.per_100 % step, c.low % step, c.high % step} == {0}
        assert c.low <= mid - half + 1e-6
        assert c.high >= mid + half - 1e-6
        if c.verdict_code == "differs":
            assert c.low > 0 or c.high < 0
        if c.verdict_code == "little_difference":
            assert -5 <= c.low <= c.high <= 5


def test_a_contrast_made_by_hand_is_refused() -> None:
    with pytest.raises(ValueError, match="released contrast"):
        ReleasedContrast("a", "b", 9, 0, 5, None, None, None, "differs")


@pytest.mark.parametrize(
    ("low", "high", "withheld", "p_family", "why"),
    [
        (-2.0, 3.0, "no clinician works both ways", None, "one_way"),
        (-2.0, 9.0, "", 0.4, ""),  # the range says so itself
        (6.0, 12.0, "one of many", 0.4, "stands_out"),
        (0.5, 12.0, "one of many", 0.4, ""),  # by the range that is shown, which begins at none
    ],
)
def test_what_is_open_for_another_reason_than_its_range_says_so(
    low: float, high: float, withheld: str, p_family: float | None, why: str
) -> None:
    told = dataclasses.replace(
        answers()[1].contrasts[0], difference_per_100=(low + high) / 2, difference_ci_low=low, difference_ci_high=high,
        verdict="cannot_tell", withheld=withheld, p_family=p_family,
    )  # fmt: skip
    found = shown(dataclasses.replace(answers()[1], contrasts=(told,)))
    assert [c.why for c in found.contrasts] == [why]
    assert words_technique.contrasts_table(found.answers).rows[0][-1] == terms.verdict(why or "cannot_tell")
    assert f"{words_technique.with_reason(why or 'cannot_tell')}: 1." in words_technique.looks(found)


def test_a_reason_to_be_open_is_of_what_is_open() -> None:
    for code, why in (("differs", "one_way"), ("cannot_tell", "who knows")):
        with pytest.raises(ValueError, match="a reason"):
            ReleasedContrast("a", "b", 4, 0, 5, None, None, None, code, why)


def test_the_page_says_what_the_release_holds() -> None:
    released = release(samples.differs())
    page = re.sub(r"\s+", " ", plain(study_club.render(released)))
    assert (
        words_technique.headline(released.techniques)
        == "1 of 2 technique comparisons that may be shown shows a clear difference"
    )
    (sentence,) = words_technique.named(released.techniques)
    assert sentence.startswith("Epoxy resin sealer against calcium silicate sealer, tooth loss by 5 years: 6 more")
    assert sentence in page
    assert words_shared.STEPS in page
    assert (
        "Of the 2 comparisons that may be shown, in that family or not, "
        f"{terms.verdict('differs').lower()}: 1 and {terms.verdict('little_difference').lower()}: 1." in page
    )
    for row in words_technique.contrasts_table(released.techniques.answers).rows:
        assert all(cell in page for cell in row)


def test_no_comparison_is_named_where_none_is_shown() -> None:
    assert words_technique.headline(ReleasedTechniques()).startswith("No technique comparison")
    flat = dataclasses.replace(answers()[1].contrasts[0], verdict="cannot_tell")
    two = dataclasses.replace(answers()[1], contrasts=(flat, flat))
    assert (
        words_technique.headline(shown(two))
        == "None of 2 technique comparisons that may be shown shows a clear difference"
    )


def test_every_declared_question_can_be_said() -> None:
    for q in all_questions():
        names = [g.name for g in (*q.levels, *q.bands)][:2]
        if not names:
            continue
        groups = tuple(dataclasses.replace(g, name=n) for g, n in zip(answers()[1].groups, names, strict=True))
        contrast = dataclasses.replace(answers()[1].contrasts[0], group=names[1], reference=names[0])
        found = shown(dataclasses.replace(answers()[1], question=q.id, groups=groups, contrasts=(contrast,)))
        assert found.answers[0].title == q.title
        assert len(found.contrasts) == 1
