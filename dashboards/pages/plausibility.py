"""Is the recorded technique plausible: a block of the data-quality page."""

from collections.abc import Sequence
from typing import Any

from dashboards.formats import count, percent, phrase, sentence_case, whole
from dashboards.tables import NumberTable
from pipeline.results import Results
from pipeline.results.technique import TradeCheck, TradeCount

FIELDS = {"naocl_percent": "Strengths of sodium hypochlorite", "length_short_of_apex_mm": "Filling to apex"}


def plausibility_block(results: Results) -> dict[str, Any]:
    """What `plausibility.html.j2` shows; without any recorded technique the sentence says so."""
    checks: Sequence[TradeCheck] = results.trade_checks
    counts: Sequence[TradeCount] = results.trade_counts
    return {
        "sentence": plausibility_sentence(checks),
        "found": _found(checks),
        "kept": _kept(checks),
        "counts": [_counted(counts, field, caption) for field, caption in FIELDS.items()],
    }


def plausibility_sentence(checks: Sequence[TradeCheck]) -> str:
    """How many rules were broken, of those that could be looked at."""
    looked = [c for c in checks if c.checked]
    if not looked:
        return "No technique was recorded, so there is nothing to hold against what the trade knows."
    broken = [c for c in looked if c.rows]
    wrong = [c for c in broken if c.kind == "impossible"]
    said = f"{count(len(looked), 'rule')} could be checked"
    if not broken:
        return f"{said}, and every row keeps all of them."
    how = f"{whole(len(wrong))} of them by what cannot be right" if wrong else "by what is unusual but may be right"
    return (
        f"{said}; {whole(len(broken))} {'is' if len(broken) == 1 else 'are'} broken in some rows, {how}. Nothing "
        "was changed or left out: the rows count as recorded."
    )


def _found(checks: Sequence[TradeCheck]) -> NumberTable:
    rows = tuple(
        (
            c.sentence,
            _field(c.table, c.field),
            percent(c.rows, c.checked),
            "cannot be right" if c.kind == "impossible" else "unusual",
            c.what_to_do,
            c.source,
        )
        for c in checks
        if c.rows
    )
    heads = ("What was found", "Field", "Of rows checked", "Kind", "What to do", "From where the rule is")
    return NumberTable("Recorded technique that asks for a second look", heads, rows, ("Field", *heads[3:]))


def _kept(checks: Sequence[TradeCheck]) -> NumberTable:
    rows = tuple((c.sentence, _field(c.table, c.field), c.source) for c in checks if not c.rows)
    heads = ("What was looked for", "Field", "From where the rule is")
    return NumberTable("Rules that no row breaks, or that had nothing to look at", heads, rows, heads[1:])


def _counted(counts: Sequence[TradeCount], field: str, caption: str) -> NumberTable:
    own = [c for c in counts if c.field == field]
    named = any(c.means for c in own)
    rows = tuple(
        (sentence_case(c.label), whole(c.rows), percent(c.rows, c.of), *((c.means,) if named else ())) for c in own
    )
    heads = ("Recorded", "Rows", "Share", *(("May be",) if named else ()))
    return NumberTable(caption, heads, rows, ("May be",))


def _field(table: str, field: str) -> str:
    return f"{phrase(table)}: {phrase(field)}"
