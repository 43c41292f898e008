"""The shape of `results.json` as a JSON Schema (draft 2020-12), made of the declarations that the file is made of."""

import dataclasses
import inspect
import types
import typing
from typing import Any

from dashboards.results_json import keys_of
from pipeline.results import Results

_PLAIN: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": ["number", "null"]},  # JSON has no infinity and no not-a-number
    Any: {},
}


def results_schema() -> dict[str, Any]:
    """A definition a class, under its module and name, described by its docstring; no key may be missing or more."""
    shapes: dict[str, Any] = {}
    whole = _shape(Results, shapes)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "results.json of toothyears",
        **whole,
        "$defs": dict(sorted(shapes.items())),
    }


def _shape(kind: Any, shapes: dict[str, Any]) -> dict[str, Any]:
    if kind in _PLAIN:
        return _PLAIN[kind]
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        each = [_shape(k, shapes) for k in inner if k is not types.NoneType]
        return {"anyOf": [*each, {"type": "null"}]} if types.NoneType in inner else {"anyOf": each}
    if origin is tuple and inner[-1] is not Ellipsis:
        each = [_shape(k, shapes) for k in inner]
        return {"type": "array", "prefixItems": each, "minItems": len(each), "items": False}
    if origin in (tuple, list):
        return {"type": "array", "items": _shape(inner[0], shapes)}
    if origin is dict:
        return {"type": "object", "additionalProperties": _shape(inner[1], shapes)}
    if not (isinstance(kind, type) and dataclasses.is_dataclass(kind)):
        raise TypeError(f"results hold a {kind}, of which the schema says nothing")
    name = f"{kind.__module__.rpartition('.')[2]}.{kind.__name__}"  # two modules may name a class alike
    if name not in shapes:
        shapes[name] = {}  # a class may hold itself
        hints = typing.get_type_hints(kind)
        keys = keys_of(kind)
        shapes[name] = {
            "description": " ".join((inspect.getdoc(kind) or "").split()),
            "type": "object",
            "properties": {k: _shape(hints[k] if key is None else key.kind, shapes) for k, key in keys.items()},
            "required": list(keys),
            "additionalProperties": False,
        }
    return {"$ref": f"#/$defs/{name}"}
