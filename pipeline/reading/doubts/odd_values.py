"""A value or form that stands on work on teeth only, where examinations and cleanings never have it: no clinician,
midnight, a code in small letters, a tooth in brackets, other letters before the number of a claim.

What is planned has often no clinician yet, no time of the day, or no fee. Common practice, no source.
"""

from collections.abc import Collection, Iterator, Mapping

import polars as pl

from pipeline.reading.doubts.cells import OF, headings_of
from pipeline.reading.doubts.doubt import Doubt, ask, status_from
from pipeline.reading.doubts.standing import SMALL_LETTERS

# So many such rows; so large a share of the rows without a tooth among all, and of those with the value at most so many
# of the rows with one.
_LEAST, _OTHERS, _MOST = 15, 0.25, 0.6
_USUAL, _ALIKE = 0.6, 400
_BEGINNING, _BEGUN, _MOST_BEGINNINGS = r"^(\p{L}{1,6})[\s._/-]*\d", 0.9, 4
_NO_TIME = r"^0?0:00$"


def value_doubts(
    where: str, frame: pl.DataFrame, columns: Mapping[str, str], *, told: Collection[str], has_status: bool
) -> list[Doubt]:
    """A question for each field whose empty cells, midnights or fees of 0 stand so; `columns` maps fields to headings,
    `frame` holds rows as `rows_held.SCHEMA`. A status of their own says more of rows than that."""
    if has_status:
        return []
    found = []
    is_clock = frame["time"].null_count() == 0 and frame["time"].n_unique() >= _LEAST
    values = [
        (columns.get("provider_id"), pl.col("provider").is_null(), "empty", ""),
        (columns.get("site_id"), pl.col("site").is_null(), "empty", ""),
        (
            columns.get("service_date"),
            is_clock & pl.col("time").str.contains(_NO_TIME),
            "at midnight (00:00)",
            "* 00:00",
        ),
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
