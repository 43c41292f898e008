"""Questions that were answered before are not answered again, and the answers are those of a run from scratch."""

import dataclasses
import datetime as dt
import json
from pathlib import Path

import polars as pl
import pytest

from pipeline.reading.config import load_settings
from pipeline.results import to_plain
from pipeline.stages import answered_before, run
from pipeline.stages.answered_before import digest_of
from pipeline.storing.store import open_store
from synthetic_data.generate import simulate
from tests.recounts import without_recounts

TODAY = dt.date(2025, 6, 30)


@pytest.fixture(scope="module")
def practice(tmp_path_factory):
    settings = load_settings(Path(simulate(tmp_path_factory.mktemp("practice"), crowns=300, seed=6)))
    run.ingest_stage(settings, today=TODAY, say=lambda _: None)
    run.link_stage(settings, say=lambda _: None)
    return settings


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


def test_a_second_run_gives_the_bytes_of_one_from_scratch(practice, counted):
    _forget(practice)
    first = _text(practice)
    assert len(counted) == 1
    run.ingest_stage(practice, today=TODAY, say=lambda _: None)
    run.link_stage(practice, say=lambda _: None)  # stores the same rows anew
    assert _text(practice) == first
    assert len(counted) == 1
    _forget(practice)
    assert _text(practice) == first
    assert len(counted) == 2


def test_another_setting_another_row_or_another_way_is_asked_anew(practice, counted):
    _text(practice)
    before = len(counted)
    stricter = dataclasses.replace(
        practice, analysis=dataclasses.replace(practice.analysis, min_failures=practice.analysis.min_failures + 1)
    )
    _text(stricter)
    assert len(counted) == before + 1
    _text(practice)  # the last answers alone are kept
    assert len(counted) == before + 2
    with open_store(practice.practice.database, must_exist=True) as store, store.transaction():
        findings = store.read(run.FINDINGS)
        store.replace(run.FINDINGS, findings.with_columns(symptomatic=pl.lit(True)))
    _text(practice)
    assert len(counted) == before + 3


def test_what_the_second_library_did_not_say_is_asked_the_next_time(practice, counted, monkeypatch):
    _forget(practice)
    with monkeypatch.context() as without:
        without.setattr("pipeline.stages.compare._heard", lambda *_, **__: ())
        _text(practice)
    before = len(counted)
    assert '"checks": []' not in _text(practice)
    assert len(counted) == before + 1


FRAME = pl.DataFrame({"a": [1, None, 3], "b": ["x", "y", None], "c": [0.5, None, float("nan")]})


def test_the_digest_is_of_what_the_rows_hold():
    def digest(frame, *more):
        return digest_of({"frame": frame, "more": more}, packages=["polars"])

    same = digest(FRAME)
    # Other bytes beneath, the same rows.
    assert digest(pl.concat([FRAME[:1], FRAME[1:]], rechunk=False)) == same
    assert digest(FRAME.with_columns(a=pl.when(pl.col("a").is_not_null()).then(pl.col("a")))) == same
    # Rows to be linked may come in any order.
    assert digest(FRAME.lazy()) == digest(FRAME.reverse().lazy())
    assert digest(FRAME.lazy()) != digest(FRAME[:2].lazy())
    others = [
        FRAME.reverse(),
        FRAME[:2],
        FRAME.rename({"a": "d"}),
        FRAME.select("b", "a", "c"),
        FRAME.cast({"a": pl.Int32}),
        FRAME.with_columns(a=pl.Series([1, 0, 3])),
        FRAME.with_columns(b=pl.Series(["x", "y", ""])),
        FRAME.with_columns(c=pl.Series([0.5, None, None])),
        FRAME.clear(),
    ]
    found = {digest(other) for other in others} | {digest(FRAME, 1), digest(FRAME, "1"), same}
    assert len(found) == len(others) + 3
    assert digest_of(FRAME, packages=["polars"]) != digest_of(FRAME, packages=["numpy"])


def test_a_changed_program_answers_anew(monkeypatch, tmp_path):
    for name in ("a.py", "data.csv"):
        (tmp_path / name).write_text("1")
    monkeypatch.setattr(answered_before, "__file__", str(tmp_path / "answered_before.py"))
    found = [digest_of(1, packages=[])]
    for change in (lambda: (tmp_path / "a.py").write_text("2"), lambda: (tmp_path / "data.csv").write_text("2")):
        change()
        found.append(digest_of(1, packages=[]))
    (tmp_path / "__pycache__").mkdir()
    (tmp_path / "__pycache__" / "a.pyc").write_text("3")
    assert len(set(found)) == 3
    assert digest_of(1, packages=[]) == found[-1]
