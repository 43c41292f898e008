"""The practice that is computed twice; it is made once a session."""

import json
from typing import Any

import pytest
import twice_practice
from twice_compare import of_results

from pipeline.practice.settings import Settings
from pipeline.results import Results
from tests.made_once import made_once


@pytest.fixture(scope="session")
def practice(tmp_path_factory: pytest.TempPathFactory) -> tuple[Settings, Results]:
    """Its settings and results."""

    def make() -> tuple[Settings, Results]:
        return twice_practice.run_practice(tmp_path_factory.mktemp("twice") / "practice")

    return made_once(tmp_path_factory, "twice", make)


@pytest.fixture(scope="session")
def ours(practice: tuple[Settings, Results]) -> dict[str, Any]:
    """What the program says, by question."""
    return of_results(twice_practice.as_read(practice[1]))


@pytest.fixture(scope="session")
def theirs() -> dict[str, Any]:
    """What R said of the same tables, by question."""
    return json.loads(twice_practice.FROZEN.read_text(encoding="utf-8"))
