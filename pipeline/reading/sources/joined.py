"""Columns of other files on the rows of a ledger: databases keep words, teeth and visits in lists of their own.

A row of the ledger names a row of the list by its key (`doc_no`, `tooth_id`); the columns of the list then stand on it
as `docs.doc_type`, under the name of the file. Each is told in PRACTICE.toml, none applied unasked.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.machine.errors import ConfigError, DataError
from pipeline.practice.table_settings import Join
from pipeline.reading.sources.source import Around, Batch, Source, refuse_absent

_EXAMPLE = '[{ file = "visits.csv", on = "visit_id" }]'


def prefix(join: Join) -> str:
    """What stands before the headings of a list."""
    return f"{join.sheet or Path(join.file).stem}."


def key_text(column: pl.Series) -> pl.Series:
    """A key as it is compared: without blanks around it, and `7.0` as `7`; empty where there is none."""
    return column.cast(pl.String).str.strip_chars().str.replace(r"^(\d+)\.0+$", "${1}").fill_null("").alias(_KEY)


@dataclass
class Joined(Around):
    """A source with the columns of lists beside it; see `pipeline.reading.sources.source.Source`. A row whose key the
    list lacks has nothing in these columns, and `remark` says how many have."""

    joins: tuple[Join, ...]
    file: str
    open: Callable[[Join], Source]
    _lists: list[pl.DataFrame] = field(default_factory=list, init=False)
    _without: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        for join in self.joins:
            refuse_absent([join.on], self.headings, "joined", file=self.file)
            rows = self._read(join)
            if twice := [h for h in rows.columns[1:] if h in self.headings]:
                raise DataError(
                    f'{self.file}: has a column "{twice[0]}" itself, and one of {Path(join.file).name} would be called '
                    "so too. Take that list out of joined, or give the column another heading."
                )
            self._lists.append(rows)

    @property
    def added(self) -> Sequence[str]:
        """The columns of each list."""
        return [h for rows in self._lists for h in rows.columns[1:]]

    def done(self) -> Sequence[str | None]:
        """How many keys are in no list."""
        return [f"{self._without:,} keys that the joined lists lack" if self._without else None]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        self._without = 0
        names = [join.on for join in self.joins if join.on in self.source.headings]
        for batch in self.source.batches(self.within(headings, *names)):
            rows = batch.rows
            for join, of in zip(self.joins, self._lists, strict=True):
                keys = key_text(rows.get_column(join.on))
                beside = keys.to_frame().join(of, on=_KEY, how="left", maintain_order="left").drop(_KEY)
                rows = rows.hstack(beside)
                self._without += int((~keys.is_in(of[_KEY].implode()) & (keys != "")).sum())
            yield replace(batch, rows=rows).only(headings)

    def _read(self, join: Join) -> pl.DataFrame:
        """The rows of a list as text, the key first; each key once."""
        path = Path(join.file)
        source = self.open(join)
        if join.key not in source.headings:
            raise DataError(
                f'{path.name}: has no column "{join.key}", by which {self.file} is joined to it. Name its column with '
                "key under joined."
            )
        headings = [h for h in source.headings if not h.startswith("(")]
        pieces = [batch.rows for batch in source.batches(headings)]
        rows = pl.concat(pieces) if pieces else pl.DataFrame(schema=dict.fromkeys(headings, pl.String()))
        others = [rows.get_column(h).cast(pl.String).alias(prefix(join) + h) for h in headings if h != join.key]
        key = key_text(rows.get_column(join.key))
        found = pl.DataFrame([key, *others]).filter(pl.col(_KEY) != "").unique(maintain_order=True)
        if twice := found.height - found[_KEY].n_unique():
            raise DataError(
                f'{path.name}: its column "{join.key}" has {twice:,} keys more than once, with other things beside '
                f"them, so that it does not say which is meant in {self.file}. Take the doubled rows out."
            )
        return found


def joins_of(raw: Mapping[str, Any], where: str) -> tuple[Join, ...]:
    """What `joined` of a table says. Raises ConfigError if it is no list of files with the column that names their
    rows."""
    given = raw.get("joined", [])
    is_list = isinstance(given, list) and all(
        isinstance(one, dict)
        and {"file", "on"} <= one.keys() <= {"file", "on", "key", "sheet"}
        and all(isinstance(text, str) and text.strip() for text in one.values())
        for one in given
    )
    if not is_list:
        raise ConfigError(
            f"{where} joined must list files with the column of the ledger that names a row of them, e.g. {_EXAMPLE}, "
            "key, where the column of the list is called otherwise, and sheet, where the file has several."
        )
    return tuple(
        Join(one["file"], one["on"].strip(), one.get("key", one["on"]).strip(), one.get("sheet", "")) for one in given
    )


_KEY = ":key"
