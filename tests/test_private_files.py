"""Outputs: for their owner alone, in one step, and the former ones stay where the new ones cannot be written."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from pipeline.machine.private_files import make_private, private_folder, write_private, write_private_files


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_a_file_is_its_owners_alone_whatever_the_default(tmp_path: Path):
    former = os.umask(0)
    try:
        folder = private_folder(tmp_path / "a" / "b")
        assert write_private(folder / "page.html", "Zähne") == folder / "page.html"
    finally:
        os.umask(former)
    assert (folder / "page.html").read_bytes() == "Zähne".encode()
    assert (mode(folder / "page.html"), mode(folder), mode(tmp_path / "a")) == (0o600, 0o700, 0o700)


def test_a_folder_that_is_there_is_left_as_it_is(tmp_path: Path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out").chmod(0o755)
    private_folder(tmp_path / "out")
    assert mode(tmp_path / "out") == 0o755
    (tmp_path / "file").touch()
    with pytest.raises(OSError, match="file"):
        private_folder(tmp_path / "file")


def test_a_readable_former_file_becomes_private(tmp_path: Path):
    (tmp_path / "page.html").touch(0o644)
    write_private(tmp_path / "page.html", b"new")
    assert mode(tmp_path / "page.html") == 0o600


def test_no_file_is_put_in_place_before_all_are_complete(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    for name in ("a", "b", "c"):
        (tmp_path / name).write_text("old", encoding="utf-8")
    calls = []

    def full_at_the_third(handle: int) -> None:
        calls.append(handle)
        if len(calls) == 3:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_at_the_third)
    with pytest.raises(OSError, match="No space"):
        write_private_files({tmp_path / name: b"new" for name in ("a", "b", "c")})
    assert [(tmp_path / name).read_text(encoding="utf-8") for name in ("a", "b", "c")] == ["old"] * 3
    assert names(tmp_path) == ["a", "b", "c"]


def test_a_folder_in_the_way_is_found_before_anything_is_replaced(tmp_path: Path):
    (tmp_path / "a").write_text("old", encoding="utf-8")
    (tmp_path / "b").mkdir()
    with pytest.raises(OSError, match="b is a folder"):
        write_private_files({tmp_path / "a": b"new", tmp_path / "b": b"new"})
    assert (tmp_path / "a").read_text(encoding="utf-8") == "old"
    assert names(tmp_path) == ["a", "b"]


@pytest.mark.parametrize("links", [True, False])
def test_a_file_that_is_there_is_never_replaced_by_making_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool
):
    def refuse(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    if not links:
        monkeypatch.setattr(os, "link", refuse)
    assert make_private(tmp_path / "key", b"one")
    assert not make_private(tmp_path / "key", b"two")
    assert (tmp_path / "key").read_bytes() == b"one"
    assert mode(tmp_path / "key") == 0o600
    assert names(tmp_path) == ["key"]
