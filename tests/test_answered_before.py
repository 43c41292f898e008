"""Questions that were answered before are not answered again, and the answers are those of a run from scratch."""

import contextlib
import dataclasses
import datetime as dt
import json
import shutil

import pytest

from pipeline.machine.errors import DataError
from pipeline.reading.config import load_settings
from pipeline.results import to_plain
from pipeline.stages import run, standing
from pipeline.stages.standing import digest_of
from pipeline.storing.store import open_store
from tests.recounts import without_recounts

TODAY = dt.date(2025, 6, 30)


@pytest.fixture(scope="module")
def practice(tmp_path_factory, invented):
    return _copied(invented, tmp_path_factory.mktemp("answered") / "p")


@pytest.fixture
def counted(monkeypatch):
    """How often the questions were really answered."""
    asked, real = [], run.compare
    monkeypatch.setattr(run, "compare", lambda *a, **k: asked.append(1) or real(*a, **k))
    return asked


def _text(settings, **how):
    with without_recounts():
        return json.dumps(to_plain(run.compare_stage(settings, say=lambda _: None, today=TODAY, **how)))


def _forget(settings):
    with open_store(settings.practice.database, must_exist=True) as store, store.transaction():
        store.save_text(run.ANSWERED, "")


def _copied(practice, folder):
    """A practice that is changed by nobody else."""
    settings = load_settings(shutil.copytree(practice, folder) / "practice.toml")
    run.link_stage(settings, say=lambda _: None)
    return settings


@contextlib.contextmanager
def _kept(settings):
    """What is answered stands again in the end."""
    with open_store(settings.practice.database, must_exist=True) as store:
        results, answered = store.text("results"), store.text(run.ANSWERED)
    yield
    with open_store(settings.practice.database, must_exist=True) as store, store.transaction():
        store.save_text("results", results)
        store.save_text(run.ANSWERED, answered)


@pytest.fixture(scope="module")
def first(practice):
    """The text of the first answers, and how often the questions were answered for it."""
    with pytest.MonkeyPatch.context() as patched:
        asked, real = [], run.compare
        patched.setattr(run, "compare", lambda *a, **k: asked.append(1) or real(*a, **k))
        return _text(practice), len(asked)


def test_a_second_run_gives_the_bytes_of_one_from_scratch(practice, first, counted):
    text, times = first
    assert times == 1
    said = []
    run.ingest_stage(practice, today=TODAY, say=said.append)
    run.link_stage(practice, say=said.append)
    assert said[-1] == "nothing was read since it was linked: it stands"
    assert _text(practice) == text
    assert len(counted) == 0
    _forget(practice)
    assert _text(practice) == text
    assert len(counted) == 1


def test_a_first_release_leaves_the_answers_standing(practice, first, counted):
    # The rounding of what is shared is kept with the first release: it is the same text then, and another object.
    text, _ = first
    results = run.stored_results(practice)
    run.release_stage(
        practice, results, today=TODAY, make=lambda _: "made", readable=lambda _: True, say=lambda _: None
    )
    assert _text(practice) == text
    assert len(counted) == 0


@pytest.mark.thorough
def test_another_setting_another_row_or_another_way_is_asked_anew(practice, tmp_path, counted):
    practice = _copied(practice.path.parent, tmp_path / "p")
    _text(practice)
    before = len(counted)
    stricter = dataclasses.replace(
        practice, analysis=dataclasses.replace(practice.analysis, min_failures=practice.analysis.min_failures + 1)
    )
    _text(stricter)
    assert len(counted) == before + 1
    _text(practice)  # the last answers alone are kept
    assert len(counted) == before + 2
    findings = practice.path.parent / "findings.csv"
    lines = findings.read_text(encoding="utf-8").splitlines(keepends=True)
    findings.write_text("".join(lines[:-1]))
    run.ingest_stage(practice, today=TODAY, say=lambda _: None)
    with pytest.raises(DataError, match="link"):
        _text(practice)
    run.link_stage(practice, say=lambda _: None)
    _text(practice)
    assert len(counted) == before + 3


def test_another_rule_is_linked_anew_and_the_same_one_is_not(practice, tmp_path):
    practice = _copied(practice.path.parent, tmp_path / "p")
    stricter = dataclasses.replace(practice, rules=dataclasses.replace(practice.rules, reversal_days=1))

    def linked(settings, **how):
        said = []
        run.link_stage(settings, say=said.append, **how)
        return said != ["nothing was read since it was linked: it stands"]

    assert [linked(s) for s in (practice, stricter, stricter, practice)] == [False, True, False, True]
    assert linked(practice, parts=2)


