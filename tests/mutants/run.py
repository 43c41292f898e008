"""Run the chosen tests on a mutant, each in a fork, the source tree never written.

First the quick way: tests are collected once, it is seen which lines of the module each passes, and in a fork the code
of the mutant's function takes the place of the live one's; tests that pass its line run, the quickest first. What is
not killed so, and what is no function (a constant, a default), is tried anew: an import hook gives the mutated module
before anything has imported it, and all tests run. So what is told as living was living in a program begun anew. No
library may have started threads before a fork, which would lose them (polars' pool starts with its first query):
tests whose files start some while they are imported run only in the second way.
"""

from __future__ import annotations

import gc
import importlib
import importlib.abc
import importlib.machinery
import json
import os
import pickle
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FunctionType, ModuleType

import coverage
import pytest

from tests.mutants.exchange import exchanged, live_functions
from tests.mutants.forks import NO_TEST, Run, each, ended, started
from tests.mutants.make import Kinds, Mutant, Source, read_source
from tests.mutants.passed import parsed

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
COSTLY = 0.4  # seconds that a file's fixtures take: its tests stay together
_UNSHRUNK = "what fails is made no smaller"


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
    if not mutants:
        return
    target.prepare()
    if target.name in sys.modules:
        raise RuntimeError(f"{target.name} was imported before the fork: its mutants would not be seen")
    anew = dict(enumerate(mutants))
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        scratch = Path(folder)
        late = tuple(t for t in target.tests if _file(t) in _starting_threads(target, root, scratch))
        limit = cpu_seconds
        if late:
            run = started(scratch, -1, lambda folder: _pytest(target, late, root, _FirstFailure(folder)), limit=None)
            limit += int(3 * _passed(target, run))
        if early := tuple(t for t in target.tests if t not in late):
            end, tell = os.pipe()
            quick = _Quick(target, early, source, mutants, root, scratch, jobs, limit, tell)
            run = started(scratch, -1, quick.run, limit=None)
            os.close(tell)
            with os.fdopen(end) as told:
                limit = int(told.readline() or 0)
                for n, by in map(json.loads, told):
                    yield Outcome(anew.pop(n), True, by)
            _passed(target, run)
        code = {n: source.code(one, str(root / target.file)) for n, one in anew.items()}

        def tried(n: int) -> Callable[[Path], int]:
            return lambda folder: _run_anew(target, root, folder, code[n])

        for n, by in each(((n, tried(n)) for n in anew), scratch=scratch, jobs=jobs, limit=limit):
            yield Outcome(anew[n], by is not None, by or "")


_threads: dict[str, bool] = {}  # by file of tests


def _starting_threads(target: Target, root: Path, scratch: Path) -> set[str]:
    """The files of tests that start threads while they are imported: what collected them cannot be forked."""
    while new := tuple(test for test in target.tests if _file(test) not in _threads):
        run = started(scratch, -1, lambda folder, new=new: _pytest(target, new, root, _Threads(folder)), limit=None)
        _passed(target, run)
        spoiled = run.folder / "threads"
        _threads.update(
            {spoiled.read_text(encoding="utf-8"): True} if spoiled.exists() else {_file(test): False for test in new}
        )
    return {_file(test) for test in target.tests if _threads[_file(test)]}


def _passed(target: Target, run: Run) -> float:
    """The processor time of a run without a mutant, which must do well."""
    _, status, used = ended([run], wall=None)
    if status != 0:
        raise BaselineError(f"{target.file}: tests fail without a mutant\n{run.told()}")
    return used


def _run_anew(target: Target, root: Path, folder: Path, code: CodeType) -> int:
    """All tests, on the mutated module in place of the file's."""
    sys.dont_write_bytecode = True
    sys.meta_path.insert(0, _Instead(target.name, str(root / target.file), code))
    return _pytest(target, target.tests, root, _FirstFailure(folder))


def _pytest(target: Target, tests: Sequence[str], root: Path, *plugins: object) -> int:
    os.chdir(root)
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    os.environ.pop("CI", None)
    sys.path.insert(0, str(root))
    options = ["-x", "-s", "-p", "no:cacheprovider", "--tb=short"]
    if "hypothesis" in sys.modules:
        from hypothesis import Phase, settings

        phases = [phase for phase in Phase if phase not in (Phase.shrink, Phase.explain)]
        settings.register_profile(_UNSHRUNK, deadline=None, database=None, phases=phases)
        options += ["-p", "_hypothesis_pytestplugin", "--hypothesis-seed=0", f"--hypothesis-profile={_UNSHRUNK}"]
    return int(pytest.main([*options, *tests], plugins=[*plugins, _Relaxed(target.relaxed)]))


