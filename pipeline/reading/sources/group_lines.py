"""Lines that say whose or of which day the rows below them are: `Patient: 1042 Smith`, as a template reads them.

A template is the line with the name of a field in braces where its value stands: `Patient: {patient_id} {*}`. `{*}` is
anything, also nothing. A value is one word, but for dates and names; `{patient_id:words}` may have several.
Case and the number of blanks do not matter; cells of one row are joined by a blank. A template
without words, `{patient_id} {*}`, is of lines that begin with a number: its first field then holds a digit;
`{service_date}` alone is of lines that are a day and nothing else.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.machine.errors import ConfigError

# A value is one word, but for dates and names of people.
_SEVERAL_WORDS = ("service_date", "exam_date", "event_date", "prep_date", "seat_date", "provider_id", "site_id")
_PLACE = re.compile(r"\{(\*|\w+(?:: ?words)?)\}")
_LEAST_LETTERS = 2
# A line that is a day and nothing else, with the day of the week or without.
_DAY = (
    r"\d{1,4}[-/.] ?\d{1,2}[-/.] ?\d{2,4}|"
    r"\d{1,2}(?:\.|º|er|st|nd|rd|th)?[\s-]+(?:de |of )?\p{L}{3,}\.?,?[\s-]+(?:del? )?\d{4}|"
    r"\p{L}{3,}\.? \d{1,2}(?:st|nd|rd|th)?,? \d{4}"
)
DAY_LINE = rf"(?i)^\W*((?:\p{{L}}[\p{{L}}-]*\.?,? +)?(?:{_DAY}))\W*$"
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
    """The templates of `group_lines`, or of another key. Raises ConfigError if one names no field, or one that is none
    of `known`, twice the same, or says nothing but fields."""
    return tuple(
        _template(text, known, where=f'{where} {key} "{text}"', of_name=key in ("sheet_name", "file_name"))
        for text in told
    )


def _template(text: str, known: Sequence[str], *, where: str, of_name: bool) -> Template:
    told = [name for name in _PLACE.findall(text) if name != "*"]
    fields = [_bare(name) for name in told]
    if strange := [name for name in fields if name not in known]:
        raise ConfigError(f'{where}: "{strange[0]}" is no field of this table. Fields: {", ".join(known)}.')
    if not fields or len(set(fields)) < len(fields):
        raise ConfigError(f'{where} must name a field in braces, each once, e.g. "Patient: {{patient_id}} {{*}}".')
    literal = re.split(_PLACE, text)[0::2]
    if text.strip() == "{service_date}" and not of_name:
        return Template(("service_date",), DAY_LINE, "")
    bare = sum(c.isalpha() for part in literal for c in part) < _LEAST_LETTERS
    if bare and of_name and text.strip() == f"{{{told[0]}}}" and _is_long(told[0]):
        return Template(tuple(fields), r"^\s*(\S.*?)\s*$", "")
    if bare and (not text.strip().startswith(f"{{{told[0]}}}") or _is_long(told[0])):
        raise ConfigError(
            f'{where} must have the words that such a line begins with, e.g. "Patient: {{patient_id}}", or begin with '
            'the number itself, e.g. "{patient_id} {*}".'
        )
    pieces = re.split(r"(\{(?:\*|\w+(?:: ?words)?)\})", text.strip())
    pattern = "".join(_piece(piece) for piece in pieces)
    if bare:
        return Template(tuple(fields), _numbered(pattern), "")
    start = re.sub(r"[\W_]+$", "", literal[0].strip())
    begins = rf"(?i)^\W*{_words(start)}(?:\W|$)" if len(start) >= _LEAST_LETTERS else ""
    return Template(tuple(fields), rf"(?i)^\W*?{pattern}\s*$", begins)


def _bare(name: str) -> str:
    return name.partition(":")[0]


def _is_long(name: str) -> bool:
    """Whether a value may have several words."""
    return ":" in name or name in _SEVERAL_WORDS


def _numbered(pattern: str) -> str:
    """The pattern of a line whose first value holds a digit; the engine of these patterns cannot look ahead."""
    return rf"^\s*{pattern.replace(_VALUE, _NUMBER, 1)}\s*$"


def _piece(piece: str) -> str:
    if piece == "{*}":
        return r"(?:.*?)"
    if found := _PLACE.fullmatch(piece):
        return r"\s*(\S.*?)" if _is_long(found[1]) else _VALUE
    return _words(piece)


def _words(text: str) -> str:
    """A pattern for words, with any blanks where the text has some."""
    parts = [re.escape(part) for part in text.split()]
    joined = r"\s+".join(parts)
    before = r"\s*" if text[:1].isspace() else ""
    return before + joined + (r"\s*" if text[-1:].isspace() and parts else "")
