from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Event

import duckdb
import polars as pl
import pyarrow as pa
import pytest

import pipeline.reading.sources
from pipeline.machine.errors import DataError, UnreadableError
from pipeline.reading.sources import ReadOptions, open_source, reading
from pipeline.reading.sources.source import Batch, Spoken

SECRET = "Mustermann"
PANIC = """
import os, sys
sys.path[:0] = {path!r}
import pipeline.reading.sources.csv_file
import polars as pl
from pipeline.stages import cli

def panic(*_):
    raise pl.exceptions.PanicException("{secret}")

def loud(*_):
    os.write(2, b"thread panicked at cell {secret}")
    panic()

pipeline.reading.sources.csv_file.{where} = {how}
sys.argv = ["toothyears", {command!r}, {target!r}]
cli.main()
"""


def refusals() -> dict[str, Callable[[], None]]:
    def panic() -> None:
        raise pl.exceptions.PanicException(SECRET)

    def internal() -> None:
        raise duckdb.InternalException(SECRET)

    def arrow() -> None:
        raise pa.ArrowInvalid(SECRET)

    def index() -> None:
        [].pop()

    def deep() -> None:
        deep()

    return {f.__name__: f for f in (panic, internal, arrow, index, deep)}


class Breaking:
    """A source that breaks off when it is opened (0), begun (1) or after its first batch (2)."""

    headings = ("patient_id",)
    spoken = Spoken()

    def __init__(self, fail: Callable[[], None], when: int) -> None:
        self.fail, self.when = fail, when

    def open(self, _: Path, __: ReadOptions) -> Breaking:
        if self.when == 0:
            self.fail()
        return self

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        if self.when == 1:
            self.fail()
        numbers = pl.Series("row_number", [1], dtype=pl.Int64)
        yield Batch(numbers, pl.DataFrame({"patient_id": ["P1"]}), pl.DataFrame())
        self.fail()


# One of all ways in the ordinary step, as each is a process of its own.
NOW = ("find_layout", "panic", "ingest")


@pytest.mark.parametrize("when", [0, 1, 2])
@pytest.mark.parametrize("kind", refusals())
def test_whatever_a_reader_does_is_told_with_the_file_and_without_its_text(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, when: int
):
    (tmp_path / "ledger.odd").write_text("x")
    reader = pipeline.reading.sources.Reader(Breaking(refusals()[kind], when).open, "the reader of odd files")
    monkeypatch.setitem(pipeline.reading.sources.SOURCES, ".odd", reader)
    with pytest.raises(UnreadableError, match=r"^ledger\.odd: this file could not be read: the reader of odd") as told:
        list(open_source(tmp_path / "ledger.odd", ReadOptions()).batches())
    assert "save it again" in str(told.value)
    assert SECRET not in str(told.value)


def test_what_is_meant_for_the_user_and_a_stop_come_out_as_they_are():
    for error in (DataError("x.csv: said"), KeyboardInterrupt(), SystemExit(3), GeneratorExit()):
        with pytest.raises(type(error)) as same, reading("x.csv", "the reader"):
            raise error
        assert same.value is error
    with pytest.raises(DataError, match=r"^x\.csv: there is not enough memory"), reading("x.csv", "the reader"):
        raise MemoryError(SECRET)
    with pytest.raises(DataError, match="the disk is full"), reading("x.csv", "the reader"):
        raise OSError(28, SECRET)


def test_what_a_library_prints_comes_out_unless_it_fails(capfd: pytest.CaptureFixture[str]):
    with reading("x.csv", "the reader"):
        os.write(2, b"a remark\n")

    def fail() -> None:
        os.write(2, SECRET.encode())
        raise ValueError(SECRET)

    with pytest.raises(UnreadableError), reading("x.csv", "the reader"):
        fail()
    os.write(2, b"as before\n")
    assert capfd.readouterr().err == "a remark\nas before\n"


@pytest.mark.parametrize("fails", [False, True])
def test_two_threads_that_read_at_once_hold_back_together(capfd: pytest.CaptureFixture[str], fails: bool):
    first_is_in, second_is_in, first_is_out = Event(), Event(), Event()

    def first() -> None:
        with reading("x.csv", "the reader"):
            first_is_in.set()
            assert second_is_in.wait(60)
            os.write(2, b"a remark\n")
        first_is_out.set()

    def second() -> None:
        assert first_is_in.wait(60)
        with reading("y.csv", "the reader"):
            second_is_in.set()
            assert first_is_out.wait(60)
            os.write(2, SECRET.encode())
            if fails:
                raise ValueError(SECRET)
        os.write(2, b"so far\n")

    with ThreadPoolExecutor(2) as threads:
        begun, ended = threads.submit(first), threads.submit(second)
        begun.result()
        if fails:
            with pytest.raises(UnreadableError, match=r"^y\.csv"):
                ended.result()
        else:
            ended.result()
    os.write(2, b"as before\n")
    assert capfd.readouterr().err == ("as before\n" if fails else f"a remark\n{SECRET}so far\nas before\n")


@pytest.mark.parametrize(
    ("where", "how", "command"),
    [
        pytest.param(
            where,
            how,
            command,
            marks=() if (where, how, command) == NOW else pytest.mark.thorough if how == "panic" else pytest.mark.slow,
        )
        for where in ("find_layout", "notes_among")
        for how in ("panic", "loud")
        for command in ("ingest", "check", "suggest")
    ],
)
def test_a_panic_ends_no_command_with_a_traceback(tmp_path: Path, where: str, how: str, command: str):
    (tmp_path / "ledger.csv").write_text("patient_id,service_date,code,tooth\nP1,2020-01-01,D2740,3\n")
    (tmp_path / "practice.toml").write_text(
        '[practice]\ntooth_notation = "universal"\n\n[tables.procedures]\nfiles = ["ledger.csv"]\n'
    )
    target = str(tmp_path / ("ledger.csv" if command == "suggest" else "practice.toml"))
    code = PANIC.format(path=sys.path, secret=SECRET, where=where, how=how, command=command, target=target)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=tmp_path)
    told = done.stdout + done.stderr
    written = "".join(p.read_text(encoding="utf-8") for p in tmp_path.glob("*.toml"))
    assert SECRET not in told + written
    assert "Traceback" not in told
    assert "ledger.csv: this file could not be read: the reader of text broke off" in told + written, told
    assert done.returncode == 1
