"""A practice's own codes, or descriptions in place of codes, that no built-in list knows: a CSV of them to be filled
in, each code once with its rows and its likely event, or `ask`. Loading refuses while one stands at `ask`."""

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.practice.codes import ASK, BUILT_IN, EVENTS, normal_own_code
from pipeline.practice.counts import count
from pipeline.reading.headings import plain_heading, word_list, word_pattern
from pipeline.reading.set_aside import armed
from pipeline.reading.suggest.code_words import ENDS, NOT_DONE, Meaning, likely_events, meaning, otherwise_beside
from pipeline.reading.suggest.forms import by_tooth
from pipeline.reading.suggest.group import Group
from pipeline.reading.suggest.profile import Column, FileProfile

MOST_CODES = 400
_LEAST_AGAIN = 2.0  # rows a code on average: fewer, and the column holds remarks
_KNOWN, _HALF = 0.2, 0.5  # a list that knows so many of the rows is to be asked about; and that can be the one
HEADINGS = ("code", "event", "detail", "rows", "why")
_MOST_TOLD = 0.5
_LASTING = ("crown_placement", "endo_initial")  # done once on a tooth, and seldom again within two months
_SOON_DAYS, _LEAST_SOON, _MOST_SOON = 60, 5, 0.6
_TEXTS = word_list("headings of descriptions") | {"text"}
_CEMENTED = re.compile(word_pattern("cemented"), re.IGNORECASE)


@dataclass(frozen=True)
class OwnCodes:
    """The list as CSV, how many codes are in it and have no likely event, and what speaks against a built-in list."""

    text: str
    codes: int
    open: int
    against: str | None = None


def own_codes(chosen: Mapping[str, Group]) -> OwnCodes | None:
    """The list for the ledger; None where its codes are none, or a built-in list's without words against it."""
    ledger = chosen.get("procedures")
    column = ledger.column("code") if ledger is not None else None
    if ledger is None or column is None:
        return None
    others = [c.texts for c in ledger.file.columns if c is not column and c.distinct <= MOST_CODES]
    against = otherwise_beside(column.texts, others)
    known = max(column.codes.values())
    words = _words_of(column, ledger.file)
    if _KNOWN <= known < _HALF and against is None and len(words) > 1:
        against = (
            f"built-in lists know the codes of {known:.0%} of the rows at most, and words stand beside all of them"
        )
    if known >= _KNOWN and against is None:
        return None
    counts = _counted(column)
    if not 2 <= counts.height <= MOST_CODES or counts["n"].mean() < _LEAST_AGAIN:  # type: ignore[operator]
        return None
    out = io.StringIO(newline="")
    writer = csv.writer(out, quoting=csv.QUOTE_ALL)
    writer.writerow(HEADINGS)
    left = 0
    fitting = {code: meaning(written, words.get(code, "")) for code, written in counts.select("code", "written").rows()}
    there = {of.events[0] for of in fitting.values() if len(of.events) == 1}
    again = _may_be_put_back({code: f"{w} {words.get(code, '')}" for code, w, _ in counts.iter_rows()}, fitting)
    soon = _soon_again(ledger, column, {c: of.events[0] for c, of in fitting.items() if len(of.events) == 1})
    for code, _, n in counts.iter_rows():
        own = fitting[code].events
        # Where no code is for the last visit, the one for the first may stand for the whole work.
        end = ENDS.get(own[0]) if len(own) == 1 else None
        fits = own if end is None or end in there else (end, *own)
        fits = ("crown_placement", "crown_recement") if code in again else fits
        if len(fits) == 1 and code not in soon:
            event, why = fits[0], f"likely: {EVENTS[fits[0]]}"
        else:
            event, left = ASK, left + 1
            why = soon.get(code) or _asked(fits, fitting[code])
        writer.writerow([armed(code), event, "", n, why])
    return OwnCodes(out.getvalue(), counts.height, left, against)