@dataclass(eq=False)
class _Seen:
    """What the tests did without a mutant: lines that each passed, and a file's fixtures; seconds that these took."""

    lines: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))
    seconds: dict[str, float] = field(default_factory=lambda: defaultdict(float))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when != "teardown":
            self.seconds[report.nodeid if report.when == "call" else _file(report.nodeid)] += report.duration

    def passing(self, items: Iterable[pytest.Item], line: int) -> list[pytest.Item]:
        """The tests that pass the line, the quickest first; those that share costly fixtures stay together."""
        together: dict[str, list[pytest.Item]] = defaultdict(list)
        for item in items:
            file = _file(item.nodeid)
            if line in self.lines[item.nodeid] | self.lines[file]:
                together[file if self.seconds[file] > COSTLY else item.nodeid].append(item)
        cost = {name: self.seconds[name] + sum(self.seconds[i.nodeid] for i in of) for name, of in together.items()}
        return [item for name in sorted(cost, key=lambda name: cost[name]) for item in together[name]]


def _file(node: str) -> str:
    return node.partition("::")[0]


@dataclass(eq=False)
class _Quick:
    """The quick way, in a process of its own: it tells by the pipe how long a mutant may take, then each killed."""

    target: Target
    tests: Sequence[str]
    source: Source
    mutants: Sequence[Mutant]
    root: Path
    scratch: Path
    jobs: int
    cpu_seconds: int
    tell: int

    def run(self, _: Path) -> int:
        return _pytest(self.target, self.tests, self.root, self)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        if session.testsfailed:
            return True
        run = started(self.scratch, -1, lambda folder: self.traced(session.items, folder), limit=None)
        _, status, used = ended([run], wall=None)
        if status != 0:
            raise RuntimeError(run.told())
        seen: _Seen = pickle.loads((run.folder / "seen").read_bytes())
        limit = int(3 * used) + self.cpu_seconds
        self.say(limit)
        for n, by in each(self.tries(session.items, seen), scratch=self.scratch, jobs=self.jobs, limit=limit):
            if by not in (None, NO_TEST):
                self.say((n, by))
        return True

    def say(self, what: object) -> None:
        os.write(self.tell, f"{json.dumps(what)}\n".encode())

    def traced(self, items: Sequence[pytest.Item], folder: Path) -> int:
        """Every test without a mutant, and which lines of the module it passes."""
        os.close(self.tell)
        file = self.root / self.target.file
        tracer = coverage.Coverage(data_file=None, config_file=False, include=[str(file)])
        seen, failure = _Seen(), _FirstFailure(folder)
        for plugin in (seen, failure, _Contexts(tracer)):
            items[0].config.pluginmanager.register(plugin)
        tracer.start()
        _run_items(items, failure)
        tracer.stop()
        data, parser = tracer.get_data(), parsed(file)
        for name in data.measured_files():
            for number, contexts in data.contexts_by_lineno(name).items():
                for context in contexts:
                    seen.lines[context].add(parser.first_line(number))
        (folder / "seen").write_bytes(pickle.dumps(seen))
        return int(failure.there)

    def tries(self, items: Sequence[pytest.Item], seen: _Seen) -> Iterator[tuple[int, Callable[[Path], int]]]:
        """What can be tried so: a change of functions that are there, in a line that a test passes."""
        file = str(self.root / self.target.file)
        parser, plain, live = parsed(Path(file)), self.source.code(None, file), live_functions(file)
        for n, one in enumerate(self.mutants):
            chosen = seen.passing(items, parser.first_line(one.number))
            new = exchanged(plain, self.source.code(one, file), live)
            if chosen and new:
                yield n, lambda folder, chosen=chosen, new=new: self.tried(chosen, new, folder)

    def tried(self, items: Sequence[pytest.Item], new: Sequence[tuple[FunctionType, CodeType]], folder: Path) -> int:
        os.close(self.tell)
        for function, code in new:
            function.__code__ = code
        failure = _FirstFailure(folder)
        items[0].config.pluginmanager.register(failure)
        _run_items(items, failure)
        return int(failure.there)


def _run_items(items: Sequence[pytest.Item], failure: _FirstFailure) -> None:
    for item, following in zip(items, [*items[1:], None], strict=True):
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        if failure.there:
            return


class _FirstFailure:
    def __init__(self, folder: Path) -> None:
        self.told = folder / "failed"
        self.there = False

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.there:
            self.there = True
            self.told.write_text(report.nodeid)


class _Threads:
    """Ends a collection at the first file that starts threads, and runs nothing."""

    def __init__(self, folder: Path) -> None:
        self.told = folder / "threads"

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if len(os.listdir("/proc/self/task")) > 1:
            self.told.write_text(_file(report.nodeid))
            os._exit(0)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        return True


class _Contexts:
    """Tells a tracer which test passes a line, or the fixtures of which file."""

    def __init__(self, tracer: coverage.Coverage) -> None:
        self.tracer = tracer

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        self.tracer.switch_context(_file(item.nodeid))

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_call(self, item: pytest.Item) -> None:
        self.tracer.switch_context(item.nodeid)


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
