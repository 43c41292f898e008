"""What a practice's own code or description is likely to stand for, from words of the trade; else nothing.

A text is likely only where all the words in it that we know say one and the same event, and none says that the work was
not done. Words beside that of the work turn it into another (a crown for the time being, taken off, put back) or make
it a question; of work that figures hang on, so does every word that we do not know. English, German, French, Spanish,
Italian, Portuguese, Dutch, Swedish, Norwegian, Danish, Polish, Czech, Turkish, Greek, Hungarian, Finnish; from memory:
common practice, no source.
"""

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.codes import ASK, BUILT_IN, TOOTH_LEVEL, TOOTH_OPTIONAL, built_in, normalise_code
from pipeline.practice.counts import count
from pipeline.reading.suggest.profile import Column, FileProfile

# In the order of `pipeline/data/code_words.csv`: a longer expression takes its words from the ones after it, so that
# crown lengthening is no crown.
_LONG: tuple[tuple[str, str], ...] = tuple((row["event"], row["words"]) for row in data_rows("code_words"))
# Work of which another visit is the end: what the last visit is.
ENDS = {"restorative_other": "crown_placement", "endo_initial_stage": "endo_initial"}
# What words beside make of work; an event may be such a word too. Beside any other word of them it is asked.
_TURNS: dict[str, dict[str, tuple[str, ...]]] = {}
for _row in data_rows("code_turns"):
    _TURNS.setdefault(_row["event"], {})[_row["beside"]] = tuple(_row["becomes"].split("|"))
NOT_DONE = frozenset({"planned", "not done"})
# Figures hang on these: a word beside them that we do not know may make them another thing.
_MATTER = frozenset({"crown_placement", "endo_initial", "endo_retreatment", "extraction"})
_PLAIN = "plain"
# Materials and words for the time being are written in one with the crown, and so is what becomes of a crown.
_CROWN_LAST = re.compile(r"\b(?!teil|del|deel|dreiviertel|nood)(\w{3,})(kronen?|krona|kronor|kroner|kroon)\b")
_CROWN_FIRST = re.compile(r"\b(kronen|kroon|kron[ae]?)(?=(?!en\b|or\b|er\b)\w{4,})")
# A short code is a stem with at most two letters and a digit behind it.
_STEMS = {row["event"]: row["stems"] for row in data_rows("code_stems")}
_SHORT_CODE = re.compile(r"^[a-z]{2,8}\d{0,2}$")
_LETTERS = str.maketrans({"ß": "ss", "ł": "l", "ø": "o", "æ": "ae", "œ": "oe", "ı": "i", "đ": "d", "ς": "σ"})


@dataclass(frozen=True)
class Meaning:
    """The events that a text may stand for: one, several (asked), or none; and what words beside the work say of it."""

    events: tuple[str, ...]
    beside: tuple[str, ...] = ()


def likely_events(text: str) -> tuple[str, ...]:
    """The events that a code or description may stand for: one, several that contradict each other, or none."""
    return meaning(text).events


@cache
def meaning(text: str, words: str = "") -> Meaning:
    """What a code or description, and the words of another column beside it, may stand for."""
    parts = [_parts(plain) for plain in map(_plain, (text, words)) if plain]
    events = tuple(dict.fromkeys(event for part in parts for event in part[0]))
    beside = tuple(dict.fromkeys(says for part in parts for says in part[1]))
    if not NOT_DONE.isdisjoint(beside):
        return Meaning((), tuple(says for says in beside if says in NOT_DONE))
    is_known = all(re.fullmatch(_plain_words(), word) for found, _, left in parts if found for word in left.split())
    of = [_turned(event, {*beside, *events} - {event}, is_known=is_known) for event in events]
    return Meaning(tuple(dict.fromkeys(e for each in of for e in each)), beside)


def _parts(plain: str) -> tuple[list[str], list[str], str]:
    """The events that a text names, what words beside them say, and what is left of it."""
    first, words = _LONG[0]
    if re.fullmatch(words, plain):
        return [first], [], ""
    events, left = _taken(_LONG, plain)
    says, left = _taken(_qualifiers(), left)
    if not events and _SHORT_CODE.match(plain):
        events, left = _by_stem(plain), ""
    return events, says, left


