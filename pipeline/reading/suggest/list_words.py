"""Codes that look like those of a built-in list, held against the words beside them: a practice's own may look so."""

from collections.abc import Iterable

import polars as pl

from pipeline.practice.codes import BUILT_IN, TOOTH_LEVEL, TOOTH_OPTIONAL, built_in, normalise_code
from pipeline.reading.suggest.code_words import likely_events

_KNOWN = 0.4  # share of the codes that a list must know to be held against words
_LEAST, _SHARE = 3, 0.5
_OWN_TEXTS, _FILLED = 0.7, 0.8
_MOST_TEXTS = 2_000
# Work that lists and offices call by near names is one kind here: only another kind of work contradicts.
_KINDS = {
    "crown": ("crown", "bridge", "coping", "restorative_other"),
    "root": ("endo", "pulp", "vital_pulp", "primary_tooth_endo", "perforation", "apexification", "apical"),
    "extraction": ("extraction", "coronectomy", "root_loss", "replantation"),
    "filling": ("direct_restoration", "interim_filling", "inlay", "onlay", "veneer", "core", "post", "stabilisation"),
}


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


def _usual(pairs: pl.DataFrame) -> pl.DataFrame:
    """`code, text, rows`: each code once, with the commonest text beside it and its rows."""
    worded = pairs.filter(pl.col("text").cast(pl.String).str.contains(r"\p{L}{3}"))
    of = worded.sort("rows", "text", descending=[True, False])
    return of.group_by("code", maintain_order=True).first().head(_MOST_TEXTS)


def _kind(event: str) -> str:
    if event not in TOOTH_LEVEL | TOOTH_OPTIONAL:
        return "none"
    return next((kind for kind, starts in _KINDS.items() if event.startswith(tuple(starts))), event)
