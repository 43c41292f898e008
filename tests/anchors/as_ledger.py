"""A table of survival times written as a practice's files, and run whole: what all anchors are instances of.

A row of the table is a tooth, in a patient of its own. It tells the days, counted from the seat of its crown (from its
root canal where it never had a crown), on which it was opened, failed and was last seen, as far as these happened. They
become the rows that a ledger would hold of such a tooth, so that nothing but files is handed to the pipeline.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.practice.tables import CROWNS, PATIENTS
from pipeline.reading.config import load_settings
from pipeline.reading.doubts.signs import SIGNS
from pipeline.results import Comparison, Group, Milestone, RateRow, Results
from pipeline.stages.run import everything
from pipeline.storing.store import open_store
from tests.recounts import without_recounts

# Rows of a ledger by what they say; numbers of public code lists.
CROWN, ROOT_CANAL, REMOVED, EXTRACTED = "D2750", "D3330", "D2956", "D7140"
TOOTH = "36"  # one kind of tooth, of which no published table makes a difference
FIRST_DAY = dt.date(2000, 1, 3)
# Of a table: the days since the start, and what is known of the patient.
DAYS = ("opened", "failed", "last")
PEOPLE = ("birth_date", "bruxism")


@dataclass(frozen=True)
class Whole:
    """What the pipeline made of a practice's files: its results, and the stored crowns and patients."""

    results: Results
    crowns: pl.DataFrame
    patients: pl.DataFrame

    def comparison(self, name: str = "crown_longevity_by_endo_timing") -> Comparison:
        """One comparison by its id."""
        return next(c for c in self.results.comparisons if c.id == name)

    def group(self, name: str, comparison: str = "crown_longevity_by_endo_timing") -> Group:
        """One group of a comparison by its name."""
        return next(g for g in self.comparison(comparison).groups if g.name == name)

    def rates(self, name: str) -> Sequence[RateRow]:
        """The rows of one table of success rates by its id."""
        return next(t for t in self.results.rates if t.id == name).rows


def whole(
    folder: Path, teeth: pl.DataFrame, *, horizon: int = 5, analysis: Mapping[str, object] | None = None
) -> Whole:
    """Write `teeth` as a practice and run ingest, link and compare on it.

    The other ways to count are left out: they link the same ledger some dozen times more, and no source has them.
    """
    settings = load_settings(as_ledger(folder, teeth, horizon=horizon, analysis=analysis or {}))
    with without_recounts():
        results = everything(settings, today=dt.date(2026, 1, 1), say=lambda _: None)
    with open_store(settings.practice.database, read_only=True) as store:
        return Whole(results, store.read(CROWNS), store.read(PATIENTS))


def as_ledger(folder: Path, teeth: pl.DataFrame, *, horizon: int, analysis: Mapping[str, object]) -> Path:
    """Write ledger, patients and `practice.toml`; returns the path of the last.

    Columns of `teeth`, of which only `last` is needed:

    - `start`: the date on which the clock starts, `FIRST_DAY` if the table has none.
    - `root_canal`: a root canal is completed on the day of the start, by which the tooth is root-filled at the seat.
    - `crowned`: a crown is seated at the start (True if the table has no such column).
    - `opened`, `failed`, `last`: days since the start; null for what never happened. `last` is the last contact; a
      tooth that failed may be followed on, which changes nothing.
    - `how`: the code of the row that tells of the failure, `EXTRACTED` if the table has none.
    - `clinic`: a label for rates by clinic.
    - `birth_date`, `bruxism`: of the patient.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rows = _complete(teeth)
    day = {name: pl.col("start") + pl.duration(days=name) for name in DAYS}
    events = [
        _rows(rows.filter("root_canal"), pl.col("start"), pl.lit(ROOT_CANAL)),
        _rows(rows.filter("crowned"), pl.col("start"), pl.lit(CROWN)),
        _rows(rows.filter(pl.col("opened").is_not_null()), day["opened"], pl.lit(ROOT_CANAL)),
        _rows(rows.filter(pl.col("failed").is_not_null()), day["failed"], pl.col("how")),
    ]
    pl.concat(events).write_csv(folder / "ledger.csv")
    rows.select("patient_id", *PEOPLE, last_contact_date=day["last"]).write_csv(folder / "patients.csv")
    numbers = {"horizon_years": horizon, **analysis}
    toml = folder / "practice.toml"
    toml.write_text(_TOML + "".join(f"{name} = {value}\n" for name, value in numbers.items()), encoding="utf-8")
    return toml


_TOML = """
[practice]
name = "Alder Row Dental, from a published table"
tooth_notation = "fdi"
code_system = "cdt"
date_format = "%Y-%m-%d"
root_canals_elsewhere = "none"
accepted = [ACCEPTED]  # a published table follows all teeth from one day, and holds nothing else

[tables.procedures]
files = ["ledger.csv"]

[tables.patients]
files = ["patients.csv"]

[analysis]
""".replace("ACCEPTED", ", ".join(f'"{name}"' for name in ("crowded_day", *(sign.id for sign in SIGNS))))


def milestone(group: Group, years: float) -> Milestone:
    """What stands under a group's curve at so many years."""
    return next(m for m in group.milestones if m.years == years)


def _complete(teeth: pl.DataFrame) -> pl.DataFrame:
    """The table with every column that it may have, and one patient a row."""
    absent: dict[str, pl.Expr] = {
        "start": pl.lit(FIRST_DAY),
        "root_canal": pl.lit(value=False),
        "crowned": pl.lit(value=True),
        "opened": pl.lit(None, pl.Int64),
        "failed": pl.lit(None, pl.Int64),
        "how": pl.lit(EXTRACTED),
        "clinic": pl.lit("Mill Lane"),
        "birth_date": pl.lit(None, pl.Date),
        "bruxism": pl.lit(None, pl.Boolean),
    }
    added = teeth.with_columns(**{name: value for name, value in absent.items() if name not in teeth.columns})
    return added.with_columns(patient_id=pl.format("P{}", pl.int_range(1, pl.len() + 1)))


def _rows(teeth: pl.DataFrame, on: pl.Expr, code: pl.Expr) -> pl.DataFrame:
    """Rows of the ledger, one a tooth."""
    return teeth.select(
        "patient_id", service_date=on, code=code, tooth=pl.lit(TOOTH), provider_id=pl.lit("H1"), site_id="clinic"
    )
