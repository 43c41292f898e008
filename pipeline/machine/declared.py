"""Settings declared once: a frozen dataclass whose fields say default, meaning and bounds, read from a table of a TOML.

A key that is not known is refused, with the nearest one that is: a misspelt rule must never be silently ignored.
"""

import datetime as dt
import difflib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, Field, dataclass, field, fields
from types import UnionType
from typing import Any, TypeVar, get_args, get_type_hints

from pipeline.machine.errors import ConfigError

T = TypeVar("T")
# No number may be above these, by how its name ends: a hundred years, and what any sum of them still holds.
LARGEST = {"_days": 36_500, "_months": 1_200, "_years": 100, "": 2_000_000_000}


@dataclass(frozen=True)
class Bounds:
    """Where a number must lie; `open_low` and `open_high` leave that end itself out."""

    low: float
    high: float | None = None
    open_low: bool = False
    open_high: bool = False

    def hold(self, value: float) -> bool:
        """Whether a number lies within."""
        above = value > self.low or (value == self.low and not self.open_low)
        return above and (self.high is None or value < self.high or (value == self.high and not self.open_high))

    def __str__(self) -> str:
        """`at least 1`, `between 0 and 1`."""
        return f"at least {self.low:g}" if self.high is None else f"between {self.low:g} and {self.high:g}"


@dataclass(frozen=True)
class Setting:
    """What is declared of one key beside its type and default.

    `words` are all that it may be; `check` returns the value or refuses it (`ConfigError`), given where it stands.
    """

    about: str
    words: tuple[str, ...] = ()
    bounds: Bounds | None = None
    example: str = ""
    check: Callable[[Any, str], Any] | None = None


def setting(
    default: Any,
    about: str,
    *,
    words: Iterable[str] = (),
    bounds: Bounds | None = None,
    example: str = "",
    check: Callable[[Any, str], Any] | None = None,
) -> Any:
    """A field of a dataclass of settings; a `default` that is a type makes it anew each time."""
    metadata = {"setting": Setting(about, tuple(words), bounds, example, check)}
    default_of = {} if default is MISSING else {"default_factory" if isinstance(default, type) else "default": default}
    return field(metadata=metadata, **default_of)


def declared(kind: type[Any]) -> dict[str, tuple[Setting, Field[Any]]]:
    """The settings of a dataclass by their keys."""
    return {f.name: (f.metadata["setting"], f) for f in fields(kind) if "setting" in f.metadata}


def meanings(kind: type[Any]) -> dict[str, str]:
    """What each setting decides, by its key."""
    return {name: said.about for name, (said, _) in declared(kind).items()}


def read_settings(kind: type[T], raw: Mapping[str, Any], where: str, *, also: Iterable[str] = (), **made: Any) -> T:
    """One table of a TOML as the dataclass that declares it.

    - `where`: What a message begins with: `[rules]`.
    - `also`: Keys that are known besides, which the caller reads.
    - `made`: Values that the caller has read.

    Raises ConfigError if a key is not known or a value is none that it may have.
    """
    settings = declared(kind)
    known([*raw], [*settings, *also], where)
    types = get_type_hints(kind)
    told = {
        name: value_of(raw, name, types[name], said, where)
        for name, (said, _) in settings.items()
        if name in raw and name not in made
    }
    return kind(**told, **made)


def value_of(raw: Mapping[str, Any], key: str, kind: Any, said: Setting, where: str) -> Any:
    """The value of a key that is there."""
    value = _typed(raw, key, without_none(kind), said, where)
    place = f"{where} {key}"
    if said.bounds is not None and not said.bounds.hold(value):
        raise ConfigError(f"{place} must {'be' if said.bounds.high is None else 'lie'} {said.bounds}" + (
            f", e.g. {said.example}." if said.example else "."))  # fmt: skip
    return said.check(value, place) if said.check is not None else value


