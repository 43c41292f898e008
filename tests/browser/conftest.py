"""The browser, and the practices whose pages are looked at; each is made once a run."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dashboards"))

import headless
import practices_drawn

from dashboards.write import write_all
from tests.made_once import made_once

PRACTICES = ("ordinary", "hostile", "by_hand", "empty")


@pytest.hookimpl(tryfirst=True)  # before tests are chosen by their marks
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = str(Path(__file__).parent)
    for item in items:
        if str(item.path).startswith(here):
            item.add_marker(pytest.mark.look)


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A folder of pages for each practice."""

    def make() -> dict[str, Path]:
        folder = tmp_path_factory.mktemp("pages")
        made = practices_drawn.results(folder / "practices")
        for name in PRACTICES:
            write_all(made[name], folder / name)
        return {name: folder / name for name in PRACTICES}

    return made_once(tmp_path_factory, "pages", make)


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
