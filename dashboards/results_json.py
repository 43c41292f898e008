"""`results.json`: every figure of the pages for machines, under key names that other programs rely on; its schema."""

import dataclasses
import datetime as dt
import functools
import inspect
import json
import math
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.machine.private_files import private_folder, write_private
from pipeline.results import Comparison, Group, IncidenceCurve, Naive, Results, Robustness, Trial, Verdict
from pipeline.results.healing import Agreement, LossTable
from pipeline.results.states import STATES, CrownStates
from pipeline.results.technique import TechniqueAnswer


@dataclass(frozen=True)
class SurvivalAt:
    """A milestone after year 0 that a curve reaches; `at_risk` counts those still followed beyond it."""

    years: float
    estimate: float
    ci_low: float
    ci_high: float
    at_risk: int


@dataclass(frozen=True)
class ShareByLabel:
    """The share in place at the horizon of a group by its label from the seat, which misleads."""

    name: str
    estimate: float


@dataclass(frozen=True)
class StatesOf100:
    """Whole crowns of 100 in each state at a year that is told; they sum to 100."""

    years: float
    vital: int
    opened: int
    lost: int


@dataclass(frozen=True)
class Key:
    """A key of the file that is not the attribute of its name: its type, and how it is made of the object."""

    kind: Any
    make: Callable[[Any], Any]


def _survival(g: Group) -> tuple[SurvivalAt, ...]:
    return tuple(
        SurvivalAt(_year(m.years), m.survival, m.ci_low, m.ci_high, m.followed)
        for m in g.milestones
        if m.survival is not None and m.ci_low is not None and m.ci_high is not None and m.years > 0
    )


def _of_100(states: CrownStates) -> tuple[StatesOf100, ...]:
    points = ((y, states.at(y)) for y in states.told)
    return tuple(StatesOf100(_year(y), *point.per_100) for y, point in points if point is not None)


def _year(years: float) -> float:
    """A whole number of years as an integer: 5, not 5.0."""
    return int(years) if float(years).is_integer() else years


_GAPS = Key(tuple[str, ...], lambda answer: tuple(g.sentence for g in answer.missing))

# Where the file differs from the objects: keys added, given otherwise, or left out (None). All else is the attribute.
KEYS: dict[type, dict[str, Key | None]] = {
    Results: {
        "audience": Key(str, lambda r: "inside the practice only"),
        "agreement": None,
        "records": None,
        "reading_agreement": Key(tuple[Agreement, ...], lambda r: r.agreement),
        "losses": None,
        "losses_by_cause": Key(tuple[LossTable, ...], lambda r: r.losses),
        "states": None,
        "crown_states": Key(CrownStates | None, lambda r: r.states),
    },
    Comparison: {
        "robustness": None,
        "honesty": Key(Robustness | None, lambda c: c.robustness),
        "verdict": Key(str, lambda c: c.verdict.sentence),
        "verdict_code": Key(str, lambda c: c.verdict.code),
        "verdict_parts": Key(Verdict, lambda c: c.verdict),
        "missing": _GAPS,
    },
    TechniqueAnswer: {"missing": _GAPS},
    IncidenceCurve: {"event_patients": None},
    Group: {"survival": Key(tuple[SurvivalAt, ...], _survival), "half_years": None},
    Naive: {"survival": Key(tuple[ShareByLabel, ...], lambda n: tuple(ShareByLabel(*pair) for pair in n.survival))},
    Trial: {"verdict": Key(Verdict | None, lambda t: t.verdict)},  # that on the crown; each outcome has its own
    CrownStates: {
        "states": Key(tuple[str, ...], lambda s: STATES),
        "per_100": Key(tuple[StatesOf100, ...], _of_100),
    },
}  # fmt: skip


def results_json(results: Results) -> dict[str, Any]:
    """The results as JSON's own types; `results_schema` says of what shape.

    A number that could not be worked out is null, a whole number of years an integer. The file holds exact counts and
    the clinicians' names: it is for inside the practice.
    """
    filed: dict[str, Any] = _filed(results)
    return filed


def write_results_json(results: Results, out: Path) -> Path:
    """Write `results.json` into `out` in one step, for its owner alone; return its path. OSError if that fails."""
    return write_private(private_folder(out) / "results.json", as_bytes(results))


def as_bytes(results: Results) -> bytes:
    """The file's content: UTF-8, one key a line."""
    text = json.dumps(results_json(results), ensure_ascii=False, allow_nan=False, indent=1)
    return f"{text}\n".encode()


@functools.cache
def keys_of(kind: Any) -> Mapping[str, Key | None]:
    """The keys of a class's object in the file, in their order; None: the attribute as it is."""
    other = KEYS.get(kind, {})
    left_out = {name for name, key in other.items() if key is None}
    kept = {f.name: other.get(f.name) for f in dataclasses.fields(kind) if f.name not in left_out}
    return kept | {name: key for name, key in other.items() if key is not None}


def _filed(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, (str, int)):
        return value
    if isinstance(value, (tuple, list)):
        return [_filed(v) for v in value]
    if isinstance(value, Mapping):
        return {k: _filed(v) for k, v in value.items()}
    if isinstance(value, dt.date):
        return value.isoformat()
    kind: Any = type(value)
    return {
        name: _filed(getattr(value, name) if key is None else key.make(value)) for name, key in keys_of(kind).items()
    }


_PLAIN: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": ["number", "null"]},  # JSON has no infinity and no not-a-number
    Any: {},
}


def results_schema() -> dict[str, Any]:
    """The file's shape as a JSON Schema (draft 2020-12), made of the declarations that it is made of.

    A definition a class, under its module and name, described by its docstring; no key may be missing or more.
    """
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
