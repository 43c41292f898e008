"""Rows that the amounts of a file itself show not to count: a running balance that they do not move, a total below
them that leaves them out, a correction of just their amount, or a row like them for each payment.

Where PRACTICE.toml says what such rows are, each has a sign in a column of its own: `Balance (unmoved)`, `Amount (not
in the total)`, `(taken back)`, `(again)`. A first reading finds them, since a total or a correction stands below what
it is about.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.reading.sources.source import ROW, Amounts, Around, Batch
from pipeline.reading.sources.standing_names import fits
from pipeline.transforms.totals import TOTAL_WORDS

UNMOVED, LEFT_OUT, TAKEN_BACK, AGAIN = " (unmoved)", " (not in the total)", "(taken back)", "(again)"
SIGN = "so"
_CENT = 0.005
_TOTAL = rf"(?i)^\W*(?:(?:day|daily|page|week|month)\w*\W+)?(?:{TOTAL_WORDS})\b"


def is_sign(heading: str) -> bool:
    """Whether a heading is that of such a column."""
    return heading in (TAKEN_BACK, AGAIN) or heading.endswith((UNMOVED, LEFT_OUT))


def amounts(text: pl.Expr) -> pl.Expr:
    """Amounts as numbers; null where there is none. The last point or comma before one or two digits is the decimal
    sign."""
    bare = text.cast(pl.String).str.replace_all(r"[\s\p{Sc}'’]|(?i:cr\.?$)", "").str.replace_all("[−–]", "-")
    below = bare.str.contains(r"^\(.*\)$|^-|-$") | text.cast(pl.String).str.contains(r"(?i)cr\.?\s*$")
    plain = bare.str.replace_all(r"[()+-]", "")
    cents = plain.str.extract(r"[.,](\d{1,2})$")
    whole = plain.str.replace(r"[.,]\d{1,2}$", "").str.replace_all(r"[.,]", "")
    number = pl.concat_str(whole, pl.lit("."), cents.fill_null("0")).cast(pl.Float64, strict=False)
    return pl.when(below).then(-number).otherwise(number)


def are_totals(rows: pl.DataFrame, codes: pl.Series) -> pl.Series:
    """Which rows have no code and a cell of their own that begins with a word for a total."""
    cells = [c for c in rows.columns if rows.schema[c] == pl.String and not c.startswith("(")]
    begins = pl.any_horizontal([pl.col(c).str.contains(_TOTAL).fill_null(False) for c in cells] or [pl.lit(False)])
    has_none = codes.cast(pl.String).str.strip_chars().fill_null("") == ""
    if not (cells and has_none.any()):
        return has_none & pl.Series([False])
    return has_none.scatter(has_none.arg_true(), rows.select(cells).filter(has_none).select(begins).to_series())


def total_lines(malformed: pl.DataFrame) -> pl.DataFrame:
    """`row_number, fee, is_total` of lines that were found to be totals already; the amount stands last in them."""
    line = pl.col("raw_row").fill_null("").str.strip_chars(' ,;|\t"')
    totals = malformed.filter(pl.col("reason").is_in(["totals_row", "note_line"]), line.str.contains(_TOTAL))
    return totals.select(ROW, fee=amounts(line.str.extract(r"(\S+)$")), is_total=pl.lit(value=True)).drop_nulls("fee")


def unmoved(rows: pl.DataFrame) -> pl.Series:
    """Of rows (`patient, fee, balance`, in the order of the file) those whose amount the balance does not hold: true,
    those that it does: false, others null. The balance is each patient's, or that of all, whichever holds more."""
    balance, fee = pl.col("balance"), pl.col("fee")
    is_priced = fee.is_not_null() & (fee.abs() > _CENT) & balance.is_not_null()
    ways = []
    for before in (balance.forward_fill().shift(1).over("patient").fill_null(0), balance.forward_fill().shift(1)):
        told = pl.when(_near(before + fee, balance)).then(False).when(_near(before, balance)).then(True)
        ways.append(rows.select(pl.when(is_priced).then(told).alias("unmoved")).to_series())
    return max(ways, key=lambda told: (~told).sum())


def left_out(rows: pl.DataFrame) -> pl.DataFrame:
    """Of rows (`fee, is_total`, in the order of the file), a row per total: `block, n, short, only`: by how much it is
    less than its rows, and the place of the one row of that amount, null where there is none or several."""
    of = rows.lazy().with_row_index("at").with_columns(block=pl.col("is_total").cum_sum().shift(1).fill_null(0))
    totals = of.filter("is_total").select("block", total="fee")
    each = of.filter(~pl.col("is_total"), pl.col("fee").is_not_null()).join(totals, on="block")
    sums = each.group_by("block").agg(n=pl.len(), short=pl.col("fee").sum() - pl.col("total").first())
    near = each.join(sums, on="block").filter(pl.col("short") > _CENT, _near(pl.col("fee"), pl.col("short")))
    only = near.group_by("block").agg(only=pl.col("at").first(), n_near=pl.len()).filter(pl.col("n_near") == 1)
    return sums.join(only.select("block", "only"), on="block", how="left").sort("block").collect()


