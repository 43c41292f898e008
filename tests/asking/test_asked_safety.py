"""Own questions on measures of safety: answered, but never with little difference, and no zone too small to matter."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from test_answer import ANALYSIS, BEGIN, filled

from dashboards.pages.asked import render
from pipeline.practice.own_question import from_options
from pipeline.practice.tables import CROWN_DETAILS, CROWNS, ENDO_COURSES, ENDO_DETAILS, PATIENTS, TOOTH_FOLLOWUP
from pipeline.questions.asking.answer import answer, as_text, groups_asked
from pipeline.questions.asking.rows import Tables
from pipeline.results.asked import Asked
from pipeline.results.safety import UNMEASURED

NEVER = re.compile(r"little.difference|probably smaller|too small to matter", re.IGNORECASE)


def asked(groups: str, *, n: int = 12000) -> Asked:
    """Root canals of one kind each that are lost alike, whatever the dam, the strength or the sealer."""
    random = np.random.default_rng(2)
    done = [BEGIN + dt.timedelta(days=int(d)) for d in random.integers(0, 2000, n)]
    possible = random.integers(2000, 4500, n)
    days = np.minimum(np.ceil(random.exponential(365.25 / 0.02, n)).astype(int), possible)
    failed = days < possible
    ends = [s + dt.timedelta(days=int(d)) for s, d in zip(done, days, strict=True)]
    people = [f"p{i:05}" for i in range(n)]
    tooth = {"patient_id": people, "tooth_fdi": [16] * n}
    courses = filled(ENDO_COURSES, tooth | {
        "course_id": [f"E{i:05}" for i in range(n)], "tooth_group": ["molar"] * n, "started": done, "completed": done,
        "kind": ["initial"] * n, "crown_at_start": ["none"] * n, "exit_date": ends, "provider_id": ["d1"] * n,
        "exit_reason": ["failed" if f else "last_contact" for f in failed],
    }, n)  # fmt: skip
    teeth = filled(TOOTH_FOLLOWUP, tooth | {
        "followed_to": ends, "end_reason": courses["exit_reason"],
        "extracted": [e if f else None for e, f in zip(ends, failed, strict=True)],
    }, n)  # fmt: skip
    details = filled(ENDO_DETAILS, tooth | {
        "service_date": done, "row_number": list(range(1, n + 1)), "rubber_dam": random.random(n) < 0.5,
        "naocl_percent": random.choice([1.0, 5.0], n), "sealer": random.choice(["epoxy_resin", "calcium_silicate"], n),
    }, n)  # fmt: skip
    patients = filled(PATIENTS, {"patient_id": people, "birth_year": random.integers(1940, 1990, n)}, n)
    tables = Tables(CROWNS.empty(), courses, teeth, patients, details, CROWN_DETAILS.empty())
    ask = from_options(population="endo_courses", groups=groups, outcome="tooth_loss")
    rows, flow, refused = groups_asked(tables, ask, ANALYSIS)
    return answer(rows, flow, ask, ANALYSIS, family=1, refused=refused)


@pytest.mark.parametrize("groups", ["rubber_dam", "naocl_percent:3"])
def test_little_difference_is_never_answered(groups: str) -> None:
    found = asked(groups)
    (contrast,) = found.contrasts
    difference = contrast.difference
    assert difference is not None
    assert max(-difference.ci_low, difference.ci_high) < ANALYSIS.smallest_difference_per_100
    assert contrast.verdict.code == "cannot_tell"
    assert contrast.verdict.sentence.endswith(UNMEASURED)
    assert UNMEASURED in found.notes
    for shown in (render((found,), practice="Alder Row Dental"), as_text(found), repr(found)):
        assert UNMEASURED in shown
        assert not NEVER.search(shown)


def test_another_way_of_working_may_be_said_to_differ_little() -> None:
    found = asked("sealer")
    assert found.contrasts[0].verdict.code == "little_difference"
    page = render((found,), practice="Alder Row Dental")
    assert "too small to matter" in page
    assert UNMEASURED not in page
    assert not found.safety
    assert "too small to matter" not in render((replace(found, safety=True),), practice="Alder Row Dental")


def test_strength_without_bands_is_one_group_each() -> None:
    found = asked("naocl_percent", n=3000)
    assert found.comparison is not None
    assert pl.Series([g.name for g in found.comparison.groups]).n_unique() == 2
    assert found.safety
