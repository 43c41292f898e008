"""Measures of safety on shared pages and slides: an answer stored before is held back as well."""

import dataclasses
import io
import re

import pytest
import sample_results as samples
from pptx import Presentation

from dashboards.pages import study_club
from dashboards.release.released import Released, release
from dashboards.talk import appendix
from pipeline.results.safety import UNMEASURED

NEVER = re.compile(r"little.difference", re.IGNORECASE)


def released(question: str, names: tuple[str, str], verdict: str) -> Released:
    """A practice whose one technique answer carries a verdict."""
    results = samples.cannot_tell()
    answer = samples.differs().techniques[1]
    (contrast,) = answer.contrasts
    groups = tuple(dataclasses.replace(g, name=n) for g, n in zip(answer.groups, names, strict=True))
    figures = {"difference_per_100": 0.0, "difference_ci_low": -1.0, "difference_ci_high": 1.0}
    contrast = dataclasses.replace(contrast, group=names[1], reference=names[0], verdict=verdict, **figures)
    answer = dataclasses.replace(
        answer, question=question, unit="course", groups=groups, reference=names[0], contrasts=(contrast,)
    )
    return release(dataclasses.replace(results, techniques=(answer,)))


@pytest.mark.one_in(4)
@pytest.mark.parametrize(
    ("question", "names"),
    [("rubber_dam", ("yes", "no")), ("irrigant_strength", ("1_to_3", "to_1"))],
)
def test_no_shared_page_or_slide_says_it(question: str, names: tuple[str, str]) -> None:
    found = released(question, names, "little_difference")
    assert [c.verdict_code for c in found.techniques.contrasts] == ["cannot_tell"]
    parts = study_club.technique_parts(found)
    assert not NEVER.search(repr(parts))
    assert UNMEASURED[1:] in parts["looks"]
    deck = Presentation(io.BytesIO(appendix.render(found)))
    text = " ".join(
        [shape.text_frame.text for slide in deck.slides for shape in slide.shapes if shape.has_text_frame]
        + [cell.text for slide in deck.slides for s in slide.shapes if s.has_table for cell in s.table.iter_cells()]
        + [slide.notes_slide.notes_text_frame.text for slide in deck.slides]
    )
    assert UNMEASURED[1:] in text
    assert not NEVER.search(text)


def test_of_other_questions_it_may_be_said_and_nothing_is_added() -> None:
    found = released("sealer", ("calcium_silicate", "epoxy_resin"), "little_difference")
    assert [c.verdict_code for c in found.techniques.contrasts] == ["little_difference"]
    assert UNMEASURED[1:] not in repr(study_club.technique_parts(found))


def test_a_released_answer_that_says_it_is_refused() -> None:
    answer = released("rubber_dam", ("yes", "no"), "cannot_tell").techniques.answers[0]
    bold = dataclasses.replace(answer.contrasts[0], verdict_code="little_difference", why="")
    with pytest.raises(ValueError, match="never said"):
        dataclasses.replace(answer, contrasts=(bold,))
