"""Templates that were translated before are taken as they are, and only where they are the same."""

from pathlib import Path

import jinja2
import pytest

from dashboards.translated import Translated


@pytest.fixture
def translations(monkeypatch):
    """The templates that were translated, by name."""
    found, real = [], jinja2.Environment.compile
    monkeypatch.setattr(
        jinja2.Environment, "compile", lambda self, source, name, *a: found.append(name) or real(self, source, name, *a)
    )
    monkeypatch.setattr("sys.dont_write_bytecode", False)
    return found


def _said(folder: Path, **context: str) -> str:
    environment = jinja2.Environment(loader=jinja2.FileSystemLoader(folder), bytecode_cache=Translated(folder))
    return environment.get_template("page").render(**context)


def test_a_template_is_translated_once(tmp_path, translations):
    (tmp_path / "page").write_text("Of {{ who }}")
    assert [_said(tmp_path, who=who) for who in ("one", "two")] == ["Of one", "Of two"]
    assert translations == ["page"]


def test_one_that_has_changed_is_translated_anew(tmp_path, translations):
    for text in ("first", "second"):
        (tmp_path / "page").write_text(text)
        assert _said(tmp_path) == text
    assert translations == ["page", "page"]


def test_those_of_a_former_program_go(tmp_path, translations, monkeypatch):
    (tmp_path / "page").write_text("drawn")
    _said(tmp_path)
    monkeypatch.setattr("jinja2.__version__", "another")
    _said(tmp_path)
    assert translations == ["page", "page"]
    assert len(list((tmp_path / "__pycache__").iterdir())) == 1


@pytest.mark.parametrize("damage", [b"", b"j2", b"\0" * 400])
def test_a_damaged_one_is_translated_anew(tmp_path, translations, damage):
    (tmp_path / "page").write_text("sound")
    _said(tmp_path)
    (kept,) = (tmp_path / "__pycache__").iterdir()
    kept.write_bytes(damage)
    assert _said(tmp_path) == "sound"
    assert translations == ["page", "page"]


def test_where_nothing_may_be_written_pages_are_drawn_all_the_same(tmp_path, translations):
    (tmp_path / "page").write_text("drawn")
    (tmp_path / "__pycache__").write_text("a file in its place")
    assert [_said(tmp_path), _said(tmp_path)] == ["drawn", "drawn"]


def test_none_is_written_where_no_module_is(tmp_path, translations, monkeypatch):
    monkeypatch.setattr("sys.dont_write_bytecode", True)
    (tmp_path / "page").write_text("drawn")
    assert _said(tmp_path) == "drawn"
    assert [path.name for path in tmp_path.iterdir()] == ["page"]
