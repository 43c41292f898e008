"""`compare` part by part, as a command: the main comparison as it is made whole, and what else was not run."""

import dataclasses
import datetime as dt
from pathlib import Path

import pytest

from dashboards.write import write_all
from pipeline.practice.tables import CROWNS, ENDO_COURSES
from pipeline.reading.config import Machine, load_settings
from pipeline.results import Comparison, to_plain
from pipeline.stages.run import compare_stage, ingest_stage, link_stage, stored_results
from pipeline.storing.store import open_store
from synthetic_data.generate import simulate
from tests.recounts import without_recounts

NEAR = 1e-9


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory):
    settings = load_settings(Path(simulate(tmp_path_factory.mktemp("practice"), crowns=500, seed=6)))
    ingest_stage(settings, today=dt.date(2025, 6, 30), say=lambda _: None)
    link_stage(settings, say=lambda _: None)
    # The other ways to count, which take the longest, are not made in parts.
    with without_recounts():
        return settings, compare_stage(settings, say=lambda _: None)


def alike(a: object, b: object, path: str = "") -> None:
    if isinstance(a, dict) and isinstance(b, dict):
        assert a.keys() == b.keys(), path
        for key in a:
            alike(a[key], b[key], f"{path}.{key}")
    elif isinstance(a, list) and isinstance(b, list):
        assert len(a) == len(b), path
        for n, (one, other) in enumerate(zip(a, b, strict=True)):
            alike(one, other, f"{path}[{n}]")
    elif isinstance(a, float) and isinstance(b, float):
        assert a == pytest.approx(b, rel=NEAR, abs=NEAR, nan_ok=True), path
    else:
        assert a == b, path


def plain(main: Comparison) -> object:
    """The comparison without what is made of all questions together, or of whole rows alone."""
    whole = {"steady": None, "mean_years": None, "within_patient": None}
    return to_plain(dataclasses.replace(main, honesty=None, choices=None, notes=(), verdict=None, **whole))  # type: ignore[arg-type]


@pytest.mark.thorough
@pytest.mark.parametrize("how", [{"parts": 3}, {"workers": 2}])
def test_in_parts_the_main_comparison_is_the_same_and_the_rest_is_listed(practice, how: dict, tmp_path: Path):
    settings, whole = practice
    found = compare_stage(settings, say=lambda _: None, **how)
    alike(plain(found.comparisons[0]), plain(whole.comparisons[0]))
    assert (found.counts, found.data_from) == (whole.counts, whole.data_from)
    # What procedure codes tell of technique is counted where technique is asked about.
    links = tuple(note for note in whole.quality.links if not note.id.endswith("_from_codes"))
    assert found.quality == dataclasses.replace(whole.quality, links=links)
    assert len(found.comparisons) == 1
    assert found.not_run[-1].id == "all_other_questions"
    assert stored_results(settings) == found
    assert write_all(found, tmp_path / "out").exists()
    for page in ("index", "owner", "techniques"):
        text = (tmp_path / "out" / f"{page}.html").read_text(encoding="utf-8")
        assert "only the main comparison was made" in text
        assert "could be followed" not in text
        assert "could be answered from these records" not in text
    assert "not counted in other ways" in found.comparisons[0].verdict.doubt
    assert [p.name for p in settings.practice.database.parent.iterdir() if "parts" in p.name] == []


@pytest.mark.thorough
def test_too_little_memory_for_all_questions_makes_the_main_one_and_says_what_the_others_need(practice, monkeypatch):
    settings, whole = practice
    monkeypatch.setattr(Machine, "memory_to_compare", lambda _, teeth: 1_000_000 + teeth)
    said: list[str] = []
    found = compare_stage(settings, say=said.append)
    assert found.comparisons[0].id == whole.comparisons[0].id
    with open_store(settings.practice.database, read_only=True) as store:
        need = 1_000_000 + sum(store.read(table).height for table in (CROWNS, ENDO_COURSES))
    assert found.not_run[-1].needs == (f"[machine] memory_mb = {need}, without --parts",)
    assert any("2,000 are allowed" in text for text in said)
