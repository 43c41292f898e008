"""Line ends of two signs do not survive every version control."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    lines = (folder / "lines.txt").read_text(encoding="utf-8").splitlines()
    (folder / "records.ndjson").write_bytes(b"\xef\xbb\xbf" + "\r\n".join([*lines, "", ""]).encode())
