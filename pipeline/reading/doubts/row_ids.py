"""Whether what is read as the key of a row is one: of several pieces of work with one key the last alone would stay."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.suggest.toml_quote import quoted

_MOST_HELD = 400_000
_MANY = 0.05
_FIELDS = ("patient_id", "code", "tooth")
_LEAST_AGAIN = 3
# Of columns that are not the code.
ENTRY_HEADINGS = frozenset(["procedure no", "procedure number", "procedure nr", "proc no", "proc number", "proc nr"])


@dataclass
class RowIds:
    """Hashes of keys with those of the patient and of the work, of a share of the keys that fits in memory."""

    one_in: int = 1
    held: pl.DataFrame = field(
        default_factory=lambda: pl.DataFrame(schema=dict.fromkeys(("id", "patient", "work"), pl.UInt64()))
    )

    def add(self, fields: pl.DataFrame) -> None:
        """Take in the fields of some rows, as they are written."""
        id_of = [name for name in ("procedure_id", "site_id") if name in fields.columns]
        work = [name for name in _FIELDS if name in fields.columns]
        text = pl.all().cast(pl.String).str.strip_chars().str.to_lowercase()
        filled = fields.select(text).filter((pl.col("procedure_id") != "").fill_null(False))
        new = pl.DataFrame(
            {
                "id": filled.select(id_of).hash_rows(seed=0),
                "patient": filled.select("patient_id").hash_rows(seed=0),
                "work": filled.select(work).hash_rows(seed=0),
            }
        )
        self.held = pl.concat([self.held, self._share(new)]).unique()
        while self.held.height > _MOST_HELD:
            self.one_in *= 2
            self.held = self._share(self.held)

    def _share(self, rows: pl.DataFrame) -> pl.DataFrame:
        return rows.filter(pl.col("id") % self.one_in == 0) if self.one_in > 1 else rows


def keys_of_several(table: str, heading: str, files: Sequence[RowIds]) -> list[Doubt]:
    """Keys under which several patients stand, or in one file several pieces of work."""
    if not files:
        return []
    one_in = max(f.one_in for f in files)
    every = pl.concat([f.held.with_columns(file=pl.lit(n)) for n, f in enumerate(files)])
    every = every.filter(pl.col("id") % one_in == 0)
    by_id = every.group_by("id").agg(
        again=pl.len() > 1,
        patients=pl.col("patient").n_unique() > 1,
        work=(pl.col("file").n_unique() == 1) & (pl.col("work").n_unique() > 1),
    )
    again, wrong = (int(by_id[c].sum()) for c in ("again", "patients"))
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
        f"If it is no key, or is counted anew in each file, take the line columns.procedure_id out under "
        f"[tables.{table}].",
        so="it is the key: the later row corrects the earlier one",
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
        "Is such a row the same piece of work again, as on a claim to a second insurer? Then it would count twice.",
        of_ledger(f"columns.procedure_id = {quoted(heading)}", "yes: a number is one piece of work"),
        so="no: each row is work of its own",
    )
