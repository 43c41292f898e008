"""Which lines a figure of the main comparison passes, from the rows of files to its sentence, chart and `results.json`.

Traced and not remembered: the practice of `tests/twice` is read, linked, compared and shown under coverage's tracer.
`python -m tests.mutants.passed` writes what it saw into `passed.csv`: a row per module, and whether it has mutants.
"""

from __future__ import annotations

import ast
import csv
import datetime as dt
import os
import pickle
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import coverage
from coverage.python import PythonParser

ROOT = Path(__file__).parents[2]
PASSED = Path(__file__).with_name("passed.csv")
# Of what is passed, that in which no figure is made: why no mutants of it are drawn.
LEFT_OUT = {
    "dashboards/answers.py": "the frame of a page",
    "dashboards/charts/released_": "shared pages: attacked in tests/dashboards",
    "dashboards/downloads.py": "the frame of a page",
    "dashboards/glossary.py": "the frame of a page",
    "dashboards/page.py": "the frame of a page",
    "dashboards/pages/": "the frame of a page, or of another question",
    "dashboards/release/": "shared pages: scored as disclosure",
    "dashboards/reporting_items.py": "what papers are to report",
    "dashboards/said.py": "which sentence stands only once",
    "dashboards/talk/": "slides, held by their own tests",
    "dashboards/translated.py": "templates",
    "dashboards/words/": "of another question",
    "pipeline/machine/": "files, keys and progress",
    "pipeline/notes/": "chart notes, which this comparison does not read",
    "pipeline/practice/pseudonyms.py": "names of patients, on which no figure hangs",
    "pipeline/practice/settings.py": "declarations",
    "pipeline/practice/table_settings.py": "declarations",
    "pipeline/practice/talk.py": "declarations",
    "pipeline/practice/words.py": "declarations",
    "pipeline/questions/benchmarks.py": "of another question",
    "pipeline/questions/calibration.py": "a sentence of the shipped table",
    "pipeline/questions/leaving.py": "of another question",
    "pipeline/questions/techniques/": "of another question",
    "pipeline/questions/trade_checks/": "of another question",
    "pipeline/reading/": "which file means what: held by tests/corpus",
    "pipeline/release/": "what leaves: scored as disclosure and pooling",
    "pipeline/results/references.py": "the list of sources",
    "pipeline/stages/": "the order of stages",
    "pipeline/stats/misclassification.py": "of another question",
    "pipeline/storing/": "what changed since the last run, and keys",
    "pipeline/transforms/coded_details.py": "of another question",
    "pipeline/transforms/rules.py": "declarations",
    "pipeline/transforms/totals.py": "of another question",
}


def trace() -> dict[str, set[int]]:
    """The numbers of the lines passed, by file from the root of the project; of a statement the number of its first."""
    tracer = coverage.Coverage(
        data_file=None, config_file=False, include=[str(ROOT / "pipeline/*"), str(ROOT / "dashboards/*")]
    )
    tracer.start()
    try:
        with tempfile.TemporaryDirectory() as folder:
            _follow(Path(folder))
    finally:
        tracer.stop()
    data = tracer.get_data()
    found = {}
    for name in (name for name in data.measured_files() if name.endswith(".py")):
        lines, parser = set(data.lines(name) or ()), parsed(Path(name))
        if lines & _of_functions(Path(name)):
            found[str(Path(name).relative_to(ROOT))] = set(parser.first_lines(lines))
    return found


def trace_apart() -> dict[str, set[int]]:
    """As `trace`, in a process of its own: here nothing may be imported that is mutated later."""
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / "lines.pickle"
        pid = os.fork()
        if pid == 0:
            status = 1
            try:
                kept.write_bytes(pickle.dumps(trace()))
                status = 0
            finally:
                os._exit(status)
        if os.waitpid(pid, 0)[1]:
            raise RuntimeError("the main comparison could not be traced")
        found: dict[str, set[int]] = pickle.loads(kept.read_bytes())
    return found


