"""Questions that a PRACTICE.toml still asks: every key whose value is "ask"."""

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from pipeline.machine.errors import ConfigError
from pipeline.practice.counts import count

ASK = "ask"
_QUOTED = re.compile(r"\"ask\"|'ask'")
_BARE = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True)
class OpenQuestion:
    """One question: the key that asks it, its line from 1, and the comment on that line or right above it."""

    key: str
    line: int
    question: str


def open_questions(text: str) -> list[OpenQuestion]:
    """The open questions of a TOML text in the order of their lines; "ask" in a comment or a longer text is none.
    Raises tomllib.TOMLDecodeError if the text is no TOML."""
    mark = "ask#"
    while mark in text:
        mark += "#"
    lines: list[int] = []

    def numbered(found: re.Match[str]) -> str:
        lines.append(text.count("\n", 0, found.start()) + 1)
        quote = found.group()[0]  # the text around may be a longer one in the other quotation marks
        return f"{quote}{mark}{len(lines) - 1}{quote}"

    tomllib.loads(text)  # a fault is reported on the text as it is
    parsed = tomllib.loads(_QUOTED.sub(numbered, text))
    written = text.split("\n")
    found = []
    for key, value in _texts(parsed, (), mark):
        number = value.removeprefix(mark)
        if number != value and number.isdigit():
            line = lines[int(number)]
            found.append(OpenQuestion(key, line, _comment(written, line)))
    return sorted(found, key=lambda q: q.line)


def refuse_open_questions(text: str, *, file: str) -> None:
    """Refuse a PRACTICE.toml that still asks something. Raises ConfigError, naming each open question with its line and
    what to choose from."""
    if not (asked := open_questions(text)):
        return
    lines = [f"  line {q.line}: {q.key}{': ' if q.question else ''}{q.question}" for q in asked]
    raise ConfigError(
        f'{file}: {count(len(asked), "question", "is")} still open. Put the answer in place of "ask", then run again.\n'
        + "\n".join(lines)
    )


def _texts(value: Any, path: tuple[str, ...], mark: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, str):
        yield ".".join(part if _BARE.fullmatch(part) else f'"{part}"' for part in path), value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _texts(inner, (*path, ASK if key.startswith(mark) else key), mark)
    elif isinstance(value, list):
        for inner in value:
            yield from _texts(inner, path, mark)


def _comment(lines: list[str], number: int) -> str:
    """The comment behind the value on its line, else the block of comments right above it."""
    line = lines[number - 1]
    if behind := re.search(r"(?:\"ask\"|'ask')[\s,}\]]*#\s*(.*?)\s*$", line):
        return behind.group(1)
    above: list[str] = []
    for text in reversed(lines[: number - 1]):
        if not text.lstrip().startswith("#"):
            break
        above.append(text.strip().lstrip("#").strip())
    return " ".join(reversed(above))
