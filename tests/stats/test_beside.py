"""The second library in a process of its own: the same opinions, and a run that goes on whatever becomes of it."""

import subprocess
import sys

import numpy as np
import pytest

from pipeline.stats import beside
from pipeline.stats.beside import asked_beside
from pipeline.stats.cox import fit_cox
from pipeline.stats.second_opinion import CoxAsked, CurveAsked, opinions


@pytest.fixture(autouse=True)
def _not_loaded_here(monkeypatch):
    """As in a run of the command, where nothing has loaded the library."""
    monkeypatch.delitem(sys.modules, "lifelines", raising=False)


def _columns(rows=400, seed=3):
    draw = np.random.default_rng(seed)
    exit_days = draw.integers(2, 3000, rows)
    event = draw.random(rows) < 0.3
    entry_days = np.where(draw.random(rows) < 0.3, exit_days // 2, 0)
    return exit_days, event, entry_days


def _asked():
    exit_days, event, entry_days = _columns()
    x = np.random.default_rng(4).random((len(event), 2))
    coef = fit_cox(x, exit_days, event, entry_days=entry_days, names=("a", "b")).coef
    return [
        CurveAsked("curve", exit_days, event, entry_days),
        CoxAsked("ratios", x, exit_days, event, entry_days, coef=coef),
    ]


def _heard(asked, monkeypatch, child=None):
    """What was heard and told, and the process, after the block."""
    if child is not None:
        monkeypatch.setattr(beside, "_CHILD", child)
    started, told = [], []
    real = subprocess.Popen
    monkeypatch.setattr(subprocess, "Popen", lambda *a, **k: started.append(real(*a, **k)) or started[-1])
    with asked_beside(asked, say=told.append) as second:
        found = second()
    return found, told, started


def test_its_own_process_says_the_same_to_the_last_bit(monkeypatch):
    asked = _asked()
    found, told, started = _heard(asked, monkeypatch)
    assert len(started) == 1
    assert told == []
    assert "lifelines" not in sys.modules
    assert found == opinions(asked)
    assert [o.what for o in found] == ["curve", "ratios"]
    assert max(o.largest_gap for o in found) < 1e-6


def test_more_rows_than_a_pipe_holds_at_once(monkeypatch):
    columns = _columns(rows=60_000)
    assert sum(c.nbytes for c in columns) > 1_000_000
    found, told, _ = _heard([CurveAsked("curve", *columns)], monkeypatch)
    assert [o.rows for o in found] == [60_000]
    assert told == []


@pytest.mark.parametrize(
    ("child", "why"),
    [
        ("import os, sys; sys.stdin.buffer.read(); os.kill(os.getpid(), 9)", "status -9"),
        ("raise SystemExit(3)", "status 3"),
        ("import sys; sys.stdin.close(); print('[{}]')", "cannot be read"),
        ("", "cannot be read"),
    ],
)
def test_a_process_that_fails_is_told_and_stops_nothing(monkeypatch, child, why):
    found, told, started = _heard(_asked(), monkeypatch, child)
    assert found == ()
    assert len(told) == 1
    assert why in told[0]
    assert "not computed twice" in told[0]
    assert started[0].poll() is not None


def test_one_that_never_answers_is_told_and_ended(monkeypatch):
    monkeypatch.setattr(beside, "MAX_SECONDS", 0.2)
    found, told, started = _heard(_asked(), monkeypatch, "import time; time.sleep(600)")
    assert found == ()
    assert "did not end" in told[0]
    assert started[0].poll() is not None


def test_none_outlives_a_run_that_ends_early(monkeypatch):
    monkeypatch.setattr(beside, "_CHILD", "import sys, time; sys.stdin.buffer.read(); time.sleep(600)")
    started, real = [], subprocess.Popen
    monkeypatch.setattr(subprocess, "Popen", lambda *a, **k: started.append(real(*a, **k)) or started[-1])
    with pytest.raises(KeyboardInterrupt), asked_beside(_asked(), say=print):
        raise KeyboardInterrupt
    assert started[0].poll() is not None


def test_no_interpreter_to_start(monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "executable", str(tmp_path / "gone"))
    found, told, _ = _heard(_asked(), monkeypatch)
    assert found == ()
    assert "No such file" in told[0]


@pytest.mark.parametrize("how", [("frozen", True), ("executable", "")])
def test_a_program_without_an_interpreter_answers_itself(monkeypatch, how):
    monkeypatch.setattr(sys, *how, raising=False)
    asked = _asked()
    found, told, started = _heard(asked, monkeypatch)
    assert started == []
    assert told == []
    assert found == opinions(asked)


def test_nothing_to_ask_starts_nothing(monkeypatch):
    assert _heard([], monkeypatch) == ((), [], [])


def test_a_script_without_a_main_guard_is_not_run_twice(tmp_path):
    """The other process does not load the program that started it, as a spawned one of multiprocessing does."""
    script = tmp_path / "script.py"
    script.write_text(
        "import numpy as np\n"
        "from pipeline.stats.beside import asked_beside\n"
        "from pipeline.stats.second_opinion import CurveAsked\n"
        "print('begun')\n"
        "one = CurveAsked('c', np.array([3, 5, 9]), np.array([True, False, True]), np.array([0, 0, 2]))\n"
        "with asked_beside([one], say=print) as second:\n"
        "    print([o.rows for o in second()])\n"
    )
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert done.stdout.split("\n") == ["begun", "[3]", ""]
