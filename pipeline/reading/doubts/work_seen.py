"""What the typed rows of a ledger are together: whose work, on which teeth and days, at which fees. Only sums are kept:
a row per distinct piece of work that marks a tooth for good, of so many patients as fit in memory, rows by day, by
tooth, by code and size of fee, and the first and last day of each patient."""

import datetime as dt
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeVar

import polars as pl

from pipeline.reading.doubts.cells import STANDS, month_of, tally
from pipeline.reading.doubts.fees import added, by_month, by_office
from pipeline.reading.doubts.rows_held import Sampled

_MOST_HELD, _MOST_PIECES, _MOST_DAYS = 400_000, 64, 40_000
CROWN, ROOT_CANAL, TAKEN, FILLED = "crowns", "root canals", "extractions", "fillings"
KINDS = {
    "crown_placement": CROWN,
    "endo_initial": ROOT_CANAL,
    "extraction": TAKEN,
    "extraction_impacted": TAKEN,
    "direct_restoration": FILLED,
}
_WORK = {
    "kind": pl.String(), "patient": pl.UInt64(), "tooth": pl.UInt8(), "day": pl.Date(), "free": pl.Boolean()
}  # fmt: skip
_TYPED = ("patient_id", "service_date", "code", "tooth_fdi", "fee", "provider_id", "site_id")
# Sizes of fees in steps of a fifth of a power of ten.
STEPS = 5


@dataclass
class WorkSeen:
    """Sums over the typed rows of one file that stand; `kinds` has `code, kind` of the codes of `KINDS`."""

    kinds: pl.DataFrame
    rows: int = 0
    on_teeth: int = 0  # rows that name a tooth
    days: Counter[dt.date] = field(default_factory=Counter)
    places: Counter[tuple[str, int]] = field(default_factory=Counter)  # rows by kind and tooth
    charged: dict[str, Counter[tuple[str, bool]]] = field(
        default_factory=dict
    )  # by clinician or clinic, with a fee or not
    fees: Counter[tuple[str, int]] = field(default_factory=Counter)  # rows by code and size of the fee (`STEPS`)
    patient_pieces: list[pl.DataFrame] = field(default_factory=list)
    held: Sampled = field(default_factory=lambda: Sampled("patient", _MOST_HELD, distinct))
    fees_by_month: list[pl.DataFrame] = field(default_factory=list)  # see `fees`
    fees_by_office: list[pl.DataFrame] = field(default_factory=list)

    def add(self, cleaned: pl.DataFrame) -> None:
        """Take in typed rows."""
        is_done = STANDS & pl.col("service_date").is_not_null() & (pl.col("fee").fill_null(0) >= 0)
        done = cleaned.lazy().filter(is_done).select(_TYPED).collect()
        if done.is_empty():
            return
        self.rows += done.height
        self.on_teeth += done["tooth_fdi"].count()
        if len(self.days) < _MOST_DAYS:
            self.days.update(tally(done["service_date"]))
        by_patient = done.group_by(id="patient_id").agg(
            n=pl.len(), first=pl.col("service_date").min(), last=pl.col("service_date").max()
        )
        self.patient_pieces.append(by_patient)
        if len(self.patient_pieces) >= _MOST_PIECES:
            self.patient_pieces = [together(self.patient_pieces)]
        paid = done.select("code", "service_date", "site_id", "fee").filter(pl.col("fee") > 0)
        self.fees_by_month.append(by_month(paid))
        if len(self.fees_by_month) >= _MOST_PIECES:
            self.fees_by_month = [added(self.fees_by_month)]
        self.fees_by_office.append(by_office(paid))
        size = (pl.col("fee").cast(pl.Float64).log10() * STEPS).round(0).cast(pl.Int64)
        sizes = paid.group_by("code", size=size).len()
        self.fees.update({(code, int(step)): n for code, step, n in sizes.iter_rows()})
        of = done.join(self.kinds, on="code").filter(pl.col("tooth_fdi").is_between(11, 48))
        self.places.update({(kind, tooth): n for kind, tooth, n in of.group_by("kind", "tooth_fdi").len().iter_rows()})
        for name in ("provider_id", "site_id"):
            by = of.group_by(pl.col(name).cast(pl.String), paid=pl.col("fee").fill_null(0) > 0).len().drop_nulls()
            self.charged.setdefault(name, Counter()).update({(who, paid): n for who, paid, n in by.iter_rows()})
        free = (pl.col("fee").fill_null(0) == 0).alias("free")
        pieces = of.select("kind", free, patient=pl.col("patient_id").hash(0), tooth="tooth_fdi", day="service_date")
        self.held.add(distinct(pieces))

    @property
    def work(self) -> pl.DataFrame:
        """One row per distinct `kind, patient, tooth, day` of the patients held, and whether it is `free` of a fee."""
        return distinct(pl.concat([pl.DataFrame(schema=_WORK), *self.held.pieces], how="vertical_relaxed"))


