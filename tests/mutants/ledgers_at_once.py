"""Linking held against the plain linker and against the adjudicated ledgers, as `tests/judge` does, made for many runs.

What does not hang on linking is done once, by `prepare`, before the forks: the ledgers are drawn and linked plainly,
and the files of the adjudicated ones are read into stores. Without it the tests prepare themselves.
"""

from __future__ import annotations

import atexit
import datetime as dt
import os
import shutil
import tempfile
from collections import defaultdict
from functools import cache
from itertools import product
from pathlib import Path

import pytest

from tests.judge.disagree import CONTRADICTORY, DRAWN, drawn
from tests.judge.hostile_ledgers import COURSE_FIELDS, CROWN_FIELDS, TEETH, Case, as_compared, by_the_pipeline, plainly
from tests.judge.read_ledgers import Ledger, all_ledgers, found_by, tables_of, write_practice

PRACTICES = tuple(product((False, True), repeat=2))  # posts at preparation, keeps fees
MANY = 8  # ledgers that share a practice; fewer are left to the slower tests
_Rows = list[tuple[object, ...]]


def prepare() -> None:
    """All that may be done before a mutant is in place."""
    for practice in PRACTICES:
        _expected(practice)
    folder = _folder()
    pid = os.fork()  # the library that reads files starts threads, which no later fork would have
    if pid == 0:
        try:
            for number in range(len(_groups())):
                _read_files(folder, number)
        finally:
            os._exit(0)
    os.waitpid(pid, 0)


@cache
def _folder() -> Path:
    folder, owner = Path(tempfile.mkdtemp(prefix="ledgers-")), os.getpid()
    atexit.register(lambda: os.getpid() == owner and shutil.rmtree(folder, ignore_errors=True))
    return folder


@cache
def _expected(practice: tuple[bool, bool]) -> tuple[list[Case], list[tuple[_Rows, _Rows]]]:
    agreed = [c for n, c in enumerate(drawn(DRAWN)) if n not in CONTRADICTORY]
    cases = [c for c in agreed if (c.posted_at_prep, c.fees_kept) == practice]
    linked = [plainly(case, tooth) for case in cases for tooth in TEETH]
    return cases, [(as_compared(one.crowns, CROWN_FIELDS), as_compared(one.courses, COURSE_FIELDS)) for one in linked]


@cache
def _groups() -> list[list[Ledger]]:
    groups: dict[object, list[Ledger]] = defaultdict(list)
    for one in all_ledgers():
        if one.practice != "alone":
            groups[one.group].append(one)
    return sorted((group for group in groups.values() if len(group) >= MANY), key=len, reverse=True)


def _read_files(folder: Path, number: int) -> Path:
    from pipeline.reading.config import load_settings
    from pipeline.stages.run import ingest_stage

    practice = folder / str(number)
    if not practice.exists():
        practice.mkdir()
        settings = load_settings(write_practice(practice, _groups()[number]))
        ingest_stage(settings, today=dt.date(2026, 6, 1), say=lambda _: None, keep_ids=True)
    return practice


@pytest.mark.parametrize("practice", PRACTICES)
def test_drawn_ledgers(practice: tuple[bool, bool]) -> None:
    cases, expected = _expected(practice)
    for n, (case, tables) in enumerate(zip(cases, by_the_pipeline(cases), strict=True)):
        for m, tooth in enumerate(TEETH):
            crowns, courses = ([r for r in rows if r["tooth_fdi"] == tooth] for rows in tables)
            found = as_compared(crowns, CROWN_FIELDS), as_compared(courses, COURSE_FIELDS)
            assert found == expected[n * len(TEETH) + m], f"tooth {tooth} of\n{case}"


@pytest.mark.parametrize("number", range(len(_groups())))
def test_adjudicated_ledgers(number: int, tmp_path: Path) -> None:
    from pipeline.reading.config import load_settings
    from pipeline.stages.run import link_stage

    shutil.copytree(_read_files(_folder(), number), tmp_path / "practice")
    practice = load_settings(tmp_path / "practice" / "practice.toml")
    link_stage(practice, say=lambda _: None)
    tables = tables_of(practice.practice.database)
    for ledger in _groups()[number]:
        wrong = [one.line for one in ledger.expected if found_by(one, tables[ledger.key]) != one.wanted()]
        assert not wrong, f"{ledger.name}: {wrong}"
