"""Run the chosen tests on a mutant, each in a fork of one process that has imported the heavy libraries.

The source tree is never written: an import hook gives the mutated module in place of the file's. That module must not
have been imported before the fork, nor may a library have started threads that a fork loses (polars' pool starts with
its first query).
"""

from __future__ import annotations

import gc
import importlib
import importlib.abc
import importlib.machinery
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import CodeType, ModuleType

import pytest

from tests.mutants.make import Kinds, Mutant, Source, read_source

HEAVY = (
    "duckdb",
    "fastexcel",
    "hypothesis",
    "jinja2",
    "lifelines",
    "numpy",
    "plotly.graph_objects",
    "polars",
    "polars.testing",
    "pyarrow",
    "scipy.linalg",
    "scipy.optimize",
    "scipy.special",
    "scipy.stats",
    "xlsxwriter",
)
HANGS = 20  # times the processor time allowed, by the clock: for a mutant that sleeps


@dataclass(frozen=True)
class Target:
    """A module by its file, and the tests that must notice a change in it, the likeliest first."""

    group: str
    file: str
    tests: tuple[str, ...]
    prepare: Callable[[], object] = lambda: None  # done once before the forks; must not import what is mutated
    relaxed: tuple[str, ...] = ()  # checks of the tests' helpers that are left out, as module.function: they are slow

    @property
    def name(self) -> str:
        """As it is imported."""
        return self.file.removesuffix(".py").removesuffix("/__init__").replace("/", ".")

    def source(self, root: Path, kinds: Callable[[str], Kinds] | None = None) -> Source:
        """All its mutants, or those that other `kinds` make of its text."""
        text = (root / self.file).read_text(encoding="utf-8")
        return read_source(text, self.file, kinds and kinds(text))


@dataclass(frozen=True)
class Outcome:
    """What became of one mutant. `by` is the first test that failed, or why there was none."""

    mutant: Mutant
    killed: bool
    by: str


class BaselineError(Exception):
    """The chosen tests fail without a mutant: no score would mean anything."""


def preload(names: Sequence[str] = HEAVY) -> None:
    """Import what every run needs, once."""
    for name in names:
        importlib.import_module(name)
    gc.collect()
    gc.freeze()


def outcomes(
    target: Target, source: Source, mutants: Sequence[Mutant], *, root: Path, jobs: int = 1, cpu_seconds: int = 10
) -> Iterator[Outcome]:
    """What becomes of each mutant, in the order in which they end.

    The tests run once without a mutant first and must pass. A mutant may use three times the processor time of that
    run, and `cpu_seconds`; one that needs more is killed by that.
    """
    target.prepare()
    if target.name in sys.modules:
        raise RuntimeError(f"{target.name} was imported before the fork: its mutants would not be seen")
    code = {id(one): source.code(one, str(root / target.file)) for one in mutants}
    with tempfile.TemporaryDirectory(prefix="mutants-") as scratch:
        limit = int(3 * _baseline(target, root=root, scratch=Path(scratch))) + cpu_seconds
        waiting, running = list(mutants)[::-1], []
        while waiting or running:
            while waiting and len(running) < jobs:
                mutant = waiting.pop()
                running.append(
                    _start(target, (mutant, code[id(mutant)]), root=root, scratch=Path(scratch), limit=limit)
                )
            run, status, _ = _ended(running, wall=limit * HANGS)
            running.remove(run)
            assert run.mutant is not None
            yield Outcome(run.mutant, status != 0, "" if status == 0 else run.killed_by(status))
            run.clear()


_green: dict[tuple[str, str, tuple[str, ...]], float] = {}  # processor time of what passed once


def _baseline(target: Target, *, root: Path, scratch: Path) -> float:
    """The processor time of the tests without a mutant; those that passed for another module are not run again."""
    keys = {test: (str(root), test, target.relaxed) for test in target.tests}
    if new := tuple(test for test in target.tests if keys[test] not in _green):
        run = _start(replace(target, tests=new), None, root=root, scratch=scratch, limit=None)
        _, status, used = _ended([run], wall=None)
        if status != 0:
            raise BaselineError(f"{target.file}: tests fail without a mutant\n{run.told()}")
        run.clear()
        _green.update({keys[test]: used / len(new) for test in new})
    return sum(_green[key] for key in keys.values())


