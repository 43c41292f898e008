"""What the amounts of a file say of its rows: a running balance, totals below rows, corrections by amount, a row for
each payment. Where such sums hold on nearly all rows, those on which they do not are asked about. The sums are those of
`sources.by_amounts`, which applies the answers. Common practice, no source."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.tables import REVERSAL
from pipeline.reading.doubts.amounts import amount_columns
from pipeline.reading.doubts.cells import OF, STANDS, headings_of, read_once, text_of
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.doubts.standing import words_of
from pipeline.reading.headings import plain_heading
from pipeline.reading.sources.by_amounts import (
    AGAIN,
    LEFT_OUT,
    SIGN,
    UNMOVED,
    amounts,
    are_totals,
    left_out,
    taken_back,
    total_lines,
    unmoved,
)
from pipeline.reading.suggest.shown import quoted

_MOST_HELD, _LEAST, _HOLDS, _NEARLY_ALL = 100_000, 3, 0.75, 0.9
_ENOUGH, _SOON, _MOST_COLUMNS = 20, 10, 8
_LEAST_PIECES, _MOST_PIECES = 5, 100
_OF_ONE = words_of("unit each einzelpreis einzelbetrag unitaire unitario unitaria stukprijs jednostkowa")
_AMOUNT = r"^[\s\p{Sc}(+−–-]*\d[\d,.'’ ]*[)\s\p{Sc}−–-]*$"
_STEM = r"^([^\d]*)"
_NEEDED = {"row_number", "patient_id", "code", "fee"}


@dataclass
class RowSums:
    """The first rows of a ledger, with their amounts; `kinds` is `code, kind`, `lines` are totals that are no rows."""

    kinds: pl.DataFrame
    held: list[tuple[pl.DataFrame, pl.DataFrame]] = field(default_factory=list)  # rows, and those of them that stand
    lines: list[pl.DataFrame] = field(default_factory=list)
    rows: int = 0
    columns: list[str] | None = None  # of amounts that nothing reads

    def add(
        self, rows: pl.DataFrame, fields: pl.DataFrame, cleaned: pl.DataFrame, unread: Sequence[str], texts: list[str]
    ) -> None:
        """Take in a batch: its cells, fields and typed rows, the headings that nothing reads, and those of words."""
        if self.rows >= _MOST_HELD or not rows.height or not {*fields.columns} >= _NEEDED:
            return
        if self.columns is None:
            self.columns = [h for h in unread if _is_amounts(text_of(rows, h))][:_MOST_COLUMNS]
        there = [h for h in self.columns if h in rows.columns]
        code = fields["code"].cast(pl.String)
        frame = pl.DataFrame(
            [
                fields["row_number"],
                fields["patient_id"].cast(pl.String).alias("patient"),
                code.alias("code"),
                read_once(fields["fee"], amounts).alias("fee"),
                are_totals(rows, code).alias("is_total"),
                *(rows.get_column(h).alias(OF + h) for h in texts if h in rows.columns),
                *(read_once(text_of(rows, h), amounts).alias(f"sum:{h}") for h in there),
                *([fields.drop("row_number").hash_rows(0).alias("alike")] if there else []),
            ]
        )
        done = cleaned.lazy().filter(STANDS).select("row_number", "code", day="service_date").collect()
        self.held.append((frame, done))
        self.rows += rows.height

    def add_lines(self, malformed: pl.DataFrame) -> None:
        """Take in the lines of a batch that are no rows: totals among them."""
        if self.rows < _MOST_HELD and malformed.height:
            self.lines.append(total_lines(malformed))

    @property
    def may_tell(self) -> bool:
        """Whether there are amounts beside, totals or amounts below zero enough for any sum to be asked about."""
        totals = sum(int(frame["is_total"].sum()) for frame, _ in self.held) + sum(map(len, self.lines))
        below = sum(int((frame["fee"] < 0).sum()) for frame, _ in self.held)
        return bool(self.columns) or totals >= _ENOUGH or below >= _LEAST

    @property
    def frame(self) -> pl.DataFrame:
        """A row per row and total, in their order."""
        return pl.concat([*map(self._typed, self.held), *self.lines], how="diagonal").sort("row_number")

    def _typed(self, held: tuple[pl.DataFrame, pl.DataFrame]) -> pl.DataFrame:
        frame, done = held
        stands = done.join(self.kinds, on="code", how="left").unique("row_number")
        texts = pl.col(f"^{OF}.*$").cast(pl.String).str.strip_chars()
        beside = stands.select("row_number", "kind", "day", stands=True)
        return frame.with_columns(texts).join(beside, on="row_number", how="left", maintain_order="left")


def _is_amounts(texts: pl.Series) -> bool:
    filled = texts.replace("", None).drop_nulls().head(2_000)
    return filled.len() > _LEAST and int(filled.str.contains(_AMOUNT).sum()) >= _NEARLY_ALL * filled.len()


def sum_doubts(where: str, seen: RowSums, columns: Mapping[str, str]) -> list[Doubt]:
    """All such questions of one file."""
    if not seen.rows or not seen.may_tell:
        return []
    rows = seen.frame
    found = [*_balances(where, rows), *_totals(where, rows, columns["fee"])]
    found += [*_corrections(where, rows), *_payments(where, rows)]
    return [*found, *_pieces(where, rows, columns["fee"])]


def _sign_is(heading: str, status: str) -> str:
    """The line that says what rows with a sign of `by_amounts` are."""
    return f'status_from.{quoted(heading)} = {{ "{SIGN}" = "{status}" }}'


def _balances(where: str, rows: pl.DataFrame) -> Iterator[Doubt]:
    for heading in (c.removeprefix("sum:") for c in rows.columns if c.startswith("sum:")):
        of = rows.select("patient", "fee", "kind", "stands", balance=f"sum:{heading}")
        told = of.with_columns(unmoved=unmoved(of)).filter(pl.col("unmoved").is_not_null())
        still = told.filter("unmoved", "stands")
        n, moved = still.height, told.filter(~pl.col("unmoved")).height
        if n < _LEAST or moved < max(_ENOUGH, _HOLDS * of.drop_nulls(["fee", "balance"]).height):
            continue
        work = still["kind"].count()
        yield from ask(
            "rows_outside_the_sum.balance",
            where,
            f'the column "{heading}" is a running balance: each row adds its amount to it ({moved:,} rows), but {n:,} '
            f"rows do not, {work:,} of them crowns, root canals, extractions or fillings.",
            of_ledger(_sign_is(heading + UNMOVED, "planned"), "yes; or void"),
        )


def _totals(where: str, rows: pl.DataFrame, fee: str) -> list[Doubt]:
    blocks = left_out(rows.select("fee", "is_total"))
    short = blocks.filter(pl.col("short") > 0.005)
    by_one = short["only"].count()
    agree = blocks.filter(pl.col("short").abs() <= 0.005).height
    out = rows[short["only"].drop_nulls().to_list()].filter("stands").height if by_one else 0
    if agree < max(_ENOUGH, _HOLDS * blocks.height) or out < _LEAST or by_one < _HOLDS * short.height:
        return []
    rest = short.height - by_one
    more = f"; on {rest:,} it could be one of several rows, which stay: compare these days by hand" if rest else ""
    return ask(
        "rows_outside_the_sum.totals",
        where,
        f"{agree:,} of {blocks.height:,} totals are the sum of the rows above them; {short.height:,} are less, "
        f"{by_one:,} of these by the amount of just one row{more}.",
        of_ledger(_sign_is(fee + LEFT_OUT, "void"), "yes; or planned"),
    )


def _corrections(where: str, rows: pl.DataFrame) -> list[Doubt]:
    for heading in headings_of(rows):
        stem = pl.col(OF + heading).str.extract(_STEM).str.strip_chars()
        of = rows.with_columns(stem=stem, is_back=(pl.col("fee") < 0) & pl.col("kind").is_null() & pl.col("stands"))
        pairs = pl.DataFrame(taken_back(of), {"back": pl.Int64(), "charge": pl.Int64()}, orient="row")
        at = of.with_row_index("at").select(pl.col("at").cast(pl.Int64), "stem", "day", "kind")
        both = pairs.join(at, left_on="back", right_on="at").join(at, left_on="charge", right_on="at", suffix="_charge")
        apart = (pl.col("day") - pl.col("day_charge")).dt.total_days()
        soon = both.filter(apart.is_between(0, _SOON))
        near = soon.group_by("stem").agg(n=pl.len(), work=pl.col("kind_charge").count())
        every = of.filter("is_back").group_by("stem").agg(of=pl.len())
        said = near.join(every, on="stem").filter(
            pl.col("stem").str.len_chars() > _LEAST, pl.col("n") >= _NEARLY_ALL * pl.col("of"), pl.col("work") >= _LEAST
        )
        # Payments of single charges may be of their amounts too, but not so nearly all, and not of work alone.
        for text, n, work, every_n in said.filter(pl.col("work") >= 0.8 * pl.col("n")).sort("stem").iter_rows():
            line = f'status_from.{quoted(heading)} = {{ {quoted(text.lower() + "*")} = "{REVERSAL}" }}'
            return ask(
                "rows_outside_the_sum.corrections",
                where,
                f'{n:,} of {every_n:,} rows whose text in "{heading}" begins with {text} are below zero by just '
                f"the amount of a row of the same patient at most {_SOON} days before, {work:,} of these crowns, "
                "root canals, extractions or fillings; they name neither its code nor its tooth.",
                of_ledger(line, "yes: the row of that amount is taken back"),
            )
    return []


def _payments(where: str, rows: pl.DataFrame) -> list[Doubt]:
    work = rows.filter("stands", pl.col("fee") > 0)
    for heading in (c for c in rows.columns if c.startswith("sum:")):
        sets = work.group_by("alike").agg(n=pl.len(), fee=pl.col("fee").first(), paid=pl.col(heading).sum())
        several = sets.filter(pl.col("n") > 1)
        fits = several.filter((pl.col("paid") - pl.col("fee")).abs() < 0.02)
        if several.height < _ENOUGH or fits.height < _HOLDS * several.height:
            continue
        return ask(
            "rows_outside_the_sum.payments",
            where,
            f"{several.height:,} rows stand there again, alike but for columns that nothing reads, "
            f"{several['n'].sum():,} in all, and the amounts in {quoted(heading.removeprefix('sum:'))} of such "
            "rows add up to the fee of one.",
            of_ledger(_sign_is(AGAIN, "void"), "yes: the first of them counts"),
        )
    return []


def _pieces(where: str, rows: pl.DataFrame, fee: str) -> list[Doubt]:
    work = rows.filter("stands", pl.col("fee") > 0)
    for heading in (c.removeprefix("sum:") for c in rows.columns if c.startswith("sum:")):
        if not amount_columns([heading]) or not (count := work[f"sum:{heading}"]).len():
            continue
        one = work.filter(count == 1).group_by("code").agg(usual=pl.col("fee").median())
        several = work.filter(count > 1)
        usual = pl.col("usual")
        each = several.join(one, on="code").filter(pl.col("fee").is_between(0.8 * usual, 1.25 * usual))
        is_told = bool(_OF_ONE & set(plain_heading(fee).split()))
        if several.height < _LEAST_PIECES or count.max() > _MOST_PIECES:  # type: ignore[operator]
            continue
        if not is_told and not (each.height and each.height >= _NEARLY_ALL * several.height):
            continue
        return ask(
            "fee_of_one_piece",
            where,
            f'{several.height:,} rows have 2 or more in the column "{heading}", and by '
            + (f'its heading "{fee}" is' if is_told else f'that of rows with 1 the fee in "{fee}" is')
            + " that of one piece.",
            of_ledger(f"fee_times = {quoted(heading)}", "yes: fee times count"),
        )
    return []
