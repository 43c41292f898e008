"""Posts and cores that only the ledger knows, through a whole run: read, linked, counted and told."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline.practice.own_question import from_options
from pipeline.practice.settings import Settings
from pipeline.reading.config import load_settings
from pipeline.results import Results
from pipeline.stages.run import ask_stage, everything
from pipeline.storing.store import open_store
from tests.recounts import without_recounts

TOML = """[practice]
name = "Alder Row Dental"
tooth_notation = "fdi"
accepted = ["months_missing"]
[tables.procedures]
files = ["ledger.csv"]
[tables.crown_details]
files = ["crowns.csv"]
"""
TODAY = dt.date(2026, 1, 31)


def quiet(_: str) -> None:
    pass


def answered(settings: Settings) -> Results:
    """Every answer but for the other ways to count, of which nothing is asked here."""
    with without_recounts():
        return everything(settings, today=TODAY, say=quiet)


def write(folder: Path, *, extra: str = "") -> Path:
    """40 crowns on tooth 16: every second with a core and every fourth with a post, six months of visits after."""
    ledger, crowns = ["patient_id,service_date,code,tooth,fee,status"], ["patient_id,tooth,seat_date,core"]
    for n in range(40):
        seat = dt.date(2018, 1, 1) + dt.timedelta(days=20 * n)
        rows = [("D2740", 0, 900)]
        if n % 2 == 0:
            rows.append(("D2950", -10, 200))
        if n % 4 == 0:
            rows.append(("D2954", -10, 300))
        ledger += [f"P{n:02},{seat + dt.timedelta(days=d)},{code},16,{fee},completed" for code, d, fee in rows]
        ledger.append(f"P{n:02},{seat + dt.timedelta(days=1500)},D0120,,50,completed")
        if n % 10 == 0:
            crowns.append(f"P{n:02},16,{seat},amalgam")
    # A post that was planned, one that was void and one that was taken back are none.
    ledger += ["P01,2018-01-15,D2954,16,300,planned", "P01,2018-01-15,D2954,16,300,void"]
    ledger += ["P01,2018-01-16,D2954,16,300,completed", "P01,2018-01-17,D2954,16,-300,completed"]
    (folder / "ledger.csv").write_text("\n".join(ledger) + "\n", encoding="utf-8")
    (folder / "crowns.csv").write_text("\n".join(crowns) + "\n", encoding="utf-8")
    path = folder / "practice.toml"
    path.write_text(TOML + extra, encoding="utf-8")
    return path


def from_codes(results: Results) -> dict[str, int]:
    return {note.id: note.count for note in results.quality.links if note.id.endswith("_from_codes")}


@pytest.mark.thorough
def test_values_from_codes_are_counted_on_the_data_quality_page(tmp_path: Path) -> None:
    results = answered(load_settings(write(tmp_path)))
    # Of 40 crowns four have a recorded core; all posts, and that there is none, come from codes.
    assert from_codes(results) == {"post_from_codes": 40, "core_from_codes": 36}
    assert results.analysis["post_core_days"] == "180"


def test_only_rows_that_stand_are_read(tmp_path: Path) -> None:
    settings = load_settings(write(tmp_path))
    answered(settings)
    with open_store(settings.practice.database, read_only=True) as store:
        posts = store.procedures_of(["D2954"], until=None)
        assert posts.height == 12  # ten that stand, one taken back and its reversal
        assert store.procedures_of(["D2954"], until=dt.date(2017, 12, 31)).height == 1
        assert store.procedures_of([], until=None).is_empty()


@pytest.mark.thorough
@pytest.mark.parametrize(("days", "posts"), [(180, 10), (9, 0)])
def test_an_own_question_reads_codes_too_within_the_days_set(tmp_path: Path, days: int, posts: int) -> None:
    settings = load_settings(write(tmp_path, extra=f"[analysis]\npost_core_days = {days}\n"))
    answered(settings)
    ask = from_options(population="crowns", groups="post", outcome="crown_failure")
    (found,) = ask_stage(settings, [ask], say=quiet)
    if not posts:
        assert "Fewer than two groups" in found.refused
        return
    assert found.comparison is not None
    assert {g.name: g.crowns for g in found.comparison.groups} == {"prefabricated": 10, "none": 30} or {
        g.name: g.crowns for g in found.comparison.groups
    } == {"unspecified": 10, "none": 30}
    assert "Post: read from procedure codes for 40 of 40 teeth." in found.notes
