"""Words where an amount stands: a fee that says `cancelled` would load as work done.

Words are from memory: common practice, no source.
"""

from collections import Counter
from collections.abc import Collection, Mapping

import polars as pl

from pipeline.reading.doubts.doubt import Doubt, ask, in_rows, status_from
from pipeline.reading.doubts.standing import word_of
from pipeline.reading.headings import word_list

_LEAST_WORDS, _MOST_WORDS, _LONGEST = 3, 12, 24
_NO_CHARGE = word_list("no charge")


def amount_words(texts: pl.Series) -> Counter[str]:
    """Texts without a digit in a column of amounts, in small letters, but for those that say that nothing was
    charged."""
    low = pl.col("text").str.strip_chars().str.to_lowercase()
    counts = texts.drop_nulls().cast(pl.String).alias("text").value_counts(name="n").with_columns(low)
    words = counts.filter(low.str.contains(r"\p{L}{2}") & ~low.str.contains(r"\d") & (low.str.len_chars() <= _LONGEST))
    found = Counter[str]()
    for text, n in words.iter_rows():
        found[text] += n
    return Counter({text: n for text, n in found.items() if text not in _NO_CHARGE})


def amount_word_doubts(where: str, found: Mapping[str, Counter[str]], *, told: Collection[str]) -> list[Doubt]:
    """A question for each column of amounts in which such words come again."""
    doubts = []
    for heading, counts in found.items():
        words = {t: n for t, n in counts.most_common() if n >= _LEAST_WORDS}
        if heading in told or not words or len(words) > _MOST_WORDS:
            continue
        made = {text: word_of(text) or "<its word>" for text in sorted(words)}
        doubts += ask(
            "words_for_amounts",
            where,
            f'column "{heading}" holds words in place of an amount: {in_rows(words)}.',
            status_from(heading, made, "correct the words"),
        )
    return doubts
