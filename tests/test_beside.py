"""Work in a process of its own: the same results, and a run that goes on whatever becomes of it."""

import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from pipeline.machine import beside
from pipeline.machine.beside import Beside, BesideError
from pipeline.stages.compare import _heard
from pipeline.stats.cox import fit_cox
from pipeline.stats.second_opinion import CoxAsked, CurveAsked, opinions
from tests.small_work import counts, fails, given_back, sleeps, where


@pytest.fixture
def started(monkeypatch):
    """The processes that were started."""
    found, real = [], subprocess.Popen
    monkeypatch.setattr(subprocess, "Popen", lambda *a, **k: found.append(real(*a, **k)) or found[-1])
    return found


def _asked(rows=400):
    draw = np.random.default_rng(3)
    exit_days = draw.integers(2, 3000, rows)
    event = draw.random(rows) < 0.3
    entry_days = np.where(draw.random(rows) < 0.3, exit_days // 2, 0)
    x = draw.random((rows, 2))
    coef = fit_cox(x, exit_days, event, entry_days=entry_days, names=("a", "b")).coef
    return [
        CurveAsked("curve", exit_days, event, entry_days),
        CoxAsked("ratios", coef, x, exit_days, event, entry_days),
    ]


def _result(task, said=None, **how):
    with Beside(say=(said if said is not None else []).append) as others:
        return others.give(task, **how)()


def test_the_second_library_says_the_same_to_the_last_bit(monkeypatch, started):
    monkeypatch.delitem(sys.modules, "lifelines", raising=False)
    asked = _asked()
    found = _result(partial(opinions, asked))
    assert len(started) == 1
    assert "lifelines" not in sys.modules  # it was loaded there alone
    assert found == opinions(asked)
    assert [o.what for o in found] == ["curve", "ratios"]
    assert max(o.largest_gap for o in found) < 1e-6


def test_what_the_work_says_is_said_here():
    said = []
    assert _result(partial(counts, 3), said) == [0, 1, 4]
    assert said == ["0 of 3", "1 of 3", "2 of 3"]


def test_more_than_a_pipe_holds_at_once_goes_both_ways():
    rows = np.arange(400_000)
    assert np.array_equal(_result(partial(given_back, rows)), rows)


CHILDREN = [
    ("import os, sys; sys.stdin.buffer.read(1); os.kill(os.getpid(), 9)", "status -9"),
    ("raise SystemExit(3)", "status 3"),
    ("import sys; sys.stdin.buffer.read(1); print('[{}]')", "cannot be read"),
    ("", "cannot be read"),
]


@pytest.mark.parametrize(("child", "why"), CHILDREN)
def test_a_process_that_fails_is_told_and_stops_nothing(monkeypatch, started, child, why):
    monkeypatch.setattr(beside, "_CHILD", child)
    with pytest.raises(BesideError, match=why):
        _result(partial(opinions, _asked()))
    assert started[0].poll() is not None
    told = []
    with Beside(say=told.append) as others:
        assert _heard(others.give(partial(opinions, _asked())), say=told.append) == ()
    assert len(told) == 1
    assert why in told[0]
    assert "not computed twice" in told[0]


def test_an_error_in_the_work_is_told_by_its_kind_alone():
    with pytest.raises(BesideError, match=r"^it met ValueError$"):
        _result(fails)


def test_what_cannot_be_sent_is_told():
    with pytest.raises(BesideError):
        _result(lambda *, say: 1)


def test_one_that_never_answers_is_told_and_ended(started):
    with pytest.raises(BesideError, match=r"did not end within 0\.2 s"):
        _result(sleeps, seconds=0.2)
    assert started[0].poll() is not None


def test_none_outlives_a_run_that_ends_early(started):
    def ends_early():
        with Beside(say=print) as others:
            others.give(sleeps)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        ends_early()
    assert started[0].poll() is not None


def test_no_interpreter_to_start(monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "executable", str(tmp_path / "gone"))
    with pytest.raises(BesideError, match="No such file"):
        _result(partial(counts, 3))


@pytest.mark.parametrize("how", [("frozen", True), ("executable", "")])
def test_a_program_without_an_interpreter_does_the_work_itself(monkeypatch, started, how):
    monkeypatch.setattr(sys, *how, raising=False)
    assert _result(where) == os.getpid()
    assert started == []


def test_work_for_here_is_done_when_it_is_asked_for(started):
    done = []
    with Beside(say=print, here=True) as others:
        result = others.give(lambda *, say: done.append(1))
        assert done == []
        result()
    assert done == [1]
    assert started == []


SCRIPT = """
import sys
from functools import partial
from pipeline.machine.beside import Beside
import {module} as work
print("begun", flush=True)
with Beside(say=print) as others:
    print(others.give(partial({call}))(), flush=True)
"""


def test_a_script_without_a_main_guard_is_not_run_twice(tmp_path):
    """The other process does not load the program that started it, as a spawned one of multiprocessing does."""
    script = tmp_path / "script.py"
    script.write_text(SCRIPT.format(module="beside_work", call="work.square, 12"))
    (tmp_path / "beside_work.py").write_text("def square(n, say):\n    say('so')\n    return n * n\n")
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, check=True, cwd=tmp_path.parent)
    assert done.stdout.split("\n") == ["begun", "so", "144", ""]


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_none_outlives_a_run_that_is_killed(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(SCRIPT.format(module="beside_work", call="work.waits"))
    (tmp_path / "beside_work.py").write_text(
        "import os, time\ndef waits(say):\n    say(str(os.getpid()))\n    time.sleep(600)\n"
    )
    with subprocess.Popen(
        [sys.executable, script], stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONUNBUFFERED": "1"}
    ) as run:
        assert run.stdout.readline() == "begun\n"
        child = int(run.stdout.readline())
        os.kill(child, 0)  # it is there
        run.kill()
    for _ in range(600):
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            break
        if Path(f"/proc/{child}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] == "Z":
            break  # ended, and not yet fetched by whoever took it over
        time.sleep(0.05)
    else:
        pytest.fail("the other process goes on")


def test_one_process_does_all_one_after_the_other(started, monkeypatch):
    monkeypatch.setattr(beside.os, "cpu_count", lambda: 2)
    with Beside(say=print) as others:
        others.prepare("operator", "no_such_module")
        results = [others.give(partial(counts, 3)), others.give(fails), others.give(where), others.give(where)]
        assert results[0]() == [0, 1, 4]
        with pytest.raises(BesideError, match=r"^it met ValueError$"):
            results[1]()
        assert results[2]() == results[3]() == started[0].pid
    assert [child.poll() is not None for child in started] == [True]


def test_one_that_was_never_asked_is_ended(started, monkeypatch):
    monkeypatch.setattr(beside.os, "cpu_count", lambda: 2)
    with Beside(say=print) as others:
        others.prepare("operator")
    assert [child.poll() is not None for child in started] == [True]


def test_what_comes_after_one_that_failed_is_told(monkeypatch):
    monkeypatch.setattr(beside, "_CHILD", "raise SystemExit(3)")
    with Beside(say=print) as others:
        for result in (others.give(where), others.give(where)):
            with pytest.raises(BesideError, match="status 3"):
                result()


def test_one_processor_alone_makes_nothing_ready(started, monkeypatch):
    monkeypatch.setattr(beside.os, "cpu_count", lambda: 1)
    with Beside(say=print) as others:
        others.prepare("operator")
    assert not started
