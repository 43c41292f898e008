"""What to doubt of a comparison: were the teeth alike, does it depend on how we count, what could have been missed."""

import statistics
from collections.abc import Sequence
from typing import Any

from dashboards import terms
from dashboards.charts.balance import AFTER, BEFORE, balance_chart, in_order
from dashboards.charts.choices import choices_chart, sorted_rows
from dashboards.formats import DASH, decimal, phrase, sentence_case, whole
from dashboards.tables import NumberTable
from dashboards.theme import LegendItem
from dashboards.words import doubt as words_doubt
from dashboards.words import leaving as words_leaving
from pipeline.results import BalanceRow, Choice, Choices, Comparison


def doubts(c: Comparison, id: str) -> dict[str, Any]:
    """The parts of a section on doubt; each is None or empty where the results have nothing on it."""
    smallest = c.verdict.smallest_difference_per_100
    known_balance = c.robustness.balance if c.robustness else ()
    return {
        **balance_parts(known_balance, id, title=c.title),
        **choices_parts(c.choices, smallest, id),
        "robustness": words_doubt.robustness_sentences(c.robustness, smallest) if c.robustness else [],
        "leaving": words_leaving.leaving_sentences(c),
    }


def balance_parts(rows: Sequence[BalanceRow], id: str, *, title: str) -> dict[str, Any]:
    """Sentence, legend, chart and table on how alike the teeth were."""
    weighted = any(r.after is not None for r in rows)
    legend = [LegendItem("as they were", BEFORE), LegendItem("after weighting", AFTER)] if weighted else []
    return {
        "balance": balance_chart(rows, id=f"{id}-balance", label=words_doubt.balance_label(rows, title)),
        "balance_text": words_doubt.balance_sentence(rows),
        "balance_legend": legend,
        "balance_table": _balance_table(rows, weighted),
    }


def choices_parts(choices: Choices | None, smallest: float, id: str) -> dict[str, Any]:
    """Sentences, chart and table on other ways to count."""
    if choices is None or not choices.rows:
        return {"choices": None, "choices_text": [], "choices_short": "", "choices_table": None}
    said = words_doubt.choices_sentence(choices)
    found = [choices.sentence, said, words_doubt.verdicts_sentence(choices, terms.VERDICTS), *choices.leans]
    chart = choices_chart(
        choices, smallest=smallest, title="More or fewer failures per 100", id=f"{id}-choices", label=said
    )
    return {
        "choices": chart,
        "choices_short": words_doubt.choices_short(choices),
        "choices_text": [text for text in found if text],
        "choices_table": _choices_table(choices),
    }


def _balance_table(rows: Sequence[BalanceRow], weighted: bool) -> NumberTable:
    heads = ("Characteristic", "As they were", *(("After weighting",) if weighted else ()))
    body = tuple((r.label, decimal(r.before, 2), *((decimal(r.after, 2),) if weighted else ())) for r in in_order(rows))
    return NumberTable("Absolute standardised differences", heads, body)


def _choices_table(choices: Choices) -> NumberTable:
    """What each option does to the difference: one row for all ways, the main way, and the ways of each option."""
    drawn = sorted_rows(choices)
    rows = [_ways("All ways", drawn), _ways("The main way", [c for c in drawn if c.is_main])]
    for name, values in choices.options.items():
        if len(values) > 1:
            told = sentence_case(phrase(name))
            rows += [_ways(f"{told}: {phrase(v)}", [c for c in drawn if c.options.get(name) == v]) for v in values]
    heads = ("Choice", "Ways", "Lowest difference per 100", "Middle", "Highest", "Range includes zero in")
    return NumberTable("What each choice does to the difference", heads, tuple(rows))


def _ways(name: str, found: Sequence[Choice]) -> tuple[str, ...]:
    """The ways of one row, which come sorted by their difference."""
    if not found:
        return (name, "0", *(DASH,) * 4)
    values = [c.per_100 or 0.0 for c in found]
    zero = sum(c.ci_low is not None and c.ci_high is not None and c.ci_low <= 0 <= c.ci_high for c in found)
    middle = statistics.median(values)
    return (name, whole(len(found)), *(decimal(v, 0) for v in (values[0], middle, values[-1])), whole(zero))
