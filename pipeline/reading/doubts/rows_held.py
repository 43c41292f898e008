"""Typed rows of a ledger that stand, with the cells beside them that no field takes, and what they show of one another.
Of a large ledger the rows of one in so many patients are held, all of each, so that they can be laid side by side.
Common practice, no source."""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import polars as pl

from pipeline.reading.doubts.cells import OF, STANDS, headings_of, text_of
from pipeline.reading.doubts.doubt import Doubt, ask, status_from
from pipeline.reading.doubts.standing import SMALL_LETTERS, is_small


@dataclass
class Sampled:
    """Rows of one file, at most `most`; `by` is the column of hashes, `united` makes one of rows that are alike."""

    by: str
    most: int
    united: Callable[[pl.DataFrame], pl.DataFrame] | None = None
    one_in: int = 1
    pieces: list[pl.DataFrame] = field(default_factory=list)
    _is_settled: bool = True

    @property
    def height(self) -> int:
        """How many rows are held."""
        return sum(piece.height for piece in self.pieces)

    @property
    def is_held(self) -> pl.Expr:
        """Whether rows with such a hash are held."""
        return pl.col(self.by) % self.one_in == 0

    def add(self, rows: pl.DataFrame) -> None:
        """Take in some rows."""
        self.pieces.append(rows.filter(self.is_held) if self.one_in > 1 else rows)
        self._is_settled = False
        while self.height > self.most:
            self.settle()
            if self.height > self.most:
                self.take(2 * self.one_in)

    def take(self, one_in: int) -> None:
        """Hold the rows of one in so many alone, if more are held."""
        if one_in > self.one_in:
            self.one_in = one_in
            self.pieces = [piece.filter(self.is_held) for piece in self.pieces]

    def settle(self) -> None:
        """Make one of rows that are alike."""
        if self.united is not None and not self._is_settled:
            self.pieces = [self.united(pl.concat(self.pieces))]
        self._is_settled = True


@dataclass
class OfFiles:
    """What is held of several files: at most `most` rows together, of the same patients or numbers in all of them. It
    is brought down where a file begins, so that the order of rows changes nothing; a file adds what it may hold
    itself."""

    most: int
    one_in: int = 1
    files: dict[str, Sampled] = field(default_factory=dict)

    def begin(self, file: str, rows: Sampled) -> Sampled:
        """Hold rows of one more file; where it was begun before, in place of what was held of it then."""
        self.files.pop(file, None)
        for one in self.files.values():
            one.settle()
        while sum(one.height for one in self.files.values()) > self.most:
            self.one_in *= 2
            for one in self.files.values():
                one.take(self.one_in)
        rows.take(self.one_in)
        self.files[file] = rows
        return rows


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
        headings: list[str],
        fields: pl.DataFrame,
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


# So many such rows; so large a share of the rows without a tooth among all, and of those with the value at most so many
# of the rows with one.
_LEAST, _OTHERS, _MOST = 15, 0.25, 0.6
_USUAL, _ALIKE = 0.6, 400
_BEGINNING, _BEGUN, _MOST_BEGINNINGS = r"^(\p{L}{1,6})[\s._/-]*\d", 0.9, 4
_NO_TIME = r"^0?0:00$"


def value_doubts(
    where: str, frame: pl.DataFrame, columns: Mapping[str, str], *, told: Collection[str], has_status: bool
) -> list[Doubt]:
    """A question for each field whose empty cells, midnights or free fees stand so; a status of its own says more."""
    if has_status:
        return []
    found = []
    is_clock = frame["time"].null_count() == 0 and frame["time"].n_unique() >= _LEAST
    midnight = is_clock & pl.col("time").str.contains(_NO_TIME)
    values = [
        (columns.get("provider_id"), pl.col("provider").is_null(), "empty", ""),
        (columns.get("site_id"), pl.col("site").is_null(), "empty", ""),
        (columns.get("service_date"), midnight, "at midnight (00:00)", "* 00:00"),
        (columns.get("fee"), _is_free(frame), "0 or empty", "0.00"),
        (columns.get("code"), pl.col("is_small"), "in small letters", SMALL_LETTERS),
        (columns.get("tooth"), pl.col("is_braced"), "in brackets", "(*"),
        *_beginnings(frame),
    ]
    for heading, is_so, said, pattern in values:
        if heading is None or heading in told or frame.is_empty():
            continue
        rows = frame.select("code", "is_on_tooth", so=is_so.fill_null(False))
        n, among = int(rows["so"].sum()), int(rows["is_on_tooth"].sum())
        others = rows.filter(~pl.col("is_on_tooth"))
        on_teeth = int(rows.filter("so")["is_on_tooth"].sum())
        if n < _LEAST or on_teeth < n or others.height < _OTHERS * rows.height or n > _MOST * among:
            continue
        of_codes = rows.filter("is_on_tooth").group_by("code").agg(pl.col("so").mean(), pl.len())
        if int(of_codes.filter(pl.col("so") >= _USUAL)["len"].sum()) * 2 > n:
            continue  # it hangs on the code
        found += ask(
            "only_on_treatments",
            where,
            f'column "{heading}" is {said} on {n:,} of {rows.height:,} rows, all of them work on a tooth; on '
            f"none of the {others.height:,} rows of examinations, cleanings and the like is it so.",
            status_from(heading, {pattern: "planned"}, "yes, it was not done: planned, or void"),
        )
    return found


