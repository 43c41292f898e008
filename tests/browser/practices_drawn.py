"""Results of four practices: an ordinary one, the same with hostile texts, one worked by hand, and an empty one."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl
import sample_results as samples

from pipeline.reading.config import load_settings
from pipeline.results import Results, from_plain, to_plain
from pipeline.stages import run
from synthetic_data.generate import simulate
from tests.recounts import without_recounts

SMALL = Path(__file__).resolve().parents[2] / "synthetic_data" / "small"
CROWNS = 400
# Each would do something if it were taken for markup, script, a template, a formula or a direction of reading.
HOSTILE = (
    "<script>window.ran = 1</script>",
    "</script><script>window.ran = 1</script>",
    "<img src=x onerror=\"window.ran = 1\">",
    "\" onmouseover=\"window.ran = 1\" tabindex=\"1",
    "' onfocus='window.ran = 1' autofocus='",
    "</title></style><svg onload=window.ran=1>",
    "{{ 7 * 7 }}{% raw %}",
    "${7*7}<!--",
    "<a href=\"javascript:window.ran = 1\">Dr</a>",
    "=1+1|' /C calc'!A0",
    "\u202egnp.exe\u2066 Dr \u0627\u0644\u0639",
    "]]>&lt;b&gt;&amp;\u2028\u0000"[:-1],
    "Wwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwwww",
)  # fmt: skip


def ordinary(folder: Path) -> Results:
    """Of 400 crowns, whose files are left in `folder`."""
    return _run(simulate(folder, crowns=CROWNS, seed=3))


def hostile(folder: Path, found: Results) -> Results:
    """The results of an ordinary one, with hostile texts for all that its files in `folder` say in its own words."""
    own = _own_texts(folder, found)
    return with_texts(_with_notes(found), {text: HOSTILE[i % len(HOSTILE)] for i, text in enumerate(own)})


def by_hand(folder: Path) -> Results:
    """The one worked by hand, copied to `folder`."""
    shutil.copytree(SMALL, folder, ignore=shutil.ignore_patterns("*.duckdb", "*.key", "out"))
    return _run(folder / "practice.toml")


def large(folder: Path) -> Results:
    """A practice of the size of the demo: pages are longest where all questions can be answered."""
    return _run(simulate(folder / "large", crowns=4000, seed=3))


def with_texts(found: Results, instead: Mapping[str, str]) -> Results:
    """The same results, each of these texts written otherwise wherever it stands as a word of its own."""
    words = re.compile(r"(?<!\w)(" + "|".join(map(re.escape, sorted(instead, key=len, reverse=True))) + r")(?!\w)")

    def other(text: str) -> str:
        return words.sub(lambda m: instead[m[1]], text)

    def walk(value: Any) -> Any:
        if isinstance(value, str):
            return other(value)
        if isinstance(value, list):
            return [walk(v) for v in value]
        if isinstance(value, dict):
            return {other(k): walk(v) for k, v in value.items()}
        return value

    again: Results = from_plain(Results, walk(json.loads(json.dumps(to_plain(found)))))
    return again


def _run(toml: Path) -> Results:
    """Everything but the choices, which take the longest: those of an invented practice stand in their place."""
    choices = samples.depends().comparisons[0].choices
    with without_recounts(choices):
        return run.everything(load_settings(toml), today=dt.date(2025, 6, 30), say=lambda _: None)


def _own_texts(folder: Path, found: Results) -> list[str]:
    """What a practice writes itself: clinicians, clinics, its name, names of its files, codes that are not known."""
    rows = [pl.read_csv(file, infer_schema=False) for file in sorted(folder.glob("exports/*.csv"))]
    ledger = pl.concat([r.select("Prov", "Clinic") for r in rows])
    names = {text for column in ledger.iter_columns() for text in column.drop_nulls()}
    names |= {row.file for row in found.quality.loads} | {code.code for code in found.quality.unknown_codes}
    return [found.practice, *sorted(names - {""})]


def _with_notes(found: Results) -> Results:
    """Hostile words in the lists of free text, and in the labels of the groups that a practice may name itself."""
    first = found.comparisons[0]
    groups = tuple(dataclasses.replace(g, label=f"{HOSTILE[i]} {g.label}") for i, g in enumerate(first.groups))
    first = dataclasses.replace(first, title=HOSTILE[5], groups=groups, notes=(*first.notes, *HOSTILE))
    rules = {name: HOSTILE[i % len(HOSTILE)] for i, name in enumerate(found.rules)}
    return dataclasses.replace(found, comparisons=(first, *found.comparisons[1:]), cautions=HOSTILE, rules=rules)
