"""Whether what is read as the key of a row is one: of several pieces of work with one key the last alone would stay."""

from collections import Counter
from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.doubts.sampled import Sampled
from pipeline.reading.suggest.toml_quote import quoted

MOST_HELD = 400_000  # of all files together, and of one before the next begins
_MANY = 0.05
_FIELDS = ("patient_id", "code", "tooth")
_LEAST_AGAIN = 3
# Of columns that are not the code.
ENTRY_HEADINGS = frozenset(["procedure no", "procedure number", "procedure nr", "proc no", "proc number", "proc nr"])


def no_keys() -> Sampled:
    """Hashes of keys (`id`) with those of the `patient` and of the `work`, of a share of the keys; none yet."""
    return Sampled("id", MOST_HELD, pl.DataFrame.unique)


def add_keys(held: Sampled, fields: pl.DataFrame) -> None:
    """Take in the fields of some rows, as they are written."""
    id_of = [name for name in ("procedure_id", "site_id") if name in fields.columns]
    work = [name for name in _FIELDS if name in fields.columns]
    text = pl.col(list(dict.fromkeys((*id_of, *work)))).cast(pl.String).str.strip_chars().str.to_lowercase()
    filled = fields.select(text).filter((pl.col("procedure_id") != "").fill_null(False))
    key = filled.select(id_of).hash_rows(seed=0).alias("id")
    if held.one_in > 1:
        is_held = key.to_frame().select(held.is_held).to_series()
        filled, key = filled.filter(is_held), key.filter(is_held)
    patient, of = filled.select("patient_id").hash_rows(seed=0), filled.select(work).hash_rows(seed=0)
    held.add(pl.DataFrame([key, patient.alias("patient"), of.alias("work")]))


def keys_of_several(table: str, heading: str, files: Sequence[Sampled]) -> list[Doubt]:
    """Keys under which several patients stand, or in one file several pieces of work."""
    for one in files:
        one.settle()
    one_in = max((one.one_in for one in files), default=1)
    held = [
        piece.filter(pl.col("id") % one_in == 0).with_columns(file=pl.lit(n, pl.Int32))
        for n, one in enumerate(files)
        for piece in one.pieces
    ]
    if not held:
        return []
    rows = pl.concat(held)
    met = rows.filter(rows["id"].is_duplicated())
    by_id = met.group_by("id").agg(
        patients=pl.col("patient").n_unique() > 1,
        work=(pl.col("file").n_unique() == 1) & (pl.col("work").n_unique() > 1),
    )
    again, wrong = by_id.height, int(by_id["patients"].sum())
    works = int(by_id.select(pl.col("patients") | pl.col("work")).to_series().sum())
    if wrong <= _MANY * again and works <= _MANY * again:
        return []
    share = f" (of one in {one_in:,} of them)" if one_in > 1 else ""
    return ask(
        "row_ids",
        table,
        f'column "{heading}" is read as the key of a row (procedure_id), and {works:,} of its values{share} stand '
        f"at several pieces of work, {wrong:,} of them at several patients. A later row replaces an earlier one of "
        "its key, so work would be lost.",
        table=table,
    )


def entries_again(entry: pl.Series, fields: pl.DataFrame, coded: pl.Series) -> Counter[str]:
    """Of the rows of a batch with a code (`fields`): how many have the number of an `entry` with the same patient, day
    and work again, how many have it with others, and how many have one at all."""
    of = [name for name in (*_FIELDS, "service_date") if name in fields.columns]
    rows = fields.select(pl.col(of).cast(pl.String).fill_null("").str.strip_chars()).with_columns(
        entry=entry.filter(coded).cast(pl.String).str.strip_chars().replace("", None)
    )
    rows = rows.drop_nulls("entry")
    works, entries = rows.unique().height, rows["entry"].n_unique()
    return Counter(entry_again=rows.height - works, entry_of_several=works - entries, entries=rows.height)


def again_doubts(where: str, heading: str | None, counts: Mapping[str, int]) -> list[Doubt]:
    """A column of the numbers of entries that nothing reads, and under which the same work stands again."""
    again, rows = counts["entry_again"], counts["entries"]
    if heading is None or again < max(_LEAST_AGAIN, _MANY * rows) or counts["entry_of_several"] > _MANY * rows:
        return []
    return ask(
        "entry_again",
        where,
        f'{again:,} of {rows:,} rows have in the column "{heading}", which is not read, the number of another row '
        "of the same patient, day, code and tooth.",
        of_ledger(f"columns.procedure_id = {quoted(heading)}", "yes: a number is one piece of work"),
    )
