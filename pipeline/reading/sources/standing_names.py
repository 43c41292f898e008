"""What the name of a sheet, table, file or folder, or a line above rows, says of them: planned, existing, void, done.

A name is looked at word by word, in seven languages (`treatmentPlan_2019.csv`, `gelöschte Leistungen`). Words that mean
other things beside other words (a plan of an insurance, existing patients) speak only where the whole name is of the
words known here. From memory: common practice, no source.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import polars as pl

from pipeline.practice.tables import REVERSAL, STATUSES
from pipeline.reading.headings import plain_heading, word_list, word_pattern
from pipeline.reading.sources.text_notes import TOTAL_LINE

COMPLETED, PLANNED, EXISTING, VOID = STATUSES
_LONGEST_NAME, _MOST_WORDS = 120, 8

# Of each word its inflected forms too; the first that fits is taken, so several words stand before one of them.
_STRONG = {word: word_pattern(f"{word} in names") for word in (PLANNED, EXISTING, VOID, REVERSAL, COMPLETED)}
_WEAK = {word: word_pattern(f"{word} in names of known words") for word in (PLANNED, EXISTING, VOID, COMPLETED)}
_STRONG_FORMS, _WEAK_FORMS = (
    {word: re.compile(rf"\b(?:{form})\b") for word, form in forms.items()} for forms in (_STRONG, _WEAK)
)
# Nothing is said of the rows where one of these stands with it, but for what says so itself (`not completed`).
_NOT = re.compile(
    r"\b(?:not|non|no(?! \d)|nicht|ohne|without|exclud\w*|excl|except|hide|hidden|sans|sauf|hors|sin|sem|zonder|senza|"
    r"escl|undeleted|nondeleted|if|are|is|was|were|will|valid for|must|may|see|please|unless|until|patients? has)\b"
)
# What makes of a strong word something else: of whom, not of what.
_INNOCENT = re.compile(
    r"\b(?:existing|existente?s?|existant[es]*|bestehende?r?|bestaande|vorhandene?r?|esistenti) "
    r"(?:patients?|clients?|pts|patienten|pacientes|patienten|pazienti|customers?|members?|accounts?|users?)\b|"
    r"\b(?:cancell?ation|no ?show|void(?:ed)?) (?:fees?|checks?|cheques?|policy)\b|"
    r"\bscheduled (?:fees?|reports?|exports?|backups?|jobs?|tasks?)\b|"
    r"\b(?:fee|benefit|insurance|dental|health|payment|savings?|membership|care credit|floor|business|payer)s? "
    r"(?:treatment )?plans?\b|\bestimated? (?:insurance|payments?|portions?|times?|hours?|balances?)\b"
)
_NEUTRAL = word_list("plain words of names")


@dataclass(frozen=True)
class Named:
    """What a name says: `words`, in the order of `_STRONG`, none where it says nothing; `pattern` fits it and the
    like in `status_from`; `is_whole` where all its words are known."""

    words: tuple[str, ...] = ()
    pattern: str = ""
    is_whole: bool = False

    @property
    def word(self) -> str:
        """The one that matters: what is not done before what is."""
        return next((w for w in self.words if w != COMPLETED), COMPLETED)


@lru_cache(maxsize=4096)
def named(name: str) -> Named:
    """What the name of a sheet, table, file or folder says of the rows in it."""
    plain = plain_heading(name[:_LONGEST_NAME])
    planned = _STRONG_FORMS[PLANNED]
    rest = planned.sub(" ", plain)  # of `not completed` nothing is left that says completed
    found = {word for word, form in _STRONG_FORMS.items() if form.search(plain if word == PLANNED else rest)}
    for form in _STRONG_FORMS.values():
        rest = form.sub(" ", rest)
    if not (left := _unknown(rest, _WEAK_FORMS)):
        found |= {word for word, form in _WEAK_FORMS.items() if form.search(rest)}
    if not found or _NOT.search(rest) or _INNOCENT.search(plain):
        return Named()
    words = tuple(word for word in _STRONG if word in found)
    return Named(words, _pattern(name, words) if left else name.strip(), not left)


@lru_cache(maxsize=4096)
def titled(line: str) -> Named:
    """What a line above or between rows says of those below it. A sentence, a total, and a line that speaks of more
    than its rows say nothing."""
    bare = bare_title(line)
    plain = plain_heading(bare)
    if not bare or len(bare) > _LONGEST_NAME or len(plain.split()) > _MOST_WORDS or re.match(TOTAL_LINE, bare):
        return Named()
    found = named(bare)
    begins = any(form.match(plain) for form in _STRONG_FORMS.values())
    if not found.words or not (found.is_whole or begins):
        return Named()
    # A number in a title counts things, or is anyone's: the next one has another.
    return replace(found, pattern=_pattern(bare, found.words)) if re.search(r"\d", bare) else found


@lru_cache(maxsize=4096)
def told_name(forms: tuple[str, ...], told: tuple[str, ...], *, is_line: bool = False) -> str | None:
    """The first of some forms of a name that one of the patterns told fits, whatever its words are; else None. Patterns
    are those of `doubts.standing.matches`. A line is no name where it is long or a total, or where a known word only
    stands within it, as in a sentence."""
    for form in (f for f in forms if f):
        for pattern in (p for p in told if fits(form, p)):
            is_within = pattern.startswith("*") and pattern.endswith("*")
            if not is_line or "*" not in pattern or _is_short(form, known=is_within and bool(named(pattern).words)):
                return form
    return None


def fits(name: str, pattern: str) -> bool:
    """Whether a name is of a pattern that says something; see `doubts.standing.matches`."""
    plain, low = pattern.strip("*").lower(), name.strip().lower()
    if not plain:
        return False  # any text: it names nothing
    if pattern.startswith("*") and pattern.endswith("*"):
        return re.search(rf"(?<![^\W\d_]){re.escape(plain)}(?![^\W\d_])", low) is not None
    if pattern.endswith("*"):
        return low.startswith(plain)
    return low.endswith(plain) if pattern.startswith("*") else low == plain


def _is_short(line: str, *, known: bool) -> bool:
    if len(line) > _LONGEST_NAME or len(line.split()) > _MOST_WORDS or re.match(TOTAL_LINE, line):
        return False
    return not known or bool(titled(line).words)


def bare_title(line: str) -> str:
    """A line without the signs around its words, and without a count behind them."""
    bare = line.strip(" ,;|\t\"'*=-_#:.[]<>")
    return re.sub(r"\s*[(:]\s*\d+\s*\)?$", "", bare).strip()


def may_be_titles(lines: pl.Expr) -> pl.Expr:
    """Whether lines may be such titles: a quick look that leaves out nearly all that are none."""
    return (lines.str.len_chars() <= _LONGEST_NAME) & lines.str.contains(_STEMS)


def is_labelled(line: str) -> bool:
    """Whether a line says of what status the rows below it are, in whatever word: `Status: C`."""
    return _LABELLED.match(line) is not None


def are_titles(lines: pl.Series) -> pl.Series:
    """Which lines are such titles, or say of what status the rows below are."""
    maybe = lines.to_frame("line").select(may_be_titles(pl.col("line")).fill_null(False)).to_series()
    said = [
        is_maybe and (is_labelled(line) or bool(titled(line).words))
        for line, is_maybe in zip(lines, maybe, strict=True)
    ]
    return pl.Series(lines.name, said, dtype=pl.Boolean)


def _pattern(name: str, words: Sequence[str]) -> str:
    """The word itself, as it is written there, with anything around it: the rest may be anyone's name."""
    word = next((w for w in words if w != COMPLETED), words[0])
    pieces = list(re.finditer(r"[^\W\d_]+", name))
    for length in (3, 2, 1):
        for first, last in zip(pieces, pieces[length - 1 :], strict=False):
            written = name[first.start() : last.end()]
            if _STRONG_FORMS[word].fullmatch(plain_heading(written)):
                return f"*{written.lower()}*"
    return name.strip()


