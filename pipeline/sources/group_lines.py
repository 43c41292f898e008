"""Lines that say whose or of which day the rows below them are: `Patient: 1042 Smith`, as a template reads them.

A template is the line with the name of a field in braces where its value stands: `Patient: {patient_id} {*}`. `{*}` is
anything, also nothing. Case and the number of blanks do not matter; cells of one row are joined by a blank. A template
without words, `{patient_id} {*}`, is of lines that begin with a number: its first field then holds a digit.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.errors import ConfigError

# A value is one word, but for dates and names of people.
_SEVERAL_WORDS = ("service_date", "exam_date", "event_date", "prep_date", "seat_date", "provider_id", "site_id")
_PLACE = re.compile(r"\{(\*|\w+)\}")
_LEAST_LETTERS = 2
_VALUE = r"\s*([^\s,;|]+)[,;|]?"
_NUMBER = r"\s*([^\s,;|]*\d[^\s,;|]*)[,;|]?"


@dataclass(frozen=True)
class Template:
    """`fields` in the order written; `pattern` matches a line and has a group each; `start` is how such lines begin."""

    fields: tuple[str, ...]
    pattern: str
    start: str

    def matches(self, lines: pl.Expr) -> pl.Expr:
        """Whether lines are of this form."""
        return lines.str.contains(self.pattern)

    def resembles(self, lines: pl.Expr) -> pl.Expr:
        """Whether lines begin as those of this form do."""
        return lines.str.contains(self.start) if self.start else pl.lit(False)

    def value(self, lines: pl.Expr, field: str) -> pl.Expr:
        """What the lines say of a field."""
        return lines.str.extract(self.pattern, self.fields.index(field) + 1).str.strip_chars()


def read_templates(
    told: Sequence[str], known: Sequence[str], *, where: str, key: str = "group_lines"
) -> tuple[Template, ...]:
    """The templates of `group_lines`, or of another key.

    Raises
    ------
    ConfigError
        If one names no field, or one that is none of `known`, twice the same, or says nothing but fields.
    """
    return tuple(_template(text, known, where=f'{where} {key} "{text}"') for text in told)


def _template(text: str, known: Sequence[str], *, where: str) -> Template:
    fields = [name for name in _PLACE.findall(text) if name != "*"]
    if strange := [name for name in fields if name not in known]:
        raise ConfigError(f'{where}: "{strange[0]}" is no field of this table. Fields: {", ".join(known)}.')
    if not fields or len(set(fields)) < len(fields):
        raise ConfigError(f'{where} must name a field in braces, each once, e.g. "Patient: {{patient_id}} {{*}}".')
    literal = re.split(_PLACE, text)[0::2]
    bare = sum(c.isalpha() for part in literal for c in part) < _LEAST_LETTERS
    if bare and (not text.strip().startswith(f"{{{fields[0]}}}") or fields[0] in _SEVERAL_WORDS):
        raise ConfigError(
            f'{where} must have the words that such a line begins with, e.g. "Patient: {{patient_id}}", or begin with '
            'the number itself, e.g. "{patient_id} {*}".'
        )
    pieces = re.split(r"(\{(?:\*|\w+)\})", text.strip())
    pattern = "".join(_piece(piece) for piece in pieces)
    if bare:
        return Template(tuple(fields), _numbered(pattern), "")
    start = re.sub(r"[\W_]+$", "", literal[0].strip())
    begins = rf"(?i)^\W*{_words(start)}(?:\W|$)" if len(start) >= _LEAST_LETTERS else ""
    return Template(tuple(fields), rf"(?i)^\W*?{pattern}\s*$", begins)


def _numbered(pattern: str) -> str:
    """The pattern of a line whose first value holds a digit; the engine of these patterns cannot look ahead."""
    return rf"^\s*{pattern.replace(_VALUE, _NUMBER, 1)}\s*$"


def _piece(piece: str) -> str:
    if piece == "{*}":
        return r"(?:.*?)"
    if found := _PLACE.fullmatch(piece):
        return r"\s*(\S.*?)" if found[1] in _SEVERAL_WORDS else _VALUE
    return _words(piece)


def _words(text: str) -> str:
    """A pattern for words, with any blanks where the text has some."""
    parts = [re.escape(part) for part in text.split()]
    joined = r"\s+".join(parts)
    before = r"\s*" if text[:1].isspace() else ""
    return before + joined + (r"\s*" if text[-1:].isspace() and parts else "")
