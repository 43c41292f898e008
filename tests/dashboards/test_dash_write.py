"""All outputs of a run are written, each in one step, quickly."""

import json
import time
from pathlib import Path

import pytest
import sample_results as samples

from dashboards import write
from dashboards.page import write_atomic

FILES = {
    "index.html", "owner.html", "clinician.html", "data_quality.html", "study_club.html", "study_club.pptx",
    "results.json",
}  # fmt: skip


@pytest.mark.parametrize("name", samples.all_variants())
def test_every_file_is_written_and_named(name: str, tmp_path: Path) -> None:
    said: list[str] = []
    results = samples.all_variants()[name]
    index = write.write_all(results, tmp_path / "a" / "out", say=said.append)
    assert index == tmp_path / "a" / "out" / "index.html"
    assert {p.name for p in index.parent.iterdir()} == set(said) == FILES
    assert json.loads((index.parent / "results.json").read_text(encoding="utf-8"))["schema"] == results.schema


def test_the_same_results_give_the_same_bytes(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        write.write_all(samples.differs(), tmp_path / folder)
    assert all((tmp_path / "a" / f).read_bytes() == (tmp_path / "b" / f).read_bytes() for f in FILES)


def test_a_failure_leaves_the_former_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write.write_all(samples.differs(), tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}

    def broken(_: object) -> str:
        raise RuntimeError("no page")

    monkeypatch.setattr(write.clinician, "render", broken)
    with pytest.raises(RuntimeError, match="no page"):
        write.write_all(samples.cannot_tell(), tmp_path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_a_file_that_cannot_be_put_in_place_leaves_no_part(tmp_path: Path) -> None:
    (tmp_path / "x").mkdir()
    with pytest.raises(OSError, match="x"):
        write_atomic(tmp_path / "x", b"data")
    assert [p.name for p in tmp_path.iterdir()] == ["x"]


def test_it_takes_under_five_seconds(tmp_path: Path) -> None:
    results = samples.differs()
    start = time.perf_counter()
    write.write_all(results, tmp_path)
    assert time.perf_counter() - start < 5
