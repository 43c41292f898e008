"""A practice as its files hold it: texts in tables, settings, the key of the pseudonyms, the day on which it is read.

Everything here is data, so that a change of a practice is a function of one `Practice` to another.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

from dashboards.results_json import results_json
from pipeline.reading.config import load_settings
from pipeline.stages import run
from tests.recounts import without_recounts

TODAY = dt.date(2025, 6, 30)
KEY = hashlib.sha256(b"a key").hexdigest()
Json = Any


@dataclass(frozen=True)
class Form:
    """How the files of a table are written; `told` says whether the settings name the encoding and the delimiter."""

    delimiter: str = ","
    encoding: str = "utf-8"
    line_end: str = "\n"
    quoted: bool = False
    told: bool = False


@dataclass(frozen=True)
class Practice:
    """`files` gives the rows of each file, all of them texts, by table and name, in the order of reading."""

    files: Mapping[str, Mapping[str, pl.DataFrame]]
    settings: Mapping[str, Json]
    today: dt.date = TODAY
    key: str = KEY
    keep_ids: bool = False
    forms: Mapping[str, Form] = field(default_factory=dict)

    def heading(self, table: str, name: str) -> str:
        """What the practice's files call one of our fields."""
        return str(self.settings["tables"][table]["columns"][name])

    def each_table(self, change: Callable[[str, pl.DataFrame], pl.DataFrame]) -> Practice:
        """The practice with the rows of every file changed, told the table that they are of."""
        return self.with_files({t: {f: change(t, rows) for f, rows in of.items()} for t, of in self.files.items()})

    def with_files(self, files: Mapping[str, Mapping[str, pl.DataFrame]]) -> Practice:
        """The practice with these files in place of those of the same tables."""
        return dataclasses.replace(self, files={**self.files, **files})

    def with_setting(self, section: str, **values: Json) -> Practice:
        """The practice with values of a section of its settings replaced."""
        told = {**self.settings, section: {**self.settings.get(section, {}), **values}}
        return dataclasses.replace(self, settings=told)

    def texts(self, table: str, name: str) -> list[str]:
        """The different texts of a field, sorted; none if the table lacks it."""
        if name not in self.settings["tables"].get(table, {}).get("columns", {}):
            return []
        heading = self.heading(table, name)
        return sorted({text for rows in self.files[table].values() for text in rows[heading].drop_nulls()})


def read_practice(toml: Path) -> Practice:
    """The practice of a TOML, from its files."""
    settings = tomllib.loads(toml.read_text(encoding="utf-8"))
    files = {
        table: {
            path.relative_to(toml.parent).as_posix(): pl.read_csv(path, infer_schema=False)
            for pattern in told["files"]
            for path in sorted(toml.parent.glob(pattern))
        }
        for table, told in settings["tables"].items()
    }
    return Practice(files, settings)


def write_practice(practice: Practice, folder: Path) -> Path:
    """Write all files, the key and the TOML; returns the TOML's path."""
    tables = {}
    for table, files in practice.files.items():
        form = practice.forms.get(table, Form())
        told = {"delimiter": form.delimiter, "encoding": form.encoding} if form.told else {}
        tables[table] = {**practice.settings["tables"][table], "files": list(files), **told}
        for name, rows in files.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            text = rows.write_csv(
                separator=form.delimiter,
                line_terminator=form.line_end,
                quote_style="always" if form.quoted else "necessary",
            )
            path.write_bytes(text.encode(form.encoding))
    key = folder / f"{Path(practice.settings['practice']['database']).stem}.key"
    key.write_text(f"{practice.key}\n", encoding="ascii")
    key.chmod(0o600)
    toml = folder / "practice.toml"
    toml.write_text("\n".join(_toml_lines({**practice.settings, "tables": tables})) + "\n", encoding="utf-8")
    return toml


def run_practice(practice: Practice, folder: Path, *, recounts: bool) -> Json:
    """Every figure of a run, as `results.json` holds them; the curves apart, by comparison and group.

    Without `recounts`, the main comparison is not counted in other ways, and its verdict stands without them.
    """
    settings = load_settings(write_practice(practice, folder))

    def results() -> Json:
        found = run.everything(settings, today=practice.today, say=lambda _: None, keep_ids=practice.keep_ids)
        file = results_json(found)
        del file["practice"]  # its name is no figure
        curves = {c["id"]: {g["name"]: g.pop("curve") for g in c["groups"]} for c in file["comparisons"]}
        _name_chosen(file["owner"]["filters"])
        return json.loads(json.dumps({**file, "curves": curves}))

    if recounts:
        return results()
    with without_recounts():
        return results()


def _name_chosen(filters: Json) -> None:
    """What a part of the owner's filters is of, by the names of its choices and not by their places."""
    if filters:
        for part in filters["parts"]:
            part["chosen"] = [c["options"][place] for c, place in zip(filters["choices"], part["chosen"], strict=True)]


def _toml_lines(section: Mapping[str, Json], name: str = "") -> list[str]:
    plain = {k: v for k, v in section.items() if not isinstance(v, Mapping)}
    lines = [f"[{name}]"] if name and plain else []
    lines += [f"{json.dumps(k, ensure_ascii=False)} = {_toml_value(v)}" for k, v in plain.items()]
    for key, inner in section.items():
        if isinstance(inner, Mapping):
            lines += _toml_lines(inner, f"{name}.{json.dumps(key)}" if name else json.dumps(key))
    return lines


def _toml_value(value: Json) -> str:
    return value.isoformat() if isinstance(value, dt.date) else json.dumps(value, ensure_ascii=False)
