"""Sentences on what others found beside ours: they claim neither nothing nor more than the figures do."""

from __future__ import annotations

import dataclasses

import sample_results as samples

from dashboards.words import evidence as words
from pipeline.results.evidence import EvidenceRow


def rows() -> tuple[EvidenceRow, EvidenceRow]:
    """A share of which ours is known, and the same source's at 20 years, where it is not."""
    found = samples.differs().evidence
    assert found is not None
    known = next(r for r in found.rows if r.kind == "share")
    late = dataclasses.replace(
        known, horizon_years=20.0, ours=None, together=None, rests_on="others", verdict="Theirs alone."
    )
    return known, late


def test_a_range_that_hardly_narrows_is_not_said_to_add_nothing() -> None:
    known, late = rows()
    ours = dataclasses.replace(known, rests_on="ours")
    said = "In 1 of 2 figures what others found hardly narrows the range of ours"
    assert words.heading((ours, late), "share") == said
    conflict = dataclasses.replace(ours, conflict=True)
    assert words.heading((conflict, late), "share") == f"{said} or conflicts with it"
    assert words.heading((known, late), "share") == "What others found bears on 2 figures of ours"


def test_a_figure_of_others_alone_is_doubted_by_how_far_ours_lay_from_theirs_before() -> None:
    known, late = rows()
    doubt = "By 5 years ours is 10 (7 to 15) where the same source has 8, so whether it holds here is open."
    assert words.row_text(late, (known, late)) == f"Theirs alone. {doubt}"
    assert words.doubt(known, (known, late)) == ""
    assert words.doubt(late, (dataclasses.replace(known, sources=("Another",)), late)) == ""