def _may_be_put_back(texts: Mapping[str, str], fitting: Mapping[str, Meaning]) -> set[str]:
    """Codes of crowns whose text alone says that one was cemented: loose ones put back, it may be."""
    crowns = {code for code, of in fitting.items() if of.events == ("crown_placement",)}
    cemented = {code for code in crowns if _CEMENTED.search(texts[code])}
    return cemented if cemented != crowns else set()


def _asked(fits: tuple[str, ...], of: Meaning) -> str:
    if fits:
        beside = "; words beside it may make it another thing" if "other" in fits else ""
        return f"{' or '.join(fits)}?{beside}"
    not_done = [says for says in of.beside if says in NOT_DONE]
    return f"was it done? A word in it says: {', '.join(not_done)}" if not_done else "no word of it is known"


def _soon_again(ledger: Group, column: Column, events: Mapping[str, str]) -> dict[str, str]:
    """Codes most of whose rows stand some days before the same work under another code on that tooth, and the words."""
    rows = by_tooth(ledger, {"service_date": "day"})
    if rows is None:
        return {}
    codes = column.texts.map_elements(normal_own_code, return_dtype=pl.String)
    lasting = [(code, event) for code, event in events.items() if event in _LASTING]
    of = pl.DataFrame(lasting, {"code": pl.String, "event": pl.String}, orient="row")
    work = rows.with_columns(codes.alias("code")).join(of, on="code").drop_nulls().with_row_index("row")
    both = work.join(work, on=["patient", "tooth", "event"], suffix="_next")
    days = pl.col("day_next") - pl.col("day")
    soon = both.filter(pl.col("code") != pl.col("code_next"), days.is_between(1, _SOON_DAYS))
    again = soon.group_by("code").agg(pl.col("row").n_unique().alias("again"))
    counted = work.group_by("code", "event").len("rows").join(again, on="code")
    most = counted.filter((pl.col("again") >= _LEAST_SOON) & (pl.col("again") >= _MOST_SOON * pl.col("rows")))
    return {
        code: f"{event} or other? {again:,} of {n:,} rows stand up to {_SOON_DAYS} days before another {event} on that "
        "tooth: for the time being, an estimate, or a first visit?"
        for code, event, n, again in most.select("code", "event", "rows", "again").iter_rows()
    }


def why_written(name: str, own: OwnCodes) -> str:
    """The reason that stands beside the line of the TOML."""
    fill = f", {own.open} of them to fill in where it says {ASK}" if own.open else ""
    why = own.against or f"No built-in list ({', '.join(BUILT_IN)}) knows them"
    return (
        f"written beside this file: {count(own.codes, 'code')}{fill}; look through the likely ones too. "
        f"{why[0].upper()}{why[1:]}. Events are words of the trade such as crown, root_canal, extraction, exam, other"
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
    most = _commonest(code, texts)
    known = [share >= _MOST_TOLD and bool(likely_events(text)) for text, share in most.select("text", "share").rows()]
    return float(sum(known)) / max(most.height, 1)


def _commonest(code: Column, texts: Column) -> pl.DataFrame:
    """`code, text, share`: the commonest text beside each code."""
    rows = pl.DataFrame({"code": code.texts, "text": texts.texts}).drop_nulls().group_by("code", "text").len()
    by = rows.sort("len", "text", descending=[True, False]).group_by("code", maintain_order=True)
    return by.agg(pl.col("text").first(), share=pl.col("len").first() / pl.col("len").sum())


def _words_of(code: Column, file: FileProfile) -> dict[str, str]:
    """For each code the commonest text of a column of descriptions, where there is one."""
    others = [c for c in file.columns if c is not code and c.filled]
    headed = next((c for c in others if plain_heading(c.heading) in _TEXTS), None)
    told = {c.place: _told(code, c) for c in others} if headed is None else {}
    texts = headed or max(others, key=lambda c: (told[c.place], -c.place), default=None)
    if texts is None or (headed is None and told[texts.place] < _MOST_TOLD):
        return {}
    return {normal_own_code(c): t for c, t in _commonest(code, texts).select("code", "text").iter_rows()}
