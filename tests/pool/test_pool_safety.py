"""Measures of safety over several practices: no pooled sentence, page, slide or file says little difference."""

import dataclasses
import io
import json
import re

import pytest
from pool_practices import contributed, tables
from pptx import Presentation

from dashboards import pooled_deck
from dashboards.pages.pooled import render
from pipeline.release.pool.combine import pool
from pipeline.release.pool.contribution import Contrast, Contribution, Gap, Ratio, Side
from pipeline.results import to_plain
from pipeline.results.pooled import PooledResults
from pipeline.results.safety import UNMEASURED

NEVER = re.compile(r"little.difference|probably smaller", re.IGNORECASE)


@pytest.fixture(scope="module")
def whole() -> Contribution:
    return contributed(*tables(crowns=300, seed=1), code="0" * 16)


def four(whole: Contribution, question: str, group: str, reference: str) -> PooledResults:
    """Four practices with many teeth and the same failures whatever was done."""
    sides = [Side(name, 2000, 1500, 150, (), ()) for name in (group, reference)]
    id = f"technique_{question}_tooth_loss:{group}:{reference}"
    ratio, gap = Ratio("cox_by_technique", (), 0.0, 0.05, 0.1), Gap(0, 1, 0.8, True, True)
    contrast = Contrast(id, "tooth_loss", "since_completion", *sides, None, ratio, gap)
    return pool([dataclasses.replace(whole, code=f"{i:016x}", contrasts=(contrast,), marks=()) for i in range(4)])


@pytest.mark.parametrize(
    ("question", "group", "reference"), [("rubber_dam", "no", "yes"), ("irrigant_strength", "to_1", "1_to_3")]
)
def test_pooled_practices_do_not_say_it(whole: Contribution, question: str, group: str, reference: str) -> None:
    pooled = four(whole, question, group, reference)
    (found,) = pooled.comparisons
    difference = next(v for v in found.values if v.kind == "difference")
    assert max(-difference.low, difference.high) < found.smallest_difference_per_100
    assert found.verdict.code == "cannot_tell"
    assert found.verdict.sentence.endswith(UNMEASURED)
    assert not NEVER.search(json.dumps(to_plain(found)))
    html = render(pooled)
    assert UNMEASURED[1:] in html
    assert not NEVER.search(html)
    assert "too small to matter" not in html
    deck = Presentation(io.BytesIO(pooled_deck.render(pooled)))
    notes = " ".join(s.notes_slide.notes_text_frame.text for s in deck.slides)
    cells = [c.text for s in deck.slides for x in s.shapes if x.has_table for c in x.table.iter_cells()]
    assert UNMEASURED[1:] in notes
    assert not NEVER.search(notes + " ".join(cells))


def test_of_another_question_it_is_said(whole: Contribution) -> None:
    (found,) = four(whole, "sealer", "calcium_silicate", "epoxy_resin").comparisons
    assert found.verdict.code == "little_difference"
    assert UNMEASURED not in found.verdict.sentence
