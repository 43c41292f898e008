"""The invented practice's notes: what they give against the details they were written from, and in their place."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from pipeline.practice.fields import input_fields
from pipeline.practice.tables import DETAIL_TABLES, NOTE_VALUES
from pipeline.practice.teeth import write_teeth
from pipeline.reading.config import load_settings
from pipeline.stages.ingest import ingest_stage
from pipeline.storing.store import open_store
from synthetic_data.generate import simulate
from synthetic_data.notes import STYLES, write_notes
from tests.notes.judge import overall
from tests.notes.practice_notes import tallies, written_truth

TODAY = dt.date(2026, 11, 1)


@pytest.fixture(scope="module")
def both(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Path, dict[str, pl.DataFrame], dict[str, pl.DataFrame], pl.DataFrame]:
    """The practice, its details as recorded, those that notes alone give, and the values read."""
    folder = tmp_path_factory.mktemp("practice")
    toml = simulate(folder, crowns=40, seed=11, say=lambda _: None)
    ingest_stage(load_settings(toml), today=TODAY, say=lambda _: None, keep_ids=True)
    recorded, _ = stored(folder)
    for stale in folder.glob("practice.duckdb*"):
        stale.unlink()
    write_notes(folder, keep_details=False)
    ingest_stage(load_settings(toml), today=TODAY, say=lambda _: None, keep_ids=True)
    alone, values = stored(folder)
    return folder, recorded, alone, values


def stored(folder: Path) -> tuple[dict[str, pl.DataFrame], pl.DataFrame]:
    with open_store(folder / "practice.duckdb", read_only=True) as store:
        return {name: store.read(t) for name, t in DETAIL_TABLES.items()}, store.read(NOTE_VALUES)


def test_each_field_is_read_right_in_every_style(both):
    folder, _, _, values = both
    day = pl.col("note_date").dt.strftime("%m/%d/%Y").alias("day")
    tooth = write_teeth(values["tooth_fdi"], notation="universal").alias("tooth")
    read = values.with_columns(day, tooth).select("patient_id", "day", "tooth", "field", "value", "sure")
    found = tallies(written_truth(folder), read)
    assert len(found) >= 24
    for field, tally in found.items():
        assert tally.precision >= 0.97, (field, tally)
        assert tally.recall >= 0.85, (field, tally)
    assert overall(found).precision >= 0.99
    assert len(STYLES) == 5


def test_notes_alone_give_the_questions_what_the_details_gave(both):
    _, recorded, alone, _ = both
    for name, day in (("endo_details", "service_date"), ("findings", "exam_date")):
        key = ["patient_id", "tooth_fdi", day]
        fields = [f for f in input_fields(name) if f not in (*key, "tooth", "reader", "reading")]
        first = recorded[name].unique(key, keep="first", maintain_order=True)
        if name == "findings":
            first = first.filter(pl.col("reading") == 1)
        pairs = first.join(alone[name], on=key, suffix="_noted")
        assert pairs.height >= 0.9 * first.height
        for field in fields:
            same = (pairs[field] == pairs[f"{field}_noted"]).drop_nulls()
            assert len(same) >= 0.8 * pairs[field].count(), field
            assert same.all(), field


def test_a_practice_without_notes_has_none(tmp_path: Path):
    toml = simulate(tmp_path, crowns=5, seed=1, say=lambda _: None)
    assert "notes" not in toml.read_text(encoding="utf-8")
    assert not (tmp_path / "notes.csv").exists()