def _typed(raw: Mapping[str, Any], key: str, kind: Any, said: Setting, where: str) -> Any:
    place = f"{where} {key}"
    if kind is bool:
        return flag(raw, key, where)
    if kind in (int, float):
        return number(raw, key, where, whole=kind is int, low=0)
    if kind is dt.date:
        return _date(raw[key], place)
    if kind is str:
        value = raw[key]
        text = str(value) if said.words and type(value) is int else text_map({key: value}, where)[key]
        return one_of(text, said.words, place) if said.words else text
    if kind == tuple[str, ...]:
        listed = text_list(raw, key, where, example=said.example or next(iter(said.words), "..."))
        return tuple(one_of(word, said.words, place) for word in listed) if said.words else listed
    if kind == dict[str, str]:
        found = text_map(section(raw, key, where), place)
        return {k: one_of(v, said.words, f'{place} "{k}"') for k, v in found.items()} if said.words else found
    if kind == dict[str, dict[str, str]]:
        maps = {k: (text_map(of, at), at) for k, of in section(raw, key, where).items() for at in [f'{place}."{k}"']}
        return {
            k.strip(): {t: one_of(v, said.words, at) if said.words else v for t, v in of.items()}
            for k, (of, at) in maps.items()
        }
    if said.check is not None:
        return raw[key]
    raise TypeError(f"{place}: no way to read {kind}")


def without_none(kind: Any) -> Any:
    """`int` of `int | None`."""
    return next(k for k in get_args(kind) if k is not type(None)) if isinstance(kind, UnionType) else kind


def _date(value: Any, place: str) -> dt.date:
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value
    try:
        return dt.date.fromisoformat(value)
    except (TypeError, ValueError) as error:
        raise ConfigError(f"{place} must be a date, e.g. 2025-12-31.") from error


def number(raw: Mapping[str, Any], key: str, where: str, *, whole: bool, low: float) -> float:
    """A number of at least `low` and at most `LARGEST`."""
    value = raw[key]
    is_number = isinstance(value, int) or (isinstance(value, float) and not whole)
    if isinstance(value, bool) or not is_number or not low <= value < float("inf"):
        raise ConfigError(f"{where} {key} must be a {'whole number' if whole else 'number'} of {low:g} or more.")
    if value > (high := next((most for ending, most in LARGEST.items() if key.endswith(ending)), LARGEST[""])):
        raise ConfigError(f"{where} {key} must not be above {high:,}.")
    return int(value) if whole else float(value)


def flag(raw: Mapping[str, Any], key: str, where: str) -> bool:
    """Yes or no; no where it is not told."""
    if not isinstance(value := raw.get(key, False), bool):
        raise ConfigError(f"{where} {key} must be true or false, without quotation marks.")
    return value


def section(raw: Mapping[str, Any], key: str, where: str = "") -> dict[str, Any]:
    """A table within a table; empty where it is not there."""
    value = raw.get(key, {})
    if not isinstance(value, dict):
        raise ConfigError(f"{where} {key} must be a table of its own.".strip())
    return value


def text_list(raw: Mapping[str, Any], key: str, where: str, *, example: str) -> tuple[str, ...]:
    """Texts, none of them empty; one text alone stands for a list of one."""
    value = raw.get(key, [])
    value = [value] if isinstance(value, str) else value
    if not isinstance(value, list) or not all(isinstance(item, str) and item for item in value):
        raise ConfigError(f'{where} {key} must be a list of texts, e.g. ["{example}"].')
    return tuple(value)


def text_map(raw: Any, where: str) -> dict[str, str]:
    """Text values; true and false are taken as the words."""
    if not isinstance(raw, dict):
        raise ConfigError(f"{where} must map names to texts.")
    found = {k: str(v).lower() if isinstance(v, bool) else v for k, v in raw.items()}
    for key, value in found.items():
        if not isinstance(value, str):
            raise ConfigError(f"{where} {key} must be a text in quotation marks.")
    return found


def one_of(value: str, words: Iterable[str], where: str) -> str:
    """The value, if it is one of the words."""
    if value not in (listed := list(words)):
        raise ConfigError(f'{where} = "{value}" is none of {", ".join(listed)}.{near(value, listed)}')
    return value


def known(given: Iterable[str], words: Iterable[str], where: str) -> None:
    """Refuse keys that are none of the words."""
    words = list(words)
    for key in given:
        if key not in words:
            listed = f" Known: {', '.join(words)}."
            raise ConfigError(f'"{key}" is not known in {where}.{near(key, words) or listed}')


def near(word: str, words: Iterable[str]) -> str:
    """` Did you mean "...?"`, or nothing where none is near."""
    found = difflib.get_close_matches(word, list(words), n=1, cutoff=0.5)
    return f' Did you mean "{found[0]}"?' if found else ""
