"""A practice's own codes, or descriptions in place of codes: the list of them, written to be filled in.

Where no built-in list knows the codes of a ledger, `suggest` writes a CSV beside the PRACTICE.toml: each code once with
its rows and the event that it is likely to stand for, or `ask`. Loading refuses while one of them stands at `ask`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.practice.codes import ASK, BUILT_IN, EVENTS, normal_own_code
from pipeline.reading.set_aside import armed
from pipeline.reading.suggest.code_words import ENDS, likely_events
from pipeline.reading.suggest.group import Group
from pipeline.reading.suggest.profile import Column, FileProfile

MOST_CODES = 400
_LEAST_AGAIN = 2.0  # rows a code on average: fewer, and the column holds remarks
_KNOWN = 0.2  # a list that knows so many of the rows is a list to be asked about
HEADINGS = ("code", "event", "detail", "rows", "why")
_MOST_TOLD = 0.5
_TEXTS = ("description", "desc", "procedure", "treatment", "leistung", "bezeichnung", "libelle", "descripcion")


@dataclass(frozen=True)
class OwnCodes:
    """The list as CSV, and how many codes are in it and have no likely event."""

    text: str
    codes: int
    open: int


def own_codes(chosen: Mapping[str, Group]) -> OwnCodes | None:
    """The list for the ledger among the files; None where its codes are those of a built-in list, or are no codes."""
    ledger = chosen.get("procedures")
    column = ledger.column("code") if ledger is not None else None
    if ledger is None or column is None or max(column.codes.values()) >= _KNOWN:
        return None
    counts = _counted(column)
    if not 2 <= counts.height <= MOST_CODES or counts["n"].mean() < _LEAST_AGAIN:  # type: ignore[operator]
        return None
    words = _words_of(column, ledger.file)
    out = io.StringIO(newline="")
    writer = csv.writer(out, quoting=csv.QUOTE_ALL)
    writer.writerow(HEADINGS)
    left = 0
    fitting = [_fitting(written, words.get(code, "")) for code, written in counts.select("code", "written").rows()]
    there = {fits[0] for fits in fitting if len(fits) == 1}
    for (code, _, n), own in zip(counts.iter_rows(), fitting, strict=True):
        # Where no code is for the last visit, the one for the first may stand for the whole work.
        end = ENDS.get(own[0]) if len(own) == 1 else None
        fits = own if end is None or end in there else (end, *own)
        if len(fits) == 1:
            event, why = fits[0], f"likely: {EVENTS[fits[0]]}"
        else:
            event, left = ASK, left + 1
            why = f"{' or '.join(fits)}?" if fits else "no word of it is known"
        writer.writerow([armed(code), event, "", n, why])
    return OwnCodes(out.getvalue(), counts.height, left)


def _fitting(written: str, words: str) -> tuple[str, ...]:
    """The events that a code, or the words beside it, may stand for."""
    return tuple(dict.fromkeys((*likely_events(written), *likely_events(words))))


def why_written(name: str, own: OwnCodes) -> str:
    """The reason that stands beside the line of the TOML."""
    fill = f", {own.open} of them to fill in where it says {ASK}" if own.open else ""
    known = ", ".join(BUILT_IN)
    return (
        f"written beside this file: {own.codes} codes{fill}; look through the likely ones too. No built-in list "
        f"({known}) knows them. Events are words of the trade such as crown, root_canal, extraction, exam, other"
    )


def _counted(column: Column) -> pl.DataFrame:
    """`code, written, n`: each code in the form in which lists are compared, the commonest first."""
    code = pl.col("text").map_elements(normal_own_code, return_dtype=pl.String)
    found = column.counts.with_columns(code.alias("code")).filter(pl.col("code") != "")
    of = found.group_by("code").agg(pl.col("text").first().alias("written"), pl.col("n").sum())
    return of.sort(["n", "code"], descending=[True, False])


def _told(code: Column, texts: Column) -> float:
    """Share of the codes beside which mostly one text stands, and that text is one of work that we know."""
    if texts.matches(r"\p{L}{3,}") < _MOST_TOLD:
        return 0.0
    rows = pl.DataFrame({"code": code.texts, "text": texts.texts}).drop_nulls().group_by("code", "text").len()
    most = (
        rows.sort("len", "text", descending=[True, False])
        .group_by("code", maintain_order=True)
        .agg(pl.col("text").first(), share=pl.col("len").first() / pl.col("len").sum())
    )
    known = [
        share >= _MOST_TOLD and len(likely_events(text)) == 1 for text, share in most.select("text", "share").rows()
    ]
    return float(sum(known)) / max(most.height, 1)


def _words_of(code: Column, file: FileProfile) -> dict[str, str]:
    """For each code the commonest text of a column of descriptions, where there is one."""
    others = [c for c in file.columns if c is not code and c.filled]
    headed = next((c for c in others if c.heading.strip().lower() in _TEXTS), None)
    told = {c.place: _told(code, c) for c in others} if headed is None else {}
    texts = headed or max(others, key=lambda c: (told[c.place], -c.place), default=None)
    if texts is None or (headed is None and told[texts.place] < _MOST_TOLD):
        return {}
    rows = pl.DataFrame({"code": code.texts, "text": texts.texts}).drop_nulls().group_by("code", "text").len()
    first = rows.sort("len", "text", descending=[True, False]).group_by("code", maintain_order=True).first()
    return {normal_own_code(c): t for c, t in first.select("code", "text").iter_rows()}
