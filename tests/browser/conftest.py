"""The browser, and the practices whose pages are looked at; each is made once a run."""

import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dashboards"))

import headless
import practices_drawn
import sample_results as samples

from dashboards.write import write_all
from pipeline.results import Results
from tests.made_once import made_once

PRACTICES = ("ordinary", "hostile", "by_hand", "empty")


@pytest.hookimpl(tryfirst=True)  # before tests are chosen by their marks
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = str(Path(__file__).parent)
    for item in items:
        if str(item.path).startswith(here):
            item.add_marker(pytest.mark.look)


class Written(Mapping[str, Path]):
    """A folder of pages for each practice; each is made when first asked for, so that workers wait for none but it."""

    def __init__(self, tmp_path_factory: pytest.TempPathFactory) -> None:
        self._factory = tmp_path_factory

    def __iter__(self) -> Iterator[str]:
        return iter(PRACTICES)

    def __len__(self) -> int:
        return len(PRACTICES)

    def __getitem__(self, name: str) -> Path:
        def make() -> Path:
            folder = self._factory.mktemp("pages") / name
            write_all(self._results(name), folder)
            return folder

        return made_once(self._factory, f"pages of {name}", make)

    def _results(self, name: str) -> Results:
        if name == "empty":
            return samples.empty_practice()
        if name == "hostile":
            folder, found = self._ordinary()
            return practices_drawn.hostile(folder, found)
        return self._ordinary()[1] if name == "ordinary" else practices_drawn.by_hand(self._factory.mktemp("of") / name)

    def _ordinary(self) -> tuple[Path, Results]:
        def make() -> tuple[Path, Results]:
            folder = self._factory.mktemp("of") / "ordinary"
            return folder, practices_drawn.ordinary(folder)

        return made_once(self._factory, "results of ordinary", make)


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """A folder of pages for each practice."""
    return Written(tmp_path_factory)


@pytest.fixture(scope="session")
def large(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Every page of a practice of 4,000 crowns."""

    def make() -> list[Path]:
        folder = tmp_path_factory.mktemp("large")
        write_all(practices_drawn.large(folder), folder / "out")
        return sorted((folder / "out").glob("*.html"))

    return made_once(tmp_path_factory, "large", make)


@pytest.fixture(params=PRACTICES)
def pages(request: pytest.FixtureRequest, written: dict[str, Path]) -> list[Path]:
    """Every page of one practice, whatever pages there are."""
    found = sorted(written[request.param].glob("*.html"))
    assert len(found) >= 6
    return found


@pytest.fixture(scope="session")
def ordinary(written: dict[str, Path]) -> list[Path]:
    """Every page of the practice of 400 crowns."""
    return sorted(written["ordinary"].glob("*.html"))


@pytest.fixture(scope="session")
def browser() -> Iterator[headless.Browser]:
    with headless.Browser() as opened:
        yield opened