def _turned(event: str, beside: set[str], *, is_known: bool) -> tuple[str, ...]:
    """What an event is beside these words and events; itself and `other` where that must be asked."""
    turns = _TURNS.get(event, {})
    turned = [e for word in sorted(beside) for e in turns.get(word, ())]
    if event not in _MATTER:
        return tuple(turned) or (event,)
    words = beside - turns.keys() - {e for e, _ in _LONG}
    asked = ("other",) if words or not is_known else ()
    return (*(turned or (event,)), *asked)


@cache
def _qualifiers() -> tuple[tuple[str, str], ...]:
    """Words beside that of the work, by what they say, in the order of `pipeline/data/code_qualifiers.csv`."""
    words: dict[str, list[str]] = {}
    for row in data_rows("code_qualifiers"):
        words.setdefault(row["says"], []).append(row["words"])
    return tuple((says, "|".join(of)) for says, of in words.items() if says != _PLAIN)


@cache
def _plain_words() -> re.Pattern[str]:
    """Words that leave work what it is: materials, kinds of teeth, numbers, articles."""
    return re.compile("|".join(row["words"] for row in data_rows("code_qualifiers") if row["says"] == _PLAIN))


def _taken(rows: Sequence[tuple[str, str]], text: str) -> tuple[list[str], str]:
    """The events whose words a text has, and what is left of it."""
    found = []
    for event, pattern in rows:
        cut = re.sub(rf"\b(?:{pattern})\b", " ", text)
        if cut != text:
            found.append(event)
            text = " ".join(cut.split())
    return found, text


def _by_stem(code: str) -> list[str]:
    bare = code.rstrip("0123456789")
    fits = [
        (len(stem), event)
        for event, stems in _STEMS.items()
        for stem in stems.split()
        if bare.startswith(stem) and len(bare) - len(stem) <= 2 and len(stem) >= 2
    ]
    longest = max((n for n, _ in fits), default=0)
    # A stem of two letters stands for itself alone: BUS is no build-up.
    return [event for n, event in fits if n == longest and (n > 2 or bare == bare[:n])]