def test_pages_that_lie_there_as_they_were_drawn_stand(practice, tmp_path):
    _text(practice)
    (tmp_path / "a.html").write_text("a")
    (tmp_path / "b.html").write_text("b")
    assert not standing.pages_stand(practice, tmp_path, today=TODAY)
    standing.note_pages(practice, tmp_path, ["a.html", "b.html"], today=TODAY)
    assert standing.pages_stand(practice, tmp_path, today=TODAY)
    assert not standing.pages_stand(practice, tmp_path, today=TODAY + dt.timedelta(days=1))
    talk = dataclasses.replace(practice.talk, title="Another")
    assert not standing.pages_stand(dataclasses.replace(practice, talk=talk), tmp_path, today=TODAY)
    assert not standing.pages_stand(practice, tmp_path.parent, today=TODAY)
    (tmp_path / "b.html").write_text("c")
    assert not standing.pages_stand(practice, tmp_path, today=TODAY)
    (tmp_path / "b.html").unlink()
    assert not standing.pages_stand(practice, tmp_path, today=TODAY)


@pytest.mark.thorough
def test_what_the_second_library_did_not_say_is_asked_the_next_time(practice, counted, monkeypatch):
    _forget(practice)
    with monkeypatch.context() as without:
        without.setattr("pipeline.stages.compare._heard", lambda *_, **__: ())
        _text(practice)
    before = len(counted)
    assert '"checks": []' not in _text(practice)
    assert len(counted) == before + 1


def test_the_digest_is_of_what_is_asked_the_program_and_its_packages():
    def digest(*asked, packages=("polars",)):
        return digest_of(*asked, packages=packages)

    assert digest({"a": (1, 2.5)}, TODAY) == digest({"a": (1, 2.5)}, dt.date(2025, 6, 30))
    one, other = "".join(["a", "b"]), "".join(["a", "b"])  # two objects
    assert digest(one, one) == digest(one, other)
    others = [({"a": (1, 2.5)},), ({"a": [1, 2.5]},), ({"a": ("1", 2.5)},), ({"b": (1, 2.5)},), (1, 2.5), (12.5,)]
    assert len({digest(*asked) for asked in others}) == len(others)
    assert digest(1) != digest(1, packages=["numpy"])


def test_a_changed_program_answers_anew(monkeypatch, tmp_path):
    for name in ("a.py", "data.csv"):
        (tmp_path / "program").mkdir(exist_ok=True)
        (tmp_path / "program" / name).write_text("1")
    monkeypatch.setattr(standing, "_ROOT", tmp_path)

    def digest():
        standing._program.cache_clear()
        return digest_of(1, packages=[], program=["program"])

    found = [digest()]
    for name in ("a.py", "data.csv"):
        (tmp_path / "program" / name).write_text("2")
        found.append(digest())
    (tmp_path / "program" / "__pycache__").mkdir()
    (tmp_path / "program" / "__pycache__" / "a.pyc").write_text("3")
    assert len(set(found)) == 3
    assert digest() == found[-1]
    standing._program.cache_clear()


def test_without_a_failure_the_second_library_has_nothing_to_say_and_the_answers_stand(practice, monkeypatch):
    _text(practice)
    answers = run.stored_results(practice)
    spotless = dataclasses.replace(
        answers,
        checks=(),
        comparisons=tuple(
            dataclasses.replace(c, groups=tuple(dataclasses.replace(g, failures=0) for g in c.groups))
            for c in answers.comparisons
        ),
    )
    asked = []
    monkeypatch.setattr(run, "compare", lambda *a, **k: asked.append(1) or spotless)
    with _kept(practice):
        _forget(practice)
        for _ in range(2):
            _text(practice)
    assert len(asked) == 1


def test_results_that_another_version_wrote_are_named_as_that(practice, monkeypatch):
    _text(practice)
    answers = run.stored_results(practice)
    monkeypatch.setattr(run, "compare", lambda *_, **__: answers)
    with _kept(practice):
        with open_store(practice.practice.database, must_exist=True) as store:
            kept = store.text("results")
            with store.transaction():
                store.save_text("results", kept.replace('"comparisons"', '"compared"'))
        with pytest.raises(
            DataError, match=r"another version of toothyears wrote them. Run `toothyears compare` again"
        ):
            run.stored_results(practice)
        _forget(practice)
        _text(practice)
        assert run.stored_results(practice).comparisons == answers.comparisons
