"""Pages of reference, each made of the declarations that the program reads, so that they cannot say another thing.

`python -m dashboards.reference` renews the files in `pipeline/data/reference/`, which a test holds to them. With a
folder it writes all pages there, `results.md` too, which says no more than the schema that is kept.
"""

import json
import sys
from pathlib import Path
from typing import Any

import pipeline
from dashboards.glossary import WORDS
from dashboards.results_json import results_schema
from pipeline.practice.reference import cell, fields_page, linked_page, settings_page

FOLDER = Path(pipeline.__file__).parent / "data" / "reference"
RESULTS = "results.md"


def pages() -> dict[str, str]:
    """Each file's content by its name."""
    schema = results_schema()
    return {
        "fields.md": fields_page(),
        "settings.md": settings_page(),
        "linked_tables.md": linked_page(),
        "results.schema.json": _lines(schema, 4) + "\n",
        RESULTS: results_page(schema),
        "glossary.md": glossary_page(),
    }


def results_page(schema: dict[str, Any]) -> str:
    """What stands under each key of `results.json`, told from its schema."""
    parts = [
        "# results.json",
        "",
        "A number that could not be worked out is null. Its JSON Schema lies beside this page.",
    ]
    for name, shape in [(None, schema["$defs"][_name(schema)]), *schema["$defs"].items()]:
        if name == _name(schema):
            continue
        parts += ["", f"## {name.rpartition('.')[2] if name else 'The whole file'}", "", shape["description"], ""]
        if name:
            parts[-4] += f" (`{name.rpartition('.')[0]}`)"
        parts += ["| key | holds |", "| --- | --- |"]
        parts += [f"| `{key}` | {cell(_told(kind))} |" for key, kind in shape["properties"].items()]
    return "\n".join(parts) + "\n"


def glossary_page() -> str:
    """The words that pages explain."""
    rows = [f"| {word} | {cell(meaning)} |" for word, (meaning, _) in sorted(WORDS.items())]
    return "\n".join(["# Words", "", "| word | meaning |", "| --- | --- |", *rows]) + "\n"


def _lines(value: Any, depth: int, before: str = "\n") -> str:
    """JSON with a line for each key so many levels down, so that a key of `results.json` changed is a line changed."""
    if not depth or not isinstance(value, dict):
        return json.dumps(value, ensure_ascii=False)
    inner = before + " "
    told = ("," + inner).join(f"{json.dumps(key)}: {_lines(one, depth - 1, inner)}" for key, one in value.items())
    return f"{{{inner}{told}{before}}}"


def _name(kind: dict[str, Any]) -> str:
    return str(kind["$ref"]).removeprefix("#/$defs/")


def _told(kind: dict[str, Any]) -> str:
    """A shape in words: `Group each`, `number or null`."""
    if "$ref" in kind:
        return _name(kind).rpartition(".")[2]
    if "anyOf" in kind:
        return " or ".join(dict.fromkeys(word for k in kind["anyOf"] for word in _told(k).split(" or ")))
    if kind.get("type") == "array":
        if "prefixItems" in kind:
            return f"list of {', '.join(_told(k) for k in kind['prefixItems'])}"
        return f"list, each {_told(kind['items'])}"
    if kind.get("type") == "object":
        return f"by name, each {_told(kind['additionalProperties'])}"
    told = kind.get("type", "anything")
    return told if isinstance(told, str) else " or ".join(told)


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in pages().items():
        if folder != FOLDER or name != RESULTS:
            (folder / name).write_text(text, encoding="utf-8")
