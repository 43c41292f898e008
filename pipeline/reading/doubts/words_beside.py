"""Words beside crowns, root canals and extractions that say of them another thing than their code, in columns that
nothing reads: that they were not done, or were other work.

A program's own descriptions may be edited, and what was not done often stands in a note alone. Descriptions are read
as suggest reads those of a practice's own codes; of notes, which tell of much else, only plain words count
(`data/beside_words.csv`). All words are from memory: common practice, no source.
"""

import re
import unicodedata
from collections import Counter
from functools import cache

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.tables import STATUS_WORDS
from pipeline.reading.doubts.answers import Answers
from pipeline.reading.doubts.cells import OF, headings_of
from pipeline.reading.doubts.doubled_work import DoubledWork
from pipeline.reading.doubts.doubt import Doubt, ask, commonest, inline, of_ledger, status_from
from pipeline.reading.doubts.entry_kinds import described
from pipeline.reading.doubts.standing import matches
from pipeline.reading.doubts.work_seen import CROWN, KINDS, ROOT_CANAL, TAKEN
from pipeline.reading.sources.made_columns import words_beside_teeth
from pipeline.reading.suggest.code_words import NOT_DONE, meaning
from pipeline.reading.suggest.toml_quote import quoted

_LEAST, _MOST, _MOST_NAMED, _MOST_TEXTS, _FEW = 3, 0.6, 24, 20_000, 12
_NOT_DONE = "not done"
_FREE = re.compile(r"(?i)\bno[ -](?:charge|fee|cost)\b|\bold\b|\bwarranty\b|\bno\.? ?(?=\d)")
_LETTERS = str.maketrans({"ł": "l", "ø": "o", "ß": "s", "đ": "d", "ı": "i"})
# Of these words beside a work say nothing against it.
_FITS = {
    CROWN: {"prepared", "again", "steel", "lengthened"},
    ROOT_CANAL: {"again", "removed"},
    TAKEN: {"buried", "removed"},
}
_OF_KIND = {CROWN: ("bridge_retainer_crown",), ROOT_CANAL: (), TAKEN: ("extraction_primary",)}
_EVENT_OF_WORD = {
    CROWN: {
        "temporary": "crown_interim",
        "removed": "crown_removal",
        "recemented": "crown_recement",
        "repaired": "crown_repair",
        "implant": "implant",
        "check": "exam",
    },
    ROOT_CANAL: {"begun": "endo_initial_stage", "check": "exam", "primary": "primary_tooth_endo"},
    TAKEN: {"primary": "extraction_primary", "check": "exam", "sutures": "exam"},
}


def word_doubts(where: str, seen: DoubledWork, answers: Answers) -> list[Doubt]:
    """A question for each column with such words, but for those of which PRACTICE.toml says what they mean."""
    found: list[Doubt] = []
    frame = seen.frame
    for heading in headings_of(frame):
        texts = frame.select("kind", "tooth", text=OF + heading).filter(pl.col("text") != "")
        told = [matches(pl.col("text"), p) for h, p, _ in (*answers.marks, *answers.codes) if h == heading]
        texts = texts.filter(~pl.any_horizontal(told)) if told else texts
        if not texts.height or texts["text"].n_unique() > _MOST_TEXTS:
            continue
        counts = texts.group_by("kind", "text").len("n").sort("kind", "text")
        said = _edited(counts) if described([heading]) else _noted(counts)
        found += _doubt(where, heading, said, _others(counts, said)) if said else []
    return found


def _edited(texts: pl.DataFrame) -> Counter[tuple[str, str]]:
    """Rows by pattern and what it makes of a row, of descriptions that name other work than their code."""
    found: Counter[tuple[str, str]] = Counter()
    whole = set(texts["text"])
    bare = texts.with_columns(bare=words_beside_teeth(texts["text"])).drop_nulls("bare")
    counts = bare.group_by("kind", "bare").agg(pl.col("n").sum()).sort("kind", "bare")
    every = dict(counts.group_by("kind").agg(pl.col("n").sum()).iter_rows())
    for kind, text, n in counts.iter_rows():
        word = _other(kind, text)
        if word and n >= _LEAST and (n <= _MOST * every[kind] or word in _OF_KIND[kind]):
            found[text if text in whole else f"{text}*", word] += n
    return found


def _other(kind: str, text: str) -> str:
    """The event that a description says in place of a kind of work, or that it was not done; else empty."""
    said = meaning(_FREE.sub(" ", text))
    beside = set(said.beside) - _FITS[kind]
    if beside & NOT_DONE:
        return _NOT_DONE
    # A preparation may be the day that crowns are posted on, and sutures may come with an extraction.
    events = [event for event in said.events if event not in ("other", "restorative_other")]
    is_kind = any(KINDS.get(event) == kind for event in events)
    if events and not is_kind:
        return events[0]
    beside -= {"sutures"} if is_kind else set()
    return next((_EVENT_OF_WORD[kind][word] for word in sorted(beside) if word in _EVENT_OF_WORD[kind]), "")


def _noted(texts: pl.DataFrame) -> Counter[tuple[str, str]]:
    """Rows by pattern and what it makes of a row, of notes."""
    found: Counter[tuple[str, str]] = Counter()
    for kind, text, n in texts.iter_rows():
        low = text.lower()
        plain = "".join(unicodedata.normalize("NFKD", c)[0] for c in low).translate(_LETTERS)
        for says, words in _words():
            if (says == _NOT_DONE or says in _OF_KIND[kind]) and (met := words.search(plain)):
                found[f"*{low[slice(*met.span())]}*", says] += n
                break
    return found if _LEAST <= found.total() <= _MOST * int(texts["n"].sum()) else Counter()


@cache
def _words() -> tuple[tuple[str, re.Pattern[str]], ...]:
    by: dict[str, list[str]] = {}
    for row in data_rows("beside_words"):
        by.setdefault(row["says"], []).append(row["words"])
    return tuple((says, re.compile(rf"\b(?:{'|'.join(words)})\b")) for says, words in by.items())


def _others(texts: pl.DataFrame, said: Counter[tuple[str, str]]) -> str:
    """The other texts of a column of few, for one of them may say the same in other words."""
    counts = texts.group_by("text").agg(pl.col("n").sum()).sort("n", "text", descending=[True, False])
    is_said = pl.any_horizontal(matches(pl.col("text"), pattern) for pattern, _ in said)
    others = counts.filter(~is_said)
    if not others.height or counts.height > _FEW:
        return ""
    return f" Its other texts: {', '.join(f'{text} ({n:,})' for text, n in others.iter_rows())}."


def _doubt(where: str, heading: str, said: Counter[tuple[str, str]], others: str) -> list[Doubt]:
    listed = commonest(said)[:_MOST_NAMED]
    shown = ", ".join(f"{pattern.replace('*', '…')} ({n:,} rows)" for (pattern, _), n in listed)
    undone = {p: "planned" for (p, word), _ in listed if word == _NOT_DONE}
    other = {p: word for (p, word), _ in listed if word != _NOT_DONE}
    return ask(
        "other_work_in_text",
        where,
        f'words in the column "{heading}", which nothing reads, say of crowns, root canals and extractions that they '
        f"were not done, or were other work than their code says: {shown}.{others}",
        of_ledger(
            f"code_from.{quoted(heading)} = {inline(other)}", "what was done instead, as an event or a code of the list"
        )
        if other
        else None,
        status_from(heading, undone, f"what was not done: each is {', '.join(STATUS_WORDS[1:-1])}"),
    )