def _unknown(plain: str, forms: Mapping[str, re.Pattern[str]]) -> list[str]:
    for form in forms.values():
        plain = form.sub(" ", plain)
    return [
        w
        for w in plain.split()
        if w not in _NEUTRAL
        and not re.fullmatch(
            r"[a-z]?\d+[a-z]?|csv|txt|xlsx?|json|jsonl|ndjson|gz|zip|html?|xml|sql|db|parquet|tsv|psv|ods", w
        )
    ]


_LABEL = (
    r"(?:(?:treatment|tx|procedure|proc|row|line|entry)\s+)?(?:status|stand|zustand|statut|[eé]tat|estado|stato)\s*[:=]"
)
_LABELLED = re.compile(rf"(?i)^\W*{_LABEL}")
# Beginnings of the words above as they are written, accents included.
_STEMS = (
    r"(?i)plan|propos|recommend|schedul|upcoming|estimat|determin|authori|preauth|quot|complet|done|outstanding|"
    r"geplant|kosten|voranschl|vorgesehen|erledigt|erbracht|abgeschl|durchgef|pr[eé]vu|devis|faire|r[eé]alis|termin|"
    r"effectu|presupuest|propuest|previst|pendient|terminad|begro|offerte|doen|gedaan|uitgevoerd|voltooid|or[cç]ament|"
    r"pian|preventiv|exist|elsewhere|other|outside|previous|vorhanden|bestehend|alio|fremd|bestaand|elders|esist|"
    r"delet|void|cancel|eras|trash|bin|error|l[öo]e?sch|storn|papier|supprim|annul|corbeille|anulad|elimin|borrad|"
    r"papelera|verwijder|vervallen|gewist|prullen|exclu|apagad|cestino|revers|refund|credit|gutschrift|erstatt|avoir|"
    r"rembours|reembols|abono|terugbet|rimbors|finish|perform|hech|conclu|esegu|\btp\b|hkp|\bkva?\b|draft|"
    r"pending|\bopen|to ?do|offen|attesa|\be[xoc]\b|\bdel\b|removed|invalid|rejected|discard|history|walkout|fertig|"
    rf"\bfait|klaar|\bfeit|\bfatt|\bdel\b|{_LABEL}"
)
