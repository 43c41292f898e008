"""The questions of technique, asked of a practice with notes alone and of the same practice with its details."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline.practice.tables import CROWNS, ENDO_COURSES, INPUT_TABLES, PATIENTS, TOOTH_FOLLOWUP
from pipeline.questions.crown_longevity import Analysis
from pipeline.questions.techniques.ask import answer_techniques
from pipeline.reading.config import load_settings
from pipeline.results.technique import TechniqueAnswer
from pipeline.stages.ingest import ingest_stage
from pipeline.stages.run_link import link_stage
from pipeline.storing.store import open_store
from synthetic_data.generate import simulate
from synthetic_data.notes import write_notes

TODAY = dt.date(2026, 11, 1)
CROWNS_SEATED = 600
LEAST_ASKED = 50  # contrasts with a range, below which the test would show nothing


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, TechniqueAnswer], dict[str, TechniqueAnswer]]:
    """Answers by id, of the details as recorded and of the notes that were written from them."""
    folder = tmp_path_factory.mktemp("practice")
    toml = simulate(folder, crowns=CROWNS_SEATED, seed=21, say=lambda _: None)
    recorded = answers(toml)
    for stale in folder.glob("practice.duckdb*"):
        stale.unlink()
    write_notes(folder, keep_details=False)
    return recorded, answers(toml)


def answers(toml: Path) -> dict[str, TechniqueAnswer]:
    settings = load_settings(toml)
    ingest_stage(settings, today=TODAY, say=lambda _: None, keep_ids=True)
    link_stage(settings, say=lambda _: None)
    names = ("course_gap_days", "crown_repost_days", "recall_months", "uncertain_years")
    rules = {name: str(getattr(settings.rules, name)) for name in names}
    with open_store(settings.practice.database, read_only=True) as store:
        inputs = {t: store.read(INPUT_TABLES[t]) for t in ("endo_details", "crown_details", "findings")}
        found = answer_techniques(
            store.read(CROWNS), store.read(ENDO_COURSES), store.read(TOOTH_FOLLOWUP),
            {**inputs, "patients": store.read(PATIENTS)}, Analysis(), rules=rules,
        )  # fmt: skip
    return {a.id: a for a in found.answers}


def difference(answer: TechniqueAnswer | None, group: str, reference: str) -> tuple[float | None, str]:
    """Failures per 100 of one group over another, whichever of them is the reference, and the verdict."""
    for c in answer.contrasts if answer is not None else ():
        if c.difference_per_100 is not None and {c.group, c.reference} == {group, reference}:
            return (1 if c.group == group else -1) * c.difference_per_100, c.verdict
    return None, ""


@pytest.mark.thorough
def test_notes_alone_answer_what_the_details_answer_within_its_range(both):
    recorded, noted = both
    assert noted.keys() == recorded.keys()
    asked = answered = 0
    for id, answer in recorded.items():
        for c in answer.contrasts:
            if c.difference_ci_low is None or c.difference_ci_high is None:
                continue
            asked += 1
            by_notes, verdict = difference(noted[id], c.group, c.reference)
            if by_notes is None:
                continue  # too few teeth are left of which a note tells all that the comparison needs
            answered += 1
            assert c.difference_ci_low <= by_notes <= c.difference_ci_high, (id, c.group)
            assert verdict == c.verdict, (id, c.group)
    assert asked >= LEAST_ASKED
    assert answered >= 0.95 * asked