def _plain(text: str) -> str:
    """Small letters without accents and signs, words with single blanks between."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    low = unicodedata.normalize("NFKD", spaced.lower().translate(_LETTERS))
    bare = "".join(c for c in low if not unicodedata.combining(c)).translate(_LETTERS)
    words = " ".join(re.sub(r"[^\w&?]+|_", " ", bare).split())
    return _CROWN_FIRST.sub(r"\1 ", _CROWN_LAST.sub(r"\1 \2", words))


_KNOWN = 0.4  # share of the codes that a list must know to be held against words
_LEAST, _SHARE = 3, 0.5
_OWN_TEXTS, _FILLED = 0.7, 0.8
_MOST_TEXTS = 2_000
_ONE_TEXT = 0.8  # share of a code's rows beside which its commonest text stands
_IN_LIST = 0.8  # share of the codes that stand in a list of them
# Work that lists and offices call by near names is one kind here: only another kind of work contradicts.
_KINDS = {
    "crown": ("crown", "bridge", "coping", "restorative_other"),
    "root": ("endo", "pulp", "vital_pulp", "primary_tooth_endo", "perforation", "apexification", "apical"),
    "extraction": ("extraction", "coronectomy", "root_loss", "replantation"),
    "filling": ("direct_restoration", "interim_filling", "inlay", "onlay", "veneer", "core", "post", "stabilisation"),
}

_KINDS_THAT_MATTER = frozenset({"crown", "root", "extraction"})


def told_otherwise(pairs: pl.DataFrame) -> str | None:
    """Of `code, text, rows`, the sentence that the words beside most codes contradict the list that knows them."""
    if pairs.is_empty():
        return None
    usual = _usual(pairs)
    if usual["text"].n_unique() < _OWN_TEXTS * usual.height:  # groups of work, which are wider than codes
        return None
    for system in BUILT_IN:
        events = dict(built_in(system).select("code", "event").iter_rows())
        plain = usual.with_columns(normalise_code(pl.col("code"), system=system))
        told = [
            (_kind(events[code]) in map(_kind, said), rows)
            for code, text, rows in plain.select("code", "text", "rows").iter_rows()
            if events.get(code, "other") != "other" and (said := likely_events(text))
        ]
        known = sum(code in events for code in plain["code"])
        against = [rows for agrees, rows in told if not agrees]
        most = len(against) >= _SHARE * len(told) or sum(against) >= _SHARE * sum(rows for _, rows in told)
        if known >= _KNOWN * usual.height and len(against) >= _LEAST and most:
            few = f"{len(against)} of {len(told)}"
            return f"the words beside {few} codes name other work than the list {system} has for them"
    return None


def otherwise_beside(codes: pl.Series, others: Iterable[pl.Series]) -> str | None:
    """What the first of some columns of words says against the list that knows the codes of a column."""
    filled = (texts for texts in others if texts.null_count() <= (1 - _FILLED) * texts.len())
    frames = (pl.DataFrame({"code": codes, "text": texts}) for texts in filled)
    counted = (frame.drop_nulls().group_by("code", "text").len("rows") for frame in frames)
    return next((told for of in counted if (told := told_otherwise(of))), None)


def told_beside(code: Column, system: str, files: Sequence[FileProfile], *, rows: int) -> dict[str, tuple[str, str]]:
    """Codes of which the words beside them, in the ledger or in a list of the codes (`files`: it and those that no
    table reads), say what a built-in list does not: each with the event and why, or with `ASK` where they contradict
    the list or leave a choice. Only work that a figure hangs on is told."""
    events = dict(built_in(system).select("code", "event").iter_rows())
    found: dict[str, tuple[str, str]] = {}
    told = pl.DataFrame({"code": code.texts, "n": 1}).drop_nulls().group_by("code").agg(pl.col("n").sum())
    of_code = told.with_columns(normalise_code(pl.col("code"), system=system)).group_by("code").agg(pl.col("n").sum())
    counts = dict(of_code.iter_rows())
    for pairs in _pairs(code, files, rows=rows):
        usual = _usual(pairs.with_columns(normalise_code(pl.col("code"), system=system)))
        mostly = usual.filter(pl.col("rows") >= _ONE_TEXT * pl.col("of"))
        for own, text, n in mostly.select("code", "text", "rows").rows():
            likely = likely_events(text)
            kinds = {_kind(event) for event in likely}
            own_kind = _kind(events.get(own, "other"))
            if own in found or not likely or own_kind in kinds or not {own_kind, _kind(likely[0])} & _KINDS_THAT_MATTER:
                continue
            seen = count(counts.get(own, n), "row")
            if own in events and events[own] != "other":
                why = f"the list {system} has {events[own]} for it; the words beside it say {' or '.join(likely)}"
                found[own] = ASK, f"{why}: {seen}"
            elif len(likely) == 1:
                found[own] = likely[0], f"likely, by the words beside it: the list {system} does not know it; {seen}"
            else:
                found[own] = ASK, f"{' or '.join(likely)}? The list {system} does not know it; {seen}"
    return found


def _pairs(code: Column, files: Sequence[FileProfile], *, rows: int) -> Iterator[pl.DataFrame]:
    """`code, text, rows, of`: of each column of words beside the codes, and of lists that hold each code once."""
    ledger, *lists = files
    codes = code.texts.drop_nulls().unique()
    for file, key in [(ledger, code), *((of, c) for of in lists for c in of.columns)]:
        if file is not ledger and (
            key.distinct < key.n or key.n >= rows or codes.is_in(key.texts.implode()).mean() < _IN_LIST  # type: ignore[operator]
        ):
            continue
        for column in file.columns:
            if column is key or column.filled < _FILLED or column.matches(r"\p{L}{3}") < _FILLED:
                continue
            both = pl.DataFrame({"code": key.texts, "text": column.texts}).drop_nulls()
            if file is ledger and column.distinct > _MOST_TEXTS:
                continue
            yield both.group_by("code", "text").len("rows").with_columns(of=pl.col("rows").sum().over("code"))


def _usual(pairs: pl.DataFrame) -> pl.DataFrame:
    """`code, text, rows`: each code once, with the commonest text beside it and its rows."""
    worded = pairs.filter(pl.col("text").cast(pl.String).str.contains(r"\p{L}{3}"))
    of = worded.sort("rows", "text", descending=[True, False])
    return of.group_by("code", maintain_order=True).first().head(_MOST_TEXTS)


def _kind(event: str) -> str:
    if event not in TOOTH_LEVEL | TOOTH_OPTIONAL:
        return "none"
    return next((kind for kind, starts in _KINDS.items() if event.startswith(tuple(starts))), event)