K = TypeVar("K")
P = TypeVar("P")


def summed(counts: Iterable[Counter[K]], by: Callable[[K], P]) -> Counter[P]:
    """Counts added up by a part of what is counted."""
    found: Counter[P] = Counter()
    for one in counts:
        for key, n in one.items():
            found[by(key)] += n
    return found


def distinct(work: pl.DataFrame) -> pl.DataFrame:
    """One row per distinct `kind, patient, tooth, day`; `free` where none of its rows has a fee."""
    return work.group_by("kind", "patient", "tooth", "day").agg(pl.col("free").all())


def kinds_of(codes: pl.DataFrame) -> pl.DataFrame:
    """`code, kind`: the codes of work that marks a tooth, of a practice's codes (`code, event`)."""
    return codes.select("code", kind=pl.col("event").replace_strict(KINDS, default=None)).drop_nulls()


def together(pieces: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """One row per `id` with its rows `n`, its `first` and its `last` day."""
    nothing = pl.DataFrame(schema={"id": pl.String, "n": pl.UInt32, "first": pl.Date, "last": pl.Date})
    agg = (pl.col("n").sum(), pl.col("first").min(), pl.col("last").max())
    return pl.concat([nothing, *pieces], how="vertical_relaxed").group_by("id").agg(agg)


@dataclass(frozen=True)
class Whole:
    """All files of a ledger together; `is_whole` where every row of them was looked at."""

    files: Sequence[WorkSeen]
    is_whole: bool

    @property
    def rows(self) -> int:
        """Rows that stand."""
        return sum(f.rows for f in self.files)

    @cached_property
    def days(self) -> Counter[dt.date]:
        """Rows by day."""
        return sum((f.days for f in self.files), Counter[dt.date]())

    @cached_property
    def places(self) -> Counter[tuple[str, int]]:
        """Rows by kind of work and permanent tooth."""
        return sum((f.places for f in self.files), Counter[tuple[str, int]]())

    @cached_property
    def fees(self) -> Counter[tuple[str, int]]:
        """Rows by code and size of the fee."""
        return sum((f.fees for f in self.files), Counter[tuple[str, int]]())

    @cached_property
    def patients(self) -> pl.DataFrame:
        """One row per patient, `id, n, first, last`."""
        return together([piece for f in self.files for piece in f.patient_pieces])

    @cached_property
    def work(self) -> pl.DataFrame:
        """One row per distinct `kind, patient, tooth, day`, by tooth and day, and whether it is `free` of a fee."""
        one_in = max((f.held.one_in for f in self.files), default=1)
        every = pl.concat([WorkSeen(pl.DataFrame()).work, *(f.work for f in self.files)])
        return distinct(every.filter(pl.col("patient") % one_in == 0)).sort("patient", "tooth", "day")

    @cached_property
    def months(self) -> Counter[int]:
        """Rows by month, counted from the year 0."""
        return summed([self.days], month_of)
