"""What `before_after.py` tells of two folders: every figure and every sentence that is not the same."""

from __future__ import annotations

import json
from pathlib import Path

from before_after import differences, sentences

PAGE = "<html><style>p {}</style><p>Of 100 crowns <b>12</b> failed.</p><script>x = 12</script><p>R &amp; D</p></html>"


def folder(path: Path, figures: object, page: str) -> Path:
    path.mkdir()
    (path / "results.json").write_text(json.dumps(figures))
    (path / "crowns.html").write_text(page)
    return path


def test_what_a_page_says_is_read_without_its_marks(tmp_path: Path):
    made = folder(tmp_path / "a", {}, PAGE)
    assert list(sentences(made / "crowns.html")) == ["Of 100 crowns", "12", "failed.", "R & D"]
    assert list(sentences(made / "results.json")) == []


def test_a_figure_or_a_word_that_differs_is_told(tmp_path: Path):
    one = folder(tmp_path / "a", {"crowns": 100, "share": 0.12, "versions": {"numpy": "1"}}, PAGE)
    same = folder(tmp_path / "b", {"crowns": 100, "share": 0.12 + 1e-13, "versions": {"numpy": "2"}}, PAGE)
    assert list(differences(one, same)) == []
    other = folder(tmp_path / "c", {"crowns": 100, "share": 0.13, "versions": {}}, PAGE.replace("failed", "were lost"))
    (other / "more.html").write_text("<p>New.</p>")
    told = list(differences(one, other))
    assert told[0].startswith("/share: 0.12 was to be")
    assert told[-3:] == ["crowns.html: -failed.", "crowns.html: +were lost.", "more.html: +New."]