def taken_back(rows: pl.DataFrame) -> list[tuple[int, int]]:
    """Pairs (correction, charge) of places of rows (`patient, code, fee, is_back`, in the order of the file): for each
    row that takes back (`is_back`) the nearest one before it, else behind it, of the same patient and amount. None of
    a row under whose code work is charged: it takes back by its code."""
    of = rows.with_row_index("at").drop_nulls(["patient", "fee"])
    of = of.with_columns(cents=(pl.col("fee") * 100).round(0).abs())
    is_charge = ~pl.col("is_back") & (pl.col("fee") > 0)
    backs = of.filter(
        "is_back", ~pl.col("code").fill_null("").is_in(of.filter(is_charge)["code"].drop_nulls().implode())
    )
    same = backs.select("patient", "cents").unique()
    charges: dict[tuple[str, float], list[int]] = {}
    for at, *key in of.filter(is_charge).join(same, on=["patient", "cents"]).select("at", *same.columns).iter_rows():
        charges.setdefault((key[0], key[1]), []).append(at)
    found = []
    for at, *key in backs.select("at", *same.columns).iter_rows():
        if near := charges.get((key[0], key[1])):
            one = min(near, key=lambda charge: (charge > at, abs(charge - at)))
            near.remove(one)
            found.append((at, one))
    return found


def _near(a: pl.Expr, b: pl.Expr) -> pl.Expr:
    return ((a - b).abs() < _CENT).fill_null(False)


@dataclass
class ByAmounts(Around):
    """A source whose rows have these signs; see `Source`."""

    told: Amounts
    _found: dict[str, list[int]] | None = field(default=None, init=False)

    @property
    def added(self) -> Sequence[str]:
        """Those of the signs whose column is there."""
        there = self.source.headings
        base = {sign: sign.removesuffix(UNMOVED).removesuffix(LEFT_OUT) for sign in self.told.signs}
        return [sign for sign in self.told.signs if sign in (TAKEN_BACK, AGAIN) or base[sign] in there]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        signs = [sign for sign in self.added if headings is None or sign in headings]
        if signs and self._found is None:
            self._found = self._look()
        for batch in self.source.batches(self.within(headings)):
            found = {sign: batch.numbers.is_in((self._found or {})[sign]) for sign in signs}
            so = [pl.when(has).then(pl.lit(SIGN)).alias(sign) for sign, has in found.items()]
            yield replace(batch, rows=batch.rows.with_columns(so)).only(headings)

    def _look(self) -> dict[str, list[int]]:
        """The numbers of the rows with each sign."""
        held = [piece for batch in self.source.batches() for piece in (self._of(batch), total_lines(batch.malformed))]
        rows = pl.concat(held, how="diagonal").sort(ROW) if held else pl.DataFrame()
        found: dict[str, list[int]] = {sign: [] for sign in self.added}
        for sign in found if rows.height else ():
            if sign == TAKEN_BACK:
                places = [at for pair in taken_back(rows) for at in pair]
            elif sign == AGAIN:
                rows = rows.filter(~pl.col("is_total"))
                is_again = ~pl.col("alike").is_first_distinct() & (pl.col("code") != "").fill_null(False)
                places = rows.select(is_again.arg_true()).to_series().to_list()
            elif sign.endswith(LEFT_OUT):
                places = left_out(rows)["only"].drop_nulls().to_list()
            else:
                of = rows.select("patient", "fee", balance=sign)
                places = unmoved(of).fill_null(False).arg_true().to_list()
            found[sign] = rows[ROW].gather(places).to_list()
        return found

    def _of(self, batch: Batch) -> pl.DataFrame:
        """What the sums need of a batch."""
        told, rows, none = self.told, batch.rows, pl.Series([None] * batch.rows.height, dtype=pl.String)
        names = {"patient": told.patient, "code": told.code, "fee": told.fee}
        names |= {sign: sign.removesuffix(UNMOVED) for sign in self.added if sign.endswith(UNMOVED)}
        cells = {n: rows.get_column(h).cast(pl.String) if h in rows.columns else none for n, h in names.items()}
        frame = pl.DataFrame({n: text.str.strip_chars() for n, text in cells.items()})
        back = [
            [fits(t or "", p) for t in rows.get_column(h).cast(pl.String)] for h, p in told.back if h in rows.columns
        ]
        return frame.with_columns(
            batch.numbers.alias(ROW),
            are_totals(rows, frame["code"]).alias("is_total"),
            pl.Series("is_back", [any(one) for one in zip(*back, strict=True)] or [False] * rows.height),
            rows.select(h for h in told.mapped if h in rows.columns).hash_rows(0).alias("alike"),
            *(amounts(pl.col(n)).alias(n) for n in names if n not in ("patient", "code")),
        )
