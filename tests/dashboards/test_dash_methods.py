"""The methods page: everything needed to repeat a run, and sources that are those of the code."""

import dataclasses
import itertools
import re
from importlib import resources
from pathlib import Path
from types import SimpleNamespace

import pytest
import sample_results as samples

from dashboards.pages import methods
from pipeline.machine.data_tables import data_rows
from pipeline.practice.settings import AnalysisSettings, Borrowing, Rules
from pipeline.results import methods as results_methods
from pipeline.results.methods import METHODS, REMEMBERED
from pipeline.results.references import SOURCES

PIPELINE = Path(str(resources.files("pipeline")))
FROM_MEMORY = re.compile(r"Sources: [^\n]*\. (?:All are f|F)rom memory")


def _named_in(path: Path) -> set[str]:
    """The sources that a module names: in square brackets, or after `Sources:`."""
    return _named_by(path.read_text("utf-8"))


def _named_by(text: str) -> set[str]:
    said = re.findall(r"\[([^\[\]]*)\]|Sources:(.*?)\.\n", text, re.DOTALL)
    return {name for part in said for name in SOURCES if name in re.sub(r"\s+", " ", " ".join(part))}


@pytest.mark.parametrize("row", data_rows("methods"), ids=lambda row: row["module"])
def test_the_module_of_each_method_names_its_sources(row: dict[str, str]) -> None:
    given = {re.sub(r" \(.*", "", one) for one in row["sources"].split(" | ") if one}
    assert given <= _named_in(PIPELINE / f"{row['module'].replace('.', '/')}.py")


def test_every_source_is_named_by_a_module_or_cited_by_a_report() -> None:
    modules = [path for folder in ("pipeline", "dashboards") for path in (PIPELINE.parent / folder).rglob("*.py")]
    cited = {row["source"] for row in data_rows("references")}
    assert cited.union(*map(_named_in, modules)) == set(SOURCES)


def test_every_rule_and_setting_is_explained_and_no_other() -> None:
    rules = {f.name for f in dataclasses.fields(Rules)} | {"crown_date", "root_canals_elsewhere", "film_readers"}
    assert set(results_methods.RULES) == rules
    settings = {f.name for kind in (AnalysisSettings, Borrowing) for f in dataclasses.fields(kind)}
    assert set(results_methods.ANALYSIS) == settings


def test_every_value_version_and_fingerprint_is_on_the_page() -> None:
    results = samples.differs()
    page = methods.render(results)
    cells = re.findall(r"<t[dh][^>]*>([^<]*)</t[dh]>", page)
    for settings in (results.rules, results.analysis, results.versions):
        for name, value in settings.items():
            assert (name, value) in itertools.pairwise(cells)
    for load in results.quality.loads:
        assert load.hash in cells
    for a in results.not_run:
        assert f"{a.title}: needs" in page
    assert results.comparisons[0].difference is not None
    assert results.comparisons[0].difference.method[1:] in page


def test_only_what_was_used_is_named() -> None:
    used = {m.module for m in results_methods.methods_of(samples.differs())}
    assert {"stats.kaplan_meier", "stats.cox", "questions.crown_longevity"} <= used
    bare = dataclasses.replace(samples.differs(), trials=(), recalls=(), losses=(), checks=())
    left = results_methods.methods_of(bare)
    assert not {m.module for m in left} & {"stats.aalen_johansen", "stats.inverse_weights", "stats.second_opinion"}
    assert "Share of teeth, alike within a patient" not in {m.name for m in left}
    assert results_methods.methods_of(samples.empty_practice()) == ()
    assert "no method was used" in methods.render(samples.empty_practice())


def test_no_source_is_shown_that_nobody_has_looked_up() -> None:
    page = methods.render(samples.differs())
    assert "from memory" not in page
    used = results_methods.methods_of(samples.differs())
    assert any(set(m.sources) - set(m.checked) for m in used), "some modules still name such sources"
    assert all(_shown(source) in page for m in used for source in m.checked)


def test_what_modules_name_from_memory_reaches_no_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """A docstring that says so of its sources marks them all; and no page of any run holds one that is marked."""
    told = set()
    for path in PIPELINE.rglob("*.py"):
        docstrings = re.findall(r'"""(.*?""")', path.read_text("utf-8"), re.DOTALL)
        told |= {name for text in docstrings if FROM_MEMORY.search(text) for name in _named_by(text)}
    assert {"Peto 1972", "Sego 2009", "Christiansen 1997"} <= told
    assert {name for name in told if REMEMBERED not in SOURCES[name]} == set()
    monkeypatch.setattr(methods, "methods_of", lambda _: METHODS)
    page = methods.render(samples.differs())
    marked = [_shown(text.partition(f" ({REMEMBERED}")[0]) for text in SOURCES.values() if REMEMBERED in text]
    assert [text for text in marked if text in page] == []
    assert _shown(SOURCES["Clayton 1987"]) in page
    assert not [row for row in data_rows("references") if REMEMBERED in SOURCES[row["source"]]]


def _shown(source: str) -> str:
    return source.replace("&", "&amp;").replace("'", "&#39;")


def test_every_need_is_a_part_that_is_looked_for() -> None:
    watched = SimpleNamespace(funnel=True, running=())
    asked = SimpleNamespace(contrasts=(1,), dose=(1,))
    full = dataclasses.replace(samples.differs(), monitoring=(watched,), techniques=(asked,), planning=(1,))
    whole = [results_methods.parts_of(r) for r in [full, *samples.all_variants().values()]]
    known = frozenset().union(*whole)
    made_elsewhere = {"standardised", "landmark", "e_value", "penalised", "steady", "within_patient"}
    assert {m.needs for m in METHODS} - known <= made_elsewhere
