"""Words where an amount stands, patients who are none, and a day on which far too much was done.

A fee that says `cancelled`, a patient called Test, and the day on which a former program's history was carried over all
load as work done. Words are from memory: common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Collection, Mapping, Sequence

import polars as pl

from pipeline.practice.tables import STATUS_WORDS
from pipeline.reading.doubts.doubt import Doubt, accept
from pipeline.reading.doubts.standing import word_of, words_of
from pipeline.reading.suggest.toml_quote import quoted

_LEAST_WORDS, _MOST_WORDS, _LONGEST = 3, 12, 24
_NO_CHARGE = words_of(
    "n/c|nc|n c|no charge|free|incl|included|incl.|in fee|courtesy|gratis|nil|none|zero|waived|warranty|redo|paid|cash|"
    "insurance|ins|card|check|-|--|tbd|n/a|na|null|see above|unentgeltlich|kulanz|inkl|inkl.|kostenlos|frei|gratuit|"
    "offert|inclus|sin cargo|incluido|incluso|gratuito|kosteloos|inbegrepen|omaggio",
    "|",
)
_NO_PERSON = (
    r"(?i)(?:^|[\s,;._-])(?:z{0,3}test(?:patient|er|ing)?|dummy|demo|mustermann|fake|training|do not use)"
    r"(?:$|[\s,;._-])"
)
_LEAST_BUSY, _BUSY_SHARE, _TIMES, _LEAST_DAYS = 50, 0.05, 10, 20
_LEAST_CODES = 4


def amount_words(texts: pl.Series) -> Counter[str]:
    """Texts without a digit in a column of amounts, in small letters, but for those that say that nothing was
    charged."""
    low = texts.cast(pl.String).str.strip_chars().str.to_lowercase().replace("", None).drop_nulls()
    words = low.filter(low.str.contains(r"\p{L}{2}") & ~low.str.contains(r"\d") & (low.str.len_chars() <= _LONGEST))
    return Counter({t: n for t, n in words.value_counts(name="n").iter_rows() if t not in _NO_CHARGE})


def amount_word_doubts(
    where: str, found: Mapping[str, Counter[str]], accepted: Sequence[str], *, told: Collection[str]
) -> list[Doubt]:
    """A question for each column of amounts in which such words come again."""
    doubts = []
    for heading, counts in found.items():
        words = {t: n for t, n in counts.most_common() if n >= _LEAST_WORDS}
        if heading in told or not words or len(words) > _MOST_WORDS:
            continue
        shown = ", ".join(
            f"{text} ({n:,} rows)" for text, n in sorted(words.items(), key=lambda one: (-one[1], one[0]))
        )
        each = ", ".join(f'{quoted(text)} = "{word_of(text) or "planned"}"' for text in sorted(words))
        doubts.append(
            Doubt(
                "words_for_amounts",
                where,
                f'column "{heading}" holds words in place of an amount: {shown}.',
                f"Is that work that was not done here? Each is {', '.join(STATUS_WORDS[:-1])}.",
                (
                    ("tables.procedures", f"status_from.{quoted(heading)} = {{ {each} }}", "correct the words"),
                    accept("words_for_amounts", accepted, "no: the work was done, and the words are about money"),
                ),
            )
        )
    return doubts


def no_persons(
    where: str,
    table: str,
    people: pl.DataFrame,
    named: Sequence[str],
    accepted: Sequence[str],
    *,
    told: Collection[str],
) -> list[Doubt]:
    """Patients whose names are those of a trial; `named` are the columns of the names."""
    is_none = pl.col("name").str.contains(_NO_PERSON)
    n = people.filter(is_none.fill_null(False))["id"].n_unique()
    if not n or not named or set(named) & set(told):
        return []
    lines = [
        (
            "tables.procedures",
            f'status_from.{quoted(heading)} = {{ "*test*" = "void" }}',
            "or the word as it stands there",
        )
        for heading in (named if table == "procedures" else ())
    ]
    return [
        Doubt(
            "test_patients",
            where,
            f"{n:,} {'patient has' if n == 1 else 'patients have'} a name such as Test or Demo, under "
            f"{' and '.join(quoted(heading) for heading in named)}.",
            "Were entries made under it to try something out? Then take them out of the export"
            + (", or say so of their rows:" if lines else "."),
            (*lines[:1], accept("test_patients", accepted, "no: it is the name of a patient")),
        )
    ]


def busiest_day(
    where: str,
    days: Mapping[dt.date, int],
    codes: Mapping[dt.date, int],
    accepted: Sequence[str],
    *,
    date: str,
    told: Collection[str],
) -> list[Doubt]:
    """A day with many times the rows of any other, of many kinds of work (`codes` counts them): records carried over
    from elsewhere rather than work of that day."""
    if len(days) < _LEAST_DAYS or date in told:
        return []
    (day, n), (_, next_n) = Counter(days).most_common(2)
    if n < max(_LEAST_BUSY, _BUSY_SHARE * sum(days.values()), _TIMES * next_n) or codes[day] < _LEAST_CODES:
        return []
    return [
        Doubt(
            "busiest_day",
            where,
            f"{n:,} of {sum(days.values()):,} rows of work stand on {day.isoformat()}, and none of the other "
            f"{len(days) - 1:,} days has more than {next_n:,}.",
            "Was that the day on which records of a former program or office were carried over, so that the days of "
            "the work are not known?",
            (
                (
                    "tables.procedures",
                    f'status_from.{quoted(date)} = {{ "<that day>" = "existing" }}',
                    "yes, as the day is written there: the work was done before, or elsewhere",
                ),
                ("tables.procedures", 'values.service_date = { "<that day>" = "" }', "and with it: no day is known"),
                accept("busiest_day", accepted, "no: it was done on that day"),
            ),
        )
    ]