def parsed(path: Path) -> PythonParser:
    """What tells the first line of the statement that a line belongs to."""
    parser = PythonParser(text=path.read_text(encoding="utf-8"))
    parser.parse_source()
    return parser


def _of_functions(path: Path) -> set[int]:
    """The lines in bodies of functions: all others are passed by importing the module."""
    functions = [
        n for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, ast.FunctionDef | ast.Lambda)
    ]
    bodies = [n.body if isinstance(n.body, list) else [n.body] for n in functions]
    return {line for body in bodies for n in body for line in range(n.lineno, (n.end_lineno or n.lineno) + 1)}


def _follow(folder: Path) -> None:
    sys.path.append(str(ROOT / "tests" / "twice"))
    import twice_practice

    from pipeline.stages import run
    from synthetic_data.generate import simulate

    settings = twice_practice.load_settings(
        simulate(folder, crowns=twice_practice.CROWNS_MADE, seed=twice_practice.SEED)
    )
    run.ingest_stage(settings, today=dt.date(2025, 6, 30), say=lambda _: None)
    run.link_stage(settings, say=lambda _: None)
    asked: dict[str, Any] = {}

    def keep(stored: object, analysis: object, **_: object) -> None:
        asked.update(stored=stored, analysis=analysis)
        raise _KeptError

    import unittest.mock
    from contextlib import suppress

    with unittest.mock.patch("pipeline.stages.run.compare", keep), suppress(_KeptError):
        run.compare_stage(settings, say=lambda _: None, today=dt.date(2025, 6, 30))
    _shown(asked["stored"], asked["analysis"])


def _shown(stored: Any, analysis: Any) -> None:
    """The main comparison alone, as `compare` makes it, on its pages."""
    from dashboards.pages import crowns, index, study_club
    from dashboards.release.released import release
    from dashboards.results_json import as_bytes
    from pipeline.questions.comparisons import QUESTIONS, LinkedTables
    from pipeline.questions.robustness import robustness_of
    from pipeline.questions.techniques.family import among_headlines, in_family, main_p
    from pipeline.results import to_plain
    from pipeline.stages import compare

    stored = compare._with_numbered_patients(stored)
    records = LinkedTables(stored.every_crown, stored.every_course, stored.tooth_followup, stored.inputs["patients"])
    asking = QUESTIONS[0]
    assert records.has(asking.question)
    main = asking.answer(records, analysis)
    among = among_headlines({main.id: main_p(main, analysis)}, main=main.id)
    told = in_family(main, among.get(main.id), analysis)
    told = replace(told, robustness=robustness_of(told, asking.rows(records), analysis, cutoff=stored.cutoff))
    results = replace(compare._results(stored), comparisons=(told,))
    to_plain(results)
    as_bytes(results)
    crowns.render(results)
    index.render(results)
    study_club.render(release(results))


class _KeptError(Exception):
    """Ends a run once its tables are linked."""


def rows(found: dict[str, set[int]]) -> Iterator[dict[str, object]]:
    """A row per module: how many of its lines in functions were passed, of how many, and what is made of it."""
    from tests.mutants.targets import PASSED as PASSED_TOO
    from tests.mutants.targets import TARGETS

    scored, drawn = ({target.file for target in of} for of in (TARGETS, PASSED_TOO))
    for file in sorted(found):
        inside = _of_functions(ROOT / file)
        first = set(parsed(ROOT / file).first_lines(inside))
        yield {
            "file": file,
            "passed": len(found[file] & first),
            "of": len(first),
            "mutants": "scored" if file in scored else "drawn" if file in drawn else left_out(file),
        }


def left_out(file: str) -> str:
    """Why no mutants are made of a module; an empty text where that is not said."""
    return next((why for beginning, why in LEFT_OUT.items() if file.startswith(beginning)), "")


if __name__ == "__main__":
    with PASSED.open("w", encoding="utf-8", newline="") as text:
        writer = csv.DictWriter(text, ["file", "passed", "of", "mutants"], lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows(trace()))