@dataclass
class _Run:
    pid: int
    mutant: Mutant | None
    folder: Path
    started: float = field(default_factory=time.monotonic)

    def told(self) -> str:
        """The end of what the tests printed."""
        return (self.folder / "output").read_text(errors="replace")[-4000:]

    def killed_by(self, status: int) -> str:
        failed = self.folder / "failed"
        if os.WIFSIGNALED(status):
            number = os.WTERMSIG(status)
            return "time limit" if number in (signal.SIGXCPU, signal.SIGKILL) else signal.Signals(number).name
        return failed.read_text() if failed.exists() else "collection"

    def clear(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)


def _ended(running: Sequence[_Run], *, wall: float | None) -> tuple[_Run, int, float]:
    while True:
        for run in running:
            pid, status, usage = os.wait4(run.pid, os.WNOHANG)
            if pid:
                return run, status, usage.ru_utime + usage.ru_stime
            if wall is not None and time.monotonic() - run.started > wall:
                os.killpg(run.pid, signal.SIGKILL)
        time.sleep(0.02)


def _start(
    target: Target, mutated: tuple[Mutant, CodeType] | None, *, root: Path, scratch: Path, limit: int | None
) -> _Run:
    folder = Path(tempfile.mkdtemp(dir=scratch))
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    if pid:
        return _Run(pid, mutated and mutated[0], folder)
    status = 70
    try:
        os.setpgid(0, 0)
        output = os.open(folder / "output", os.O_WRONLY | os.O_CREAT)
        for stream in (1, 2):
            os.dup2(output, stream)
        if limit is not None:
            resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
        if mutated is not None:
            sys.dont_write_bytecode = True
            sys.meta_path.insert(0, _Instead(target.name, str(root / target.file), mutated[1]))
        status = _run_tests(target, root, folder)
    except BaseException as error:
        os.write(2, f"{type(error).__name__}: {error}\n".encode())
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def _run_tests(target: Target, root: Path, folder: Path) -> int:
    os.chdir(root)
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    os.environ.pop("CI", None)
    sys.path.insert(0, str(root))
    options = ["-x", "-p", "no:cacheprovider", "--tb=short", f"--basetemp={folder / 'tmp'}"]
    if "hypothesis" in sys.modules:
        options += ["-p", "_hypothesis_pytestplugin", "--hypothesis-seed=0"]
    return int(
        pytest.main([*options, *target.tests], plugins=[_FirstFailure(folder / "failed"), _Relaxed(target.relaxed)])
    )


class _FirstFailure:
    def __init__(self, told: Path) -> None:
        self.told = told

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.told.exists():
            self.told.write_text(report.nodeid)


class _Relaxed:
    def __init__(self, names: Sequence[str]) -> None:
        self.names = names

    def pytest_collection_finish(self) -> None:
        for name in self.names:
            module, _, function = name.rpartition(".")
            if module in sys.modules:
                getattr(sys.modules[module], function)  # fails if it is called otherwise by now
                setattr(sys.modules[module], function, lambda *_: None)


class _Instead(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Finds one module, and gives other code for it."""

    def __init__(self, name: str, file: str, code: CodeType) -> None:
        self.name, self.file, self.code = name, file, code

    def find_spec(self, fullname: str, path: object, target: object = None) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.name:
            return None
        file = Path(self.file)
        spec = importlib.machinery.ModuleSpec(fullname, self, origin=self.file, is_package=file.stem == "__init__")
        spec.has_location = True
        if spec.submodule_search_locations is not None:
            spec.submodule_search_locations.append(str(file.parent))
        return spec

    def create_module(self, spec: importlib.machinery.ModuleSpec) -> None:
        return None

    def exec_module(self, module: ModuleType) -> None:
        exec(self.code, module.__dict__)