def _beginnings(frame: pl.DataFrame) -> Iterator[tuple[str, pl.Expr, str, str]]:
    """Letters before numbers in columns that no field takes, where there are few, but for the commonest."""
    for heading in headings_of(frame):
        begun = frame[OF + heading].str.extract(_BEGINNING)
        counts = begun.drop_nulls().value_counts(name="n").sort("n", begun.name, descending=[True, False])
        if 2 <= counts.height <= _MOST_BEGINNINGS and counts["n"].sum() >= _BEGUN * frame.height:
            for letters in counts[begun.name].to_list()[1:]:
                is_so = pl.col(OF + heading).str.extract(_BEGINNING) == letters
                yield heading, is_so, f"begun with {letters}", f"{letters.lower()}*"


def _is_free(frame: pl.DataFrame) -> pl.Expr:
    """Work that marks a tooth, without a fee, where no like work on that tooth is near that has one: no remake."""
    if frame.is_empty():
        return pl.lit(False)
    work = frame.filter(pl.col("kind").is_not_null()).select("patient", "tooth", "kind", "day", "fee", "row_number")
    paid = work.filter(pl.col("fee") > 0).select("patient", "tooth", "kind", other="day")
    free = work.filter(pl.col("fee").fill_null(0) == 0)
    near = free.join(paid, on=["patient", "tooth", "kind"])
    near = near.filter((pl.col("other") - pl.col("day")).dt.total_days().abs() <= _ALIKE)
    alone = free.filter(~pl.col("row_number").is_in(near["row_number"].implode()))["row_number"]
    return pl.col("row_number").is_in(alone.implode())


_LEAST_SLID, _NEARLY, _CODE_ROWS, _STRETCH = 8, 0.85, 10, 0.5
_VISITS, _CROSSED = 12, 0.9


def slid_doubts(where: str, held: RowsHeld) -> list[Doubt]:
    """Rows with a tooth under codes that hardly ever have one, all in the one stretch in which others lack theirs."""
    if sum(map(len, held.toothless)) < _LEAST_SLID:
        return []
    frame, toothless = held.frame, pl.concat(held.toothless)
    share = pl.col("is_on_tooth").mean().over("code")
    with_none = frame.filter(pl.len().over("code") >= _CODE_ROWS).filter(share <= 1 - _NEARLY)
    too_many = with_none.filter("is_on_tooth")["row_number"]
    if min(too_many.len(), toothless.len()) < _LEAST_SLID:
        return []
    first, last = (int(too_many.quantile(q, "nearest")) for q in (0.02, 0.98))  # type: ignore[arg-type]
    absent = int(toothless.is_between(first - 1, last + 1).sum())
    within = frame["row_number"].is_between(first, last).sum()
    if within > _STRETCH * frame.height or absent < max(_LEAST_SLID, _NEARLY * toothless.len()):
        return []
    return ask(
        "column_slid",
        where,
        f"between the rows {first:,} and {last:,} {absent:,} rows of work on a tooth have none, and "
        f"{too_many.len():,} rows of examinations, cleanings and the like have one; elsewhere hardly any.",
    )


def crossed_doubts(where: str, frame: pl.DataFrame) -> list[Doubt]:
    """Days of a patient with several teeth and several codes on which each code stands with each tooth."""
    work = frame.drop_nulls("tooth").select("patient", "day", "code", "tooth").unique()
    days = work.group_by("patient", "day").agg(
        pl.len(), codes=pl.col("code").n_unique(), teeth=pl.col("tooth").n_unique()
    )
    days = days.filter(pl.col("codes") > 1, pl.col("teeth") > 1)
    crossed = days.filter(pl.col("len") == pl.col("codes") * pl.col("teeth"))
    if days.height < _VISITS or crossed.height < _CROSSED * days.height:
        return []
    return ask(
        "joined_by_visit",
        where,
        f"on {crossed.height:,} of {days.height:,} days on which a patient had several procedures on several teeth "
        "each procedure stands with each tooth.",
    )
