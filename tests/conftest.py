"""What holds for every test, on any machine: no deadlines, and a word about what a lack of programs left out."""

import datetime as dt
import functools
import gc
import os
import random
import re
import shutil
import subprocess
from collections import Counter
from pathlib import Path

# Two workers on two cores: threads of their libraries would only wait for one another, and no result hangs on them.
if "PYTEST_XDIST_WORKER" in os.environ:
    for name in ("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")

import hypothesis
import pytest

# A busy processor is no fault of the program; what was found on one machine is not tried first on that machine alone.
hypothesis.settings.register_profile("any machine", deadline=None, database=None)
hypothesis.settings.load_profile("any machine")


# What is imported and collected stays to the end: looking through it for what is left over would find nothing.
gc.disable()


def pytest_collection_finish() -> None:
    """From here on there is something to find again."""
    gc.collect()
    gc.freeze()
    gc.enable()


# By what words a file gives its tests the marks that a run asks for; a folder may give them in its conftest.
GIVEN_BY = {
    "look": r"mark\.look\b",
    "thorough": r"mark\.(thorough|one_in)\b|\bfew_at_once\b",
    "r": r"mark\.r\b|\bneeds_r\b",
}


@functools.cache
def _may_give(path: Path, mark: str) -> bool:
    files = (path, path.parent / "conftest.py")
    return any(re.search(GIVEN_BY[mark], file.read_text(encoding="utf-8")) for file in files if file.exists())


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Where tests of some marks alone are asked for, the files that give none of these are not even loaded."""
    asked = re.sub(r"not (\(.*?\)|\w+)", "", config.option.markexpr)
    wanted = [mark for mark in GIVEN_BY if re.search(rf"\b{mark}\b", asked)]
    if not wanted or not collection_path.name.startswith("test_") or collection_path.suffix != ".py":
        return None
    return None if any(_may_give(collection_path, mark) for mark in wanted) else True


# The modules that take longest, in whichever run, the longest first: begun last, one would keep a worker busy alone.
LONGEST = (Path(__file__).parent / "longest_first.txt").read_text(encoding="utf-8").split()


# Every case in the ordinary run too: for what reckons with each of them, such as `make mutants`.
EVERY_CASE = bool(os.environ.get("THOROUGH") or os.environ.get("EVERY_CASE"))


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Of a test marked `one_in(n)` the ordinary run takes each nth case, the first too; `make thorough` the others.

    With `one_in(n, thorough=m)` that takes each mth of the others, and `make slow` what is left.
    """
    seen: Counter[str] = Counter()
    for item in [] if EVERY_CASE else items:
        if share := item.get_closest_marker("one_in"):
            test = item.nodeid.partition("[")[0]
            if seen[test] % share.args[0]:
                item.add_marker("slow" if seen[test] % share.kwargs.get("thorough", 1) else "thorough")
            seen[test] += 1
        for mark in GIVEN_BY:
            if item.get_closest_marker(mark) and not _may_give(item.path, mark):
                raise pytest.UsageError(f"{item.nodeid}: tell GIVEN_BY by what words its file gives it the mark {mark}")
    place = {f"{Path(__file__).parent}/{name}.py": place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(str(item.path), len(place)))
    if seed := os.environ.get("SHUFFLED"):
        _shuffle(items, int(seed))


def _shuffle(items: list[pytest.Item], seed: int) -> None:
    """Files in an order of chance, and the tests of each, so that none leans on what another left behind."""
    chance = random.Random(seed)
    place = {path: chance.random() for path in sorted({str(item.path) for item in items})}
    own = {item.nodeid: chance.random() for item in sorted(items, key=lambda item: item.nodeid)}
    items.sort(key=lambda item: (place[str(item.path)], own[item.nodeid]))


@pytest.fixture(scope="session")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an invented practice of 250 crowns, ingested and linked: to be read, or copied and changed."""
    from tests.made_once import made_once

    def make() -> Path:
        from pipeline.reading.config import load_settings
        from pipeline.stages import run
        from synthetic_data.generate import simulate

        toml = simulate(tmp_path_factory.mktemp("invented") / "practice", crowns=250, seed=5)
        run.ingest_stage(load_settings(toml), today=dt.date(2025, 6, 30), say=lambda _: None)
        run.link_stage(load_settings(toml), say=lambda _: None)
        return toml.parent

    return made_once(tmp_path_factory, "invented", make)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Leave out what a program is lacking for."""
    if item.get_closest_marker("r") and not _has_r():
        pytest.skip("needs Rscript with the packages survival, cmprsk and jsonlite")
    if item.get_closest_marker("look"):
        import headless

        if headless.CHROMIUM is None:
            pytest.skip("needs Chromium, and Playwright to drive it")


@functools.cache
def _has_r() -> bool:
    asked = "library(survival); library(cmprsk); library(jsonlite)"
    return (
        shutil.which("Rscript") is not None
        and subprocess.run(["Rscript", "-e", asked], capture_output=True, check=False).returncode == 0
    )


def _reasons(reporter: pytest.TerminalReporter) -> dict[str, int]:
    """Tests left out, by reason."""
    found: dict[str, int] = {}
    for report in reporter.stats.get("skipped", []):
        reason = str(report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr)
        reason = reason.removeprefix("Skipped: ")
        found[reason] = found.get(reason, 0) + 1
    return found


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Where everything is installed, as CI does, nothing may be left out: a skip there is a failure."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is not None and os.environ.get("CI") and exitstatus == 0 and _reasons(reporter):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """One line at the end: how many tests were left out, and for lack of what."""
    if found := _reasons(terminalreporter):
        listed = "; ".join(f"{n} x {reason}" for reason, n in sorted(found.items()))
        allowed = ", which CI does not allow" if os.environ.get("CI") else ""
        terminalreporter.write_line(f"left out{allowed}: {listed}")
