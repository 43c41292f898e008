"""Procedure codes as cells hold them: alone, with words, with their zeros lost, or several in one cell.

The forms and their order are those of `pipeline.transforms.cell_forms`. A code as it is written always comes first, so
a practice's own code `120` stays `120`.
"""

import re
from collections.abc import Set as AbstractSet

import polars as pl

from pipeline.practice.codes import normal_code
from pipeline.transforms.cell_forms import forms_of

UNCLEAR = "unclear"
CODE_SCHEMA: dict[str, pl.DataType] = {
    "value": pl.String(),
    "form": pl.String(),
    "fault": pl.String(),
    "all_codes": pl.List(pl.String()),
}
_LONGEST = 400
_CDT = re.compile(r"(?<![A-Za-z0-9])D\d{4}(?![A-Za-z0-9])", re.IGNORECASE)
_WORDS_AFTER = re.compile(r"^(\S+?)(?:\s*[-–—:|=]\s*|\s+)([(\[]?[^\W\d_].*)$", re.DOTALL)
_WORDS_BEFORE = re.compile(r"^[^\W\d_][^()\[\]]*[(\[]\s*(\S+)\s*[)\]]$")
_BETWEEN_PARTS = re.compile(r"\s*[;\n|]+\s*")
_BETWEEN_PHRASES = re.compile(r"\s*[;\n|,]+\s*")
_BETWEEN_CODES = re.compile(r"[\s,;/&+|]+|\s+(?:and|und|et|y)\s+", re.IGNORECASE)
_THOUSANDS = re.compile(r"^\d{1,3}(?:,\d{3})+$")
# Words that say that the work of the code beside them was not done, or is taken back; from memory.
_DENIES = re.compile(
    r"(?i)\b(?:void\w*|cancel\w*|delete\w*|revers\w*|refund\w*|adjust\w*|adj|planned|proposed|estimate\w*|est|"
    r"tx ?plan|treatment plan|not (?:done|completed|started)|denied|declined|refused|rejected|existing|"
    r"storn\w*|geplant|abgelehnt|annul\w*|anul\w*|prévu|gepland)\b"
)

Read = tuple[str | None, str | None, str | None, list[str] | None]


def read_codes(texts: pl.Series, *, known: AbstractSet[str], system: str) -> pl.DataFrame:
    """Read cells of codes; one row per text, in order, with `CODE_SCHEMA`.

    `value` is the code in normal form: one of the list `known`, or the text as it is where no form fits. `form` names
    the form by which it was read, null where it was read as written. A cell of several codes has them in `all_codes`
    and no value. `fault` is `unclear` where a cell names a code and denies it, or several codes among other words.
    """
    rows = [(None, None, None, None) if text is None else _read(text, known, system=system) for text in texts]
    return pl.DataFrame(rows, schema=CODE_SCHEMA, orient="row")


def is_denied(text: str) -> bool:
    """Whether words beside a code deny its work: such a cell is not read, and its row is set aside."""
    return _DENIES.search(text) is not None


def _read(text: str, known: AbstractSet[str], system: str) -> Read:
    bare, code = text.strip(), normal_code(text, system=system)
    if code in known or len(bare) > _LONGEST:
        return code, None, None, None
    if found := _alone(bare, known, system=system):
        return found[0], found[1], None, None
    if several := _several(bare, known, system=system):
        return None, "several", None, several
    named = _named(bare, known, system=system)
    if not named or named == [code]:
        return code, None, None, None
    if len(named) > 1 or _DENIES.search(bare):
        return None, None, UNCLEAR, None
    return named[0], "words", None, None


def _alone(text: str, known: AbstractSet[str], system: str) -> tuple[str, str | None] | None:
    """A single code and its form; None if the text is none that the list knows."""
    if (code := normal_code(text, system=system)) in known:
        return code, None
    if system == "cdt":
        for form in forms_of("code"):
            changed = re.sub(form.pattern, form.becomes.replace("${1}", r"\1"), text)
            if changed != text and (code := normal_code(changed, system=system)) in known:
                return code, form.name
    if (found := re.fullmatch(r"(D?)(\d{1,3})", text, re.IGNORECASE)) is not None:
        letter = "D" if system == "cdt" else found[1].upper()
        longest = 4 if letter else 5
        padded = {letter + found[2].zfill(n) for n in range(len(found[2]) + 1, longest + 1)} & known
        if len(padded) == 1:
            return padded.pop(), "lost_zero"
    return None


def _several(text: str, known: AbstractSet[str], system: str) -> list[str] | None:
    """The codes of a cell that holds nothing else, or each with its words; None if it is no such cell."""
    if _THOUSANDS.match(text) or _DENIES.search(text):
        return None
    for cut, read in _CUTS:
        parts = [part for part in cut.split(text) if part and part.strip()]
        if len(parts) > 1 and all(found := [read(part.strip(), known, system) for part in parts]):
            return [one[0] for one in found if one is not None]
    return None


def _with_words(text: str, known: AbstractSet[str], system: str) -> tuple[str, str | None] | None:
    if found := _alone(text, known, system=system):
        return found
    named = _named(text, known, system=system)
    return (named[0], "words") if len(named) == 1 else None


def _named(text: str, known: AbstractSet[str], system: str) -> list[str]:
    """The different codes that a text with words names."""
    if system == "cdt" and (found := _CDT.findall(text)):
        return list(dict.fromkeys(code.upper() for code in found))
    if (before := _WORDS_BEFORE.match(text)) and (only := _alone(before[1], known, system=system)):
        return [only[0]]
    if (after := _WORDS_AFTER.match(text)) is None or not re.search(r"\d", after[1]):
        return []
    if (first := _alone(after[1], known, system=system)) is None:
        return []
    others = (normal_code(word, system=system) for word in re.findall(r"\w*\d\w*", after[2]) if len(word) > 1)
    return list(dict.fromkeys([first[0], *(code for code in others if code in known)]))


_CUTS = ((_BETWEEN_CODES, _alone), (_BETWEEN_PARTS, _with_words), (_BETWEEN_PHRASES, _with_words))
