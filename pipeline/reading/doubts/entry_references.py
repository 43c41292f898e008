"""Rows that name another row of their patient by its number: `Correction to 1045`, or entry `1045R` beside `1045`.

Whatever the words are, and in whatever language, such a row is about the other one: it takes it back or replaces it.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.tables import REVERSAL
from pipeline.reading.doubts.cells import text_of
from pipeline.reading.doubts.doubt import Doubt, ask, status_from

_MOST_HELD, _LEAST, _NEARLY_ALL, _MOST_SHOWN = 400_000, 3, 0.8, 4
_KEY = r"^\d{2,}$"
_BEHIND_WORDS = r"^(\D*\p{L}\D{0,40})(\d{2,})\W*$"
_BEFORE_LETTERS = r"^(\d{2,})([-/. ]?\p{L}{1,3}|[-/.][1-9])$"
_MET = {"heading": pl.String(), "form": pl.String(), "n": pl.UInt32()}


@dataclass
class EntryReferences:
    """Numbers of entries with their patients, and what may name one: `heading, form, number, patient, own`.

    `met` is found at the end: `heading, form, n`, forms of texts most of which name another entry of their patient.
    """

    keys: list[pl.DataFrame] = field(default_factory=list)
    named: list[pl.DataFrame] = field(default_factory=list)
    held: int = 0
    met: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=_MET))

    def add(self, rows: pl.DataFrame, patients: pl.Series, key: str | None, headings: Iterable[str]) -> None:
        """Take in a batch; `key` is the column of the numbers of entries, `headings` those that nothing reads."""
        if key is None or self.held > _MOST_HELD:
            return
        own = text_of(rows, key)
        patient = patients.cast(pl.String).str.strip_chars().alias("patient")
        self.keys.append(pl.DataFrame({"patient": patient, "key": own}).filter(pl.col("key").str.contains(_KEY)))
        self.held += rows.height
        for heading in (key, *headings):
            text = own if heading == key else text_of(rows, heading)
            form = _BEFORE_LETTERS if heading == key else _BEHIND_WORDS
            frame = pl.DataFrame({"patient": patient, "own": own, "text": text}).filter(
                pl.col("text").str.contains(form)
            )
            if frame.is_empty():
                continue
            if heading == key:
                met = frame.select(
                    "patient",
                    "own",
                    number=pl.col("text").str.extract(_BEFORE_LETTERS, 1),
                    form=pl.lit("*") + pl.col("text").str.extract(_BEFORE_LETTERS, 2),
                )
            else:
                met = frame.select(
                    "patient",
                    "own",
                    number=pl.col("text").str.extract(_BEHIND_WORDS, 2),
                    form=pl.col("text").str.extract(_BEHIND_WORDS, 1).str.strip_chars() + pl.lit("*"),
                )
            self.named.append(met.drop_nulls("number").with_columns(heading=pl.lit(heading)))

    def end(self) -> None:
        """All rows are in: only what was found in them is held from now on."""
        self.met, self.keys, self.named = self._met(), [], []

    def _met(self) -> pl.DataFrame:
        if not self.named:
            return self.met
        keys = pl.concat(self.keys).unique().with_columns(is_there=pl.lit(True))
        named = pl.concat(self.named).join(keys, left_on=["patient", "number"], right_on=["patient", "key"], how="left")
        is_other = pl.col("is_there").fill_null(False) & (pl.col("own") != pl.col("number")).fill_null(True)
        by = named.group_by("heading", "form").agg(is_other.sum().alias("n"), pl.len())
        return by.filter((pl.col("n") >= _LEAST) & (pl.col("n") >= _NEARLY_ALL * pl.col("len"))).sort(
            ["n", "heading", "form"], descending=[True, False, False]
        )


def reference_doubts(where: str, seen: EntryReferences, *, told: Collection[str], has_fee: bool) -> list[Doubt]:
    """A question for each column whose texts name other entries."""
    met = seen.met.filter(~pl.col("heading").is_in(list(told)))
    found = []
    for heading in met["heading"].unique(maintain_order=True):
        forms = met.filter(pl.col("heading") == heading).head(_MOST_SHOWN)
        made = {form.lower(): REVERSAL if has_fee else "void" for form in forms["form"]}
        shown = ", ".join(
            f"{form.replace('*', '…')} ({count(n, 'row')})" for form, n in forms.select("form", "n").iter_rows()
        )
        found += ask(
            "entry_references",
            where,
            f'texts of column "{heading}" name the number of another entry of the same patient: {shown}.',
            status_from(
                heading,
                made,
                "it takes back the row of the same work and fee"
                if has_fee
                else "the row itself is nothing; name columns.fee, so that it can take back the other one",
            ),
        )
    return found
