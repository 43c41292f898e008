"""Codes that look like those of a built-in list, held against the words beside them: a practice's own may look so."""

from collections.abc import Iterable, Iterator, Sequence

import polars as pl

from pipeline.practice.codes import ASK, BUILT_IN, TOOTH_LEVEL, TOOTH_OPTIONAL, built_in, normalise_code
from pipeline.practice.counts import count
from pipeline.reading.suggest.code_words import likely_events
from pipeline.reading.suggest.profile import Column, FileProfile

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

_MATTER = frozenset({"crown", "root", "extraction"})


def told_otherwise(pairs: pl.DataFrame) -> str | None:
    """Of `code, text, rows`, the sentence that the words beside most codes name other work than the list that knows
    the codes; None where no list knows them, the words are few, or they agree."""
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
    """Codes of which the words beside them, in the ledger or in a list of the codes, say what a built-in list does not:
    each with the event, or `ASK` where the list has another kind of work for it or the words leave a choice, and why.

    `files` are the ledger and the files that no table reads; only work that a figure hangs on is told.
    """
    events = dict(built_in(system).select("code", "event").iter_rows())
    found: dict[str, tuple[str, str]] = {}
    told = pl.DataFrame({"code": code.texts, "n": 1}).drop_nulls().group_by("code").agg(pl.col("n").sum())
    of_code = told.with_columns(normalise_code(pl.col("code"), system=system)).group_by("code").agg(pl.col("n").sum())
    counts = dict(of_code.iter_rows())
    for pairs in _pairs(code, files, rows=rows):
        usual = _usual(pairs.with_columns(normalise_code(pl.col("code"), system=system)))
        for own, text, n in (
            usual.filter(pl.col("rows") >= _ONE_TEXT * pl.col("of")).select("code", "text", "rows").rows()
        ):
            likely = likely_events(text)
            kinds = {_kind(event) for event in likely}
            own_kind = _kind(events.get(own, "other"))
            if own in found or not likely or own_kind in kinds or not {own_kind, _kind(likely[0])} & _MATTER:
                continue
            seen = count(counts.get(own, n), "row")
            if own in events and events[own] != "other":
                why = (
                    f"the list {system} has {events[own]} for it; the words beside it say {' or '.join(likely)}: {seen}"
                )
                found[own] = ASK, why
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
