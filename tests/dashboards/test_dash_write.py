"""All outputs of a run are written, each in one step, quickly."""

import errno
import json
import os
import stat
from pathlib import Path

import pytest
import sample_results as samples

from dashboards import write

FILES = {
    "index.html", "owner.html", "clinician.html", "crowns.html", "hyperemic.html", "root_canals.html",
    "techniques.html",
    "my_cases.html", "open_questions.html", "data_quality.html", "methods.html",
    "study_club.html", "study_club.pptx", "study_club_appendix.pptx", "study_club_handout.html", "results.json",
    "study_club.html.record.txt", "study_club.pptx.record.txt", "study_club_appendix.pptx.record.txt",
    "study_club_handout.html.record.txt",
}  # fmt: skip


@pytest.mark.parametrize("name", samples.few_at_once("hostile", "empty_practice"))
def test_every_file_is_written_and_named(name: str, tmp_path: Path) -> None:
    said: list[str] = []
    results = samples.all_variants()[name]
    index = write.write_all(results, tmp_path / "a" / "out", say=said.append)
    assert index == tmp_path / "a" / "out" / "index.html"
    assert {p.name for p in index.parent.iterdir()} == set(said) == FILES
    assert json.loads((index.parent / "results.json").read_text(encoding="utf-8"))["schema"] == results.schema


@pytest.mark.thorough
def test_the_same_results_give_the_same_bytes(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        write.write_all(samples.differs(), tmp_path / folder)
    assert all((tmp_path / "a" / f).read_bytes() == (tmp_path / "b" / f).read_bytes() for f in FILES)


@pytest.mark.thorough
def test_a_failure_leaves_the_former_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write.write_all(samples.differs(), tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}

    def broken(_: object, **_options) -> str:
        raise RuntimeError("no page")

    monkeypatch.setattr(write.clinician, "render", broken)
    with pytest.raises(RuntimeError, match="no page"):
        write.write_all(samples.cannot_tell(), tmp_path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_only_their_owner_may_read_them(tmp_path: Path) -> None:
    former = os.umask(0)
    try:
        write.write_all(samples.empty_practice(), tmp_path / "out")
    finally:
        os.umask(former)
    assert {stat.S_IMODE(p.stat().st_mode) for p in (tmp_path / "out").iterdir()} == {0o600}
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o700


@pytest.mark.thorough
def test_a_full_disk_leaves_the_former_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write.write_all(samples.empty_practice(), tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    synced: list[int] = []

    def full_at_the_last(handle: int) -> None:
        synced.append(handle)
        if len(synced) == len(FILES):
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_at_the_last)
    with pytest.raises(OSError, match="No space"):
        write.write_all(samples.cannot_tell(), tmp_path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before
