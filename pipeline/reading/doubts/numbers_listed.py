"""A line that is no row and lists numbers of rows that do not stand: `Voided receipts: 10189; 10228`.

Nothing else in such an export says that these rows were taken back. Common practice, no source.
"""

import re
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.counts import count
from pipeline.reading.doubts.cells import OF, headings_of
from pipeline.reading.doubts.doubt import Doubt, ask, status_from
from pipeline.reading.sources.standing_names import COMPLETED, named

_NUMBERS = re.compile(r"(?<![\w.,/-])\d{3,}(?![\w./-])")
_LEAST, _SHARE = 3, 0.5
# Before the first number stand words, and no cell of a row.
_LINE = re.compile(r"^\W*[^\W\d_][^\d;|\t]*[:\s]\s*\d")


@dataclass
class NumbersListed:
    """Numbers by the word that such lines say of them."""

    by_word: dict[str, set[str]] = field(default_factory=dict)

    def add(self, malformed: pl.DataFrame) -> None:
        """Take in the records of a batch that are no rows."""
        for line in malformed["raw_row"].drop_nulls().unique(maintain_order=True):
            numbers = set(_NUMBERS.findall(line))
            if len(numbers) < _LEAST or not _LINE.match(line):
                continue
            said = named(line)
            if said.words and said.word != COMPLETED:
                self.by_word.setdefault(said.word, set()).update(numbers)


def listed_doubts(where: str, seen: NumbersListed, frame: pl.DataFrame) -> list[Doubt]:
    """A question for each word, of the column that holds most of its numbers; `frame` as `rows_held.RowsHeld.frame`."""
    found = []
    for word, numbers in sorted(seen.by_word.items()):
        there = {h: frame.filter(pl.col(OF + h).is_in(list(numbers))) for h in headings_of(frame)}
        met = {h: rows[OF + h].n_unique() for h, rows in there.items()}
        heading = max(met, key=lambda h: (met[h], h), default=None)
        if heading is None or met[heading] < max(_LEAST, _SHARE * len(numbers)):
            continue
        rows = there[heading].height
        found += ask(
            "status_in_titles.numbers",
            where,
            f"a line that is no row lists {count(len(numbers), 'number')} under a word for {word}, and "
            f'{met[heading]:,} of them stand in the column "{heading}", '
            f"on {count(rows, 'row')} that nothing else tells from work done.",
            status_from(heading, {"<number>": word}, "one for each number of the line"),
            word=word,
        )
    return found
