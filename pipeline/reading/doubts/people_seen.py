"""Who the rows of one file are of: their numbers with what stands beside them, and the first day of each."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.reading.doubts.answers import Answers
from pipeline.reading.doubts.cells import text_of
from pipeline.reading.doubts.kept_words import headed

_MOST_PIECES = 64
_DAY_OF = {"procedures": "service_date", "patients": "birth_date"}
_PEOPLE = {n: pl.String() for n in ("id", "site", "name", "born", "dependant")}


@dataclass
class PeopleSeen:
    """Distinct people of the rows given to `add`; `named`, `born` and `dependants` are the headings that tell them."""

    table: str
    answers: Answers
    free: Sequence[str]  # headings that no field takes
    told: Sequence[object] = ()  # those of them that PRACTICE.toml takes otherwise
    _people: list[pl.DataFrame] = field(default_factory=list)
    _first_days: list[pl.DataFrame] = field(default_factory=list)

    def __post_init__(self) -> None:
        first, last = headed(self.free, "first_name"), headed(self.free, "name")
        self.named = [*first, *last][:2]
        self.born = self.answers.columns.get("birth_date") or next(iter(headed(self.free, "born")), None)
        self.dependants = headed([h for h in self.free if h not in self.told], "dependant")

    def add(self, rows: pl.DataFrame, fields: pl.DataFrame, cleaned: pl.DataFrame) -> None:
        """Take in a batch: its cells, the fields made of them and the typed rows."""
        self._add(self._people_of(rows, fields))
        if (day := _DAY_OF.get(self.table)) is not None:
            self._first_days.append(earliest([cleaned.select(id="patient_id", day=day)]))
            if len(self._first_days) >= _MOST_PIECES:
                self._first_days = [earliest(self._first_days)]

    def add_ids(self, ids: pl.Series) -> None:
        """Take in patients alone, of a file whose rows are not read."""
        rows = pl.DataFrame({"id": ids.str.strip_chars().replace("", None)}).drop_nulls().unique()
        self._add(rows.select("id", *(pl.lit(None, pl.String).alias(n) for n in _PEOPLE if n != "id")))

    @property
    def people(self) -> pl.DataFrame:
        """One row per distinct `id, site, name, born, dependant`; what the file does not tell is null."""
        if len(self._people) != 1:  # each piece has one row of a kind
            self._people = [pl.concat([pl.DataFrame(schema=_PEOPLE), *self._people]).unique()]
        return self._people[0]

    @property
    def first_days(self) -> pl.DataFrame:
        """`id, day`: the first day of work of each patient of a ledger, the birth of each one of a list of patients."""
        return earliest(self._first_days)

    def _add(self, people: pl.DataFrame) -> None:
        self._people.append(people)
        if len(self._people) >= _MOST_PIECES:
            self._people = [pl.concat(self._people).unique()]

    def _people_of(self, rows: pl.DataFrame, fields: pl.DataFrame) -> pl.DataFrame:
        named = [text_of(rows, h) for h in self.named]
        columns = {
            "id": fields["patient_id"].cast(pl.String).str.strip_chars(),
            "site": fields["site_id"].cast(pl.String) if "site_id" in fields.columns else None,
            "name": pl.select(pl.concat_str(named, separator=" ", ignore_nulls=True)).to_series() if named else None,
            "born": text_of(rows, self.born) if self.born else None,
            "dependant": text_of(rows, self.dependants[0]) if self.dependants else None,
        }
        there = {n: c for n, c in columns.items() if c is not None}
        found = pl.DataFrame(there)
        if self.answers.merged:  # what stands beside a number given up is no one's now
            is_old = self.answers.unmerged_ids(rows).is_in(list(self.answers.merged)).fill_null(False)
            beside = [n for n in found.columns if n not in ("id", "site")]
            found = found.with_columns(pl.when(~is_old).then(pl.col(n)).alias(n) for n in beside)
        found = found.drop_nulls("id").filter(pl.col("id") != "").unique()
        told = found.select(
            (pl.col(n) if n in there else pl.lit(None, pl.String)).cast(pl.String).replace("", None).alias(n)
            for n in _PEOPLE
        )
        return told.unique()


def earliest(frames: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """One row per `id` with the first `day` of some frames of both."""
    rows = pl.concat([pl.DataFrame(schema={"id": pl.String(), "day": pl.Date()}), *frames]).drop_nulls()
    return rows.group_by("id").agg(pl.col("day").min())
