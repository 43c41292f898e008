"""The thread on which stages are done: what they give, raise and are interrupted by is as on the one that asks."""

import os
import signal
import subprocess
import sys
import threading
import time

import polars as pl
import pytest

from pipeline.machine.query_thread import on_query_thread

WORK = """
import sys, threading
import polars as pl
from pipeline.machine.query_thread import on_query_thread

def task():
    print("begun", threading.current_thread() is threading.main_thread(), flush=True)
    try:
        while {forever}:
            pl.DataFrame({{"a": [1, 2]}}).filter(pl.col("a") > 1)
    finally:
        print("cleared away", flush=True)
    return 7

{handler}
try:
    print(on_query_thread(task))
except KeyboardInterrupt:
    print("stopped", flush=True)
"""
STOP = "import signal\ndef stop(*_): raise KeyboardInterrupt\nsignal.signal(signal.SIGTERM, stop)"


def test_what_a_task_gives_comes_back_from_a_thread_of_polars():
    asked_from = threading.current_thread()

    def task():
        found = pl.DataFrame({"a": [1, 2, 3]}).filter(pl.col("a") > 1)["a"].sum()
        return found, threading.current_thread() is asked_from

    if sys.gettrace() is None and pl.thread_pool_size() > 1:
        assert on_query_thread(task) == (5, False)
    assert on_query_thread(lambda: on_query_thread(lambda: 7)) == 7


def test_an_error_comes_back_as_it_was_raised():
    def task():
        raise ZeroDivisionError("as it was")

    with pytest.raises(ZeroDivisionError, match=r"^as it was$") as met:
        on_query_thread(task)
    assert met.traceback[-1].name == "task"


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_the_task_which_clears_away_first(how):
    child = subprocess.Popen(
        [sys.executable, "-c", WORK.format(forever=True, handler=STOP)],
        env=os.environ | {"POLARS_MAX_THREADS": "2"},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout.readline() == "begun False\n"
    time.sleep(0.2)
    child.send_signal(how)
    said, _ = child.communicate(timeout=60)
    assert said == "cleared away\nstopped\n"
    assert child.returncode == 0


def test_where_polars_has_one_thread_the_task_is_done_on_the_thread_that_asks():
    done = subprocess.run(
        [sys.executable, "-c", WORK.format(forever=False, handler="")],
        env=os.environ | {"POLARS_MAX_THREADS": "1"},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout == "begun True\ncleared away\n7\n"
