"""A trail of changes in place of a ledger: added, changed and deleted rows of one piece of work, each with its key. Of
such rows the last one alone says what was done. A deleted row that is only void itself leaves the one that was added
before it standing. Verbs in seven languages, from memory: common practice, no source."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.tables import REVERSAL
from pipeline.reading.doubts.cells import text_of
from pipeline.reading.doubts.doubt import Answer, Doubt, ask, in_rows, of_ledger, status_from
from pipeline.reading.headings import plain_heading, word_list
from pipeline.reading.suggest.shown import quoted

_VERBS = {how: word_list(f"row {how}") for how in ("added", "changed", "deleted")}
# One letter each is a verb under such a heading alone: c(reate), r(ead), u(pdate), d(elete).
_LETTERS = {"c": "added", "r": "added", "i": "added", "a": "added", "u": "changed", "d": "deleted"}
_VERB_HEADINGS = word_list("headings of changes")
_VERSIONS = word_list("headings of versions")
_VERSION = re.compile(r"\d{1,2}(?:\.0)?")
_LEAST_SHARE = 0.2


@dataclass
class AuditSeen:
    """The column of verbs with its texts, possible keys of rows, and how many deletions name nothing but the key."""

    heading: str | None = None
    texts: Counter[str] = field(default_factory=Counter)
    keys: tuple[str, ...] = ()
    newest_first: bool = False
    bare: int = 0
    _is_looked_for: bool = False

    def add(self, rows: pl.DataFrame, patients: pl.Series, headings: Iterable[str], keys: Iterable[str]) -> None:
        """Take in a batch; which columns these are is seen in the first one."""
        if not self._is_looked_for and rows.height:
            self._is_looked_for = True
            self.heading = next((h for h in headings if _is_trail(rows.get_column(h), h)), None)
            is_numbered = self.heading is None
            if is_numbered:
                self.heading = next((h for h in headings if _is_versions(rows.get_column(h), h)), None)
            if self.heading is not None:
                self._look_for_key(rows, patients, [k for k in keys if k != self.heading])
            if is_numbered and not self.keys:
                self.heading = None  # of the program or of a form, not of a row
        if self.heading is not None:
            counts = text_of(rows, self.heading).drop_nulls().value_counts(name="n")
            self.texts.update(dict(counts.iter_rows()))
            lacks = patients.cast(pl.String).str.strip_chars().replace("", None).is_null()
            verbs = map(_verb, rows.get_column(self.heading).cast(pl.String).filter(lacks))
            self.bare += sum(verb == "deleted" for verb in verbs)

    def _look_for_key(self, rows: pl.DataFrame, patients: pl.Series, keys: Sequence[str]) -> None:
        verb = rows.get_column(self.heading or "").cast(pl.String).map_elements(_verb, return_dtype=pl.String)
        found = []
        for heading in keys:
            key = text_of(rows, heading)
            frame = pl.DataFrame({"key": key, "patient": patients.cast(pl.String), "verb": verb})
            if frame["key"].null_count() or (frame["key"] == "").any() or not frame["key"].str.contains(r"\d").all():
                continue
            patient = pl.col("patient").drop_nulls().n_unique()
            by = frame.group_by("key", maintain_order=True).agg(patient, pl.col("verb").first(), pl.len())
            again = by.filter(pl.col("len") > 1)
            if not again.height or by.height < _LEAST_SHARE * rows.height or (by["patient"] > 1).any():
                continue
            # A piece of work is added once: what is added again under one key is numbered by something else.
            adds = frame.filter(pl.col("verb") == "added").group_by("key").len()
            if adds.height and (adds["len"] > 1).any():
                continue
            found.append((by.height, heading, int((again["verb"] != "added").sum()) > again.height / 2))
        found.sort(key=lambda one: (-one[0], one[1]))
        self.keys = tuple(heading for _, heading, _ in found)
        self.newest_first = bool(found) and found[0][2]


def _verb(text: str | None) -> str | None:
    if _VERSION.fullmatch((text or "").strip()):
        return "added" if float(text or 0) <= 1 else "changed"
    return _word(text) or _LETTERS.get((text or "").strip().lower())


def _word(text: str | None) -> str | None:
    plain = plain_heading(text or "")
    return next((verb for verb, words in _VERBS.items() if plain in words), None)


def _is_trail(texts: pl.Series, heading: str) -> bool:
    """Whether all texts are verbs of a trail, of several kinds."""
    distinct = texts.cast(pl.String).drop_nulls().unique()
    if plain_heading(heading) in _VERB_HEADINGS and {t.strip().lower() for t in distinct} <= _LETTERS.keys():
        return distinct.len() > 1
    if not 2 <= distinct.len() <= 8:
        return False
    verbs = {_word(text) for text in distinct if text.strip()}
    return None not in verbs and "added" in verbs and any(len(text.strip()) > 1 for text in distinct)


def _is_versions(texts: pl.Series, heading: str) -> bool:
    """Whether a column numbers the versions of a row: 1 or 0, and higher ones."""
    distinct = [t.strip() for t in texts.cast(pl.String).drop_nulls().unique() if t.strip()]
    if plain_heading(heading) not in _VERSIONS or not all(map(_VERSION.fullmatch, distinct)):
        return False
    return len({_verb(text) for text in distinct}) > 1


def trail_doubts(
    where: str, seen: AuditSeen, *, key: str | None, told: Mapping[str, str], has_fee: bool
) -> list[Doubt]:
    """A trail of which it is not told that the last row of each `key` counts; `told` are texts of the verbs."""
    if seen.heading is None:
        return []
    deleted = [text for text in sorted(seen.texts) if _verb(text) == "deleted"]
    untold = [text for text in deleted if text.lower() not in {t.lower() for t in told}]
    if key is not None and not untold and not seen.bare:
        return []
    shown = in_rows(seen.texts, none="")
    is_numbered = all(_VERSION.fullmatch(text) for text in seen.texts if text)
    what = "which version of it this is" if is_numbered else "what was done to it"
    changed = any(_verb(text) == "changed" for text in seen.texts)
    answers: list[Answer | None] = []
    keys = [key] if key is not None else list(seen.keys)
    way = "audit_trail"
    if seen.bare:
        way = "audit_trail.no_patient"
    elif keys and not seen.newest_first:
        if key is None:
            means = "the key of a piece of work: of several rows the one further down counts"
            answers.append(of_ledger(f"columns.procedure_id = {quoted(keys[0])}", means))
        answers.append(status_from(seen.heading, dict.fromkeys(deleted, "void"), "and with it"))
    elif seen.newest_first:
        way = "audit_trail.newest_first"
    else:
        way = "audit_trail.no_key"
        if has_fee and deleted and not changed:
            means = "such a row takes back the one of the same work and fee"
            answers.append(status_from(seen.heading, dict.fromkeys(deleted, REVERSAL), means))
    told_of = f'column "{seen.heading}" says of each row {what}: {shown}.'
    return ask(way, where, told_of, *answers, bare=seen.bare, key=quoted(keys[0] if keys else ""))
