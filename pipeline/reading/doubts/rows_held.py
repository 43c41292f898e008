"""Typed rows of a ledger that stand, of whole patients, with the cells beside them that no field takes.

Of a large ledger those of one in so many patients are held, so that what rows say of one another can be looked at.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import polars as pl

from pipeline.reading.doubts.cells import OF, STANDS, headings_of, text_of
from pipeline.reading.doubts.sampled import Sampled
from pipeline.reading.doubts.standing import is_small

MOST_OF_ALL, _MOST_HELD, _MOST_TOGETHER, _MOST_COLUMNS = 300_000, 60_000, 120_000, 24
SCHEMA = {
    "row_number": pl.Int64(),
    "patient": pl.UInt64(),
    "day": pl.Date(),
    "code": pl.String(),
    "kind": pl.String(),
    "tooth": pl.UInt8(),
    "is_on_tooth": pl.Boolean(),  # a cell names a tooth, whatever the code is about
    "fee": pl.Float64(),
    "provider": pl.String(),
    "site": pl.String(),
    "time": pl.String(),  # of a stamp
    "is_small": pl.Boolean(),  # the code has small letters only
    "is_braced": pl.Boolean(),  # the tooth stands in brackets
    "end": pl.String(),  # what stands behind the number of the code, as 2 in D2740.2
    "ended": pl.String(),  # the whole of such a code, as written
    "takes_back": pl.String(),  # of a row that does not stand and has an amount below zero, its status as written
}
_BRACED = r"^\s*\(.*\)\s*$"
_END = r"^\s*\p{L}{0,2}\d{3,5}[.\-_/](\w{1,2})\s*$"
_TIME = r"[T ](\d{1,2}:\d{2})(?::|\D|$)"


@dataclass
class RowsHeld:
    """Rows by batch; `kinds` has `code, kind` of work that marks a tooth."""

    kinds: pl.DataFrame
    held: Sampled = field(default_factory=lambda: Sampled("patient", _MOST_HELD))
    toothless: list[pl.Series] = field(default_factory=list)  # numbers of the rows set aside for want of a tooth

    def add(
        self,
        rows: pl.DataFrame,
        headings: Sequence[str],
        fields: pl.DataFrame,
        *,
        cleaned: pl.DataFrame,
        rejects: pl.DataFrame,
    ) -> None:
        """Take in a batch: its cells, the fields made of them, the typed rows and those set aside."""
        lost = rejects.filter(pl.col("reason") == "tooth_missing")["row_number"]
        if lost.len() and sum(map(len, self.toothless)) < _MOST_HELD:
            self.toothless.append(lost.cast(pl.Int64))
        marked = cleaned.lazy().with_columns(patient=pl.col("patient_id").hash(0), is_back=~STANDS)
        takes_back = pl.col("is_back") & (pl.col("fee").cast(pl.Float64) < 0)
        done = marked.filter(~pl.col("is_back") | takes_back, pl.col("service_date").is_not_null(), self.held.is_held)
        typed = done.select(
            pl.col("row_number").cast(pl.Int64),
            "code",
            "patient",
            "is_back",
            day="service_date",
            tooth="tooth_fdi",
            fee=pl.col("fee").cast(pl.Float64),
            provider=pl.col("provider_id").cast(pl.String),
            site=pl.col("site_id").cast(pl.String),
        ).collect()
        if typed.is_empty():
            return
        if self.one_in > 1:
            is_held = fields["row_number"].cast(pl.Int64).is_in(typed["row_number"].implode())
            rows, fields = rows.filter(is_held), fields.filter(is_held)
        texts = [text_of(rows, h).fill_null("").alias(OF + h) for h in headings[:_MOST_COLUMNS]]
        empty = pl.Series([None] * fields.height, dtype=pl.String)
        tooth, day, code, status = (
            fields[f].cast(pl.String) if f in fields.columns else empty
            for f in ("tooth", "service_date", "code", "status")
        )
        beside = pl.DataFrame(
            [
                fields["row_number"].cast(pl.Int64),
                (tooth.str.strip_chars().fill_null("") != "").alias("is_on_tooth"),
                day.str.extract(_TIME).alias("time"),
                code.to_frame("code").select(is_small=is_small(pl.col("code"))).to_series(),
                tooth.str.contains(_BRACED).alias("is_braced"),
                code.str.extract(_END).alias("end"),
                code.str.strip_chars().str.extract(f"({_END})").alias("ended"),
                status.str.strip_chars().fill_null("").alias("takes_back"),
                *texts,
            ]
        )
        held = typed.join(beside, on="row_number", how="left").join(self.kinds, on="code", how="left")
        told = pl.when("is_back").then("takes_back")
        self.held.add(held.with_columns(takes_back=told).drop("is_back"))

    @property
    def height(self) -> int:
        """How many rows are held."""
        return self.held.height

    @property
    def one_in(self) -> int:
        """The rows of one patient in so many are held."""
        return self.held.one_in

    @cached_property
    def whole(self) -> pl.DataFrame:
        """All rows held, those too that do not stand and have an amount below zero; once all batches are in."""
        pieces = [pl.DataFrame(schema=SCHEMA), *self.held.pieces]
        return pl.concat(pieces, how="diagonal_relaxed").with_columns(pl.col(f"^{OF}.*$").fill_null(""))

    @cached_property
    def frame(self) -> pl.DataFrame:
        """The rows held that stand."""
        return self.whole.filter(pl.col("takes_back").is_null())

    @property
    def is_by_patient(self) -> bool:
        """Whether all rows of a patient stand together, as where a ledger is sorted by patient."""
        patients = self.frame.sort("row_number")["patient"]
        return patients.len() > 0 and int(patients.rle_id().max()) + 1 == patients.n_unique()  # type: ignore[arg-type]

    @property
    def columns(self) -> list[str]:
        """The headings of the cells beside."""
        return headings_of(self.frame)


def together_held(files: Sequence[RowsHeld]) -> RowsHeld:
    """The rows of several files, of the same share of their patients."""
    held = Sampled("patient", _MOST_TOGETHER, one_in=max(one.one_in for one in files))
    for one in files:
        held.add(one.whole)
    return RowsHeld(files[0].kinds, held)
