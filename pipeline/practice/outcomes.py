"""Every outcome: of which teeth, until what, in which words (`data/outcomes.csv`), and the rows followed so.

An outcome is met under several ids: its own; `rate`, that of the share kept free of it; and `asked`, as a question of
one's own names it. `outcome` knows it by any of them. To add one is a row there, and a way to end (`until_...`) where
none of these fits.
"""

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from pipeline.machine.data_tables import data_rows

TOOTH = ["patient_id", "tooth_fdi"]


@dataclass(frozen=True)
class Population:
    """Teeth that are followed: the rows of one linked table, each from its own day on.

    `start` begins the clock and `entry` the observation; a row without a start is not followed, nor one that enters
    later. `tables` give what may be asked of it, the first of them its rows. `noun` counts its rows, `done` says how
    its work ends (`seated`), `since` from when its years count.
    """

    name: str
    unit: str
    clock: str
    start: str
    entry: str
    tables: tuple[str, ...]
    noun: str
    done: str
    since: str

    def timed(self, rows: pl.DataFrame) -> pl.DataFrame:
        """`entry_days, exit_days` added: whole days since the start. Rows never under observation are left out."""
        start = pl.col(self.start)
        return rows.with_columns(
            entry_days=(pl.col(self.entry) - start).dt.total_days(),
            exit_days=(pl.col("exit_date") - start).dt.total_days(),
        ).filter(was_followed())


CROWNS = Population(
    "crowns", "crown_id", "since_seat", "seat_date", "entry_date", ("crowns", "crown_details", "patients"),
    "crowns", "seated", "the crown was seated",
)  # fmt: skip
ENDO_COURSES = Population(
    "endo_courses", "course_id", "since_completion", "completed", "completed",
    ("endo_courses", "endo_details", "patients"), "courses", "finished", "the root canal was finished",
)  # fmt: skip
POPULATIONS = {p.name: p for p in (CROWNS, ENDO_COURSES)}

# Rows of a population and `tooth_followup`, to the rows with `exit_date, failure, exit_reason` of the outcome.
Until = Callable[[pl.DataFrame, pl.DataFrame, Population], pl.DataFrame]


def until_failure(rows: pl.DataFrame, teeth: pl.DataFrame, of: Population) -> pl.DataFrame:
    """The failure that the linking rules find: it is how the rows end already."""
    return rows


def until_lost(rows: pl.DataFrame, teeth: pl.DataFrame, of: Population) -> pl.DataFrame:
    """Loss of the tooth, whatever else was done to it: its own follow-up takes the place of that of the work."""
    ends = teeth.select(*TOOTH, "followed_to", "end_reason", "extracted")
    return (
        rows.join(ends, on=TOOTH, how="left", maintain_order="left")
        .with_columns(
            exit_date=pl.max_horizontal("followed_to", of.start),
            failure=(pl.col("extracted") >= pl.col(of.start)).fill_null(False),
            exit_reason="end_reason",
        )
        .drop("followed_to", "end_reason", "extracted")
    )


def until_complication(rows: pl.DataFrame, teeth: pl.DataFrame, of: Population) -> pl.DataFrame:
    """The first complication; failure of the crown ends the waiting."""
    first = pl.col("first_complication_date")
    return rows.with_columns(
        exit_date=pl.min_horizontal("exit_date", first), failure=(first <= pl.col("exit_date")).fill_null(False)
    )


@dataclass(frozen=True)
class Outcome:
    """What may become of a tooth.

    `until` is None where the question itself makes the rows (films at a recall, an emulated trial). Words: `noun` is
    what is counted, `many` its plural with what tells it from other teeth, `good` and `bad` what became of them,
    `event` names the outcome (`short` on a chart, `shared` on shared pages, `heading` over a part), `happened` says it
    with its subject, `competing` what may come before it. `rate_title` heads the table of the shares kept free of it,
    `rate_name` and `rate_kept` say one in a word or two; `asked_as` names the outcome of a question of one's own;
    `published` is the word of `benchmarks.csv` for the same event.
    """

    id: str
    population: Population
    until: Until | None
    noun: str
    many: str
    good: str
    bad: str
    definition: str
    event: str = ""
    short: str = ""
    shared: str = ""
    heading: str = ""
    happened: str = ""
    competing: str = ""
    rate: str = ""
    rate_title: str = ""
    rate_name: str = ""
    rate_kept: str = ""
    asked: str = ""
    asked_as: str = ""
    published: str = ""

    @property
    def year(self) -> str:
        """By which year its rates stand: `Year the crown was seated`."""
        return f"Year {self.population.since}"

    def ended(self, rows: pl.DataFrame, teeth: pl.DataFrame) -> pl.DataFrame:
        """Rows of the population with the `exit_date, failure, exit_reason` of this outcome; `teeth` is tooth_followup.

        Raises ValueError for an outcome whose rows its question makes.
        """
        if self.until is None:
            raise ValueError(f"{self.id} has no rows of its own.")
        return self.until(rows, teeth, self.population)

    def spells(self, rows: pl.DataFrame, teeth: pl.DataFrame) -> pl.DataFrame:
        """The rows that are followed from their start until the outcome: `entry_days, exit_days, event, failure` added.

        Left out are rows without a start and those first seen after it: how others' work does is no figure of this
        practice.
        """
        of = self.population
        known = rows.filter(pl.col(of.entry) <= pl.col(of.start))
        return of.timed(self.ended(known, teeth)).with_columns(event="failure")


def was_followed() -> pl.Expr:
    """Rows under observation at some time: a late entry that leaves on its first day tells nothing."""
    return (pl.col("exit_days") > pl.col("entry_days")) | (pl.col("entry_days") <= 0)


_UNTIL: dict[str, Until | None] = {
    "failure": until_failure, "loss": until_lost, "complication": until_complication, "": None,
}  # fmt: skip


def _outcome(row: dict[str, str]) -> Outcome:
    words = {name: text for name, text in row.items() if name not in ("population", "until")}
    return Outcome(population=POPULATIONS[row["population"]], until=_UNTIL[row["until"]], **words)


OUTCOMES = tuple(_outcome(row) for row in data_rows("outcomes"))
_BY_ID = {name: o for o in OUTCOMES for name in (o.asked, o.rate) if name} | {o.id: o for o in OUTCOMES}
CROWN_FAILURE, TOOTH_LOSS = _BY_ID["crown_failure"], _BY_ID["tooth_loss"]
CROWNED_TOOTH_LOSS, COMPLICATION = _BY_ID["crowned_tooth_loss"], _BY_ID["complication"]
ENDO_FAILURE, NOT_HEALED = _BY_ID["endo_failure"], _BY_ID["radiographic_success"]
ENDO_NEEDED = _BY_ID["endo_needed"]
# Those whose share is told of every year, tooth group, clinic and clinician, in the order of the owner's sheet.
RATES = (CROWN_FAILURE, TOOTH_LOSS, ENDO_FAILURE)
ASKED = tuple(dict.fromkeys(o.asked for o in OUTCOMES if o.asked))


def outcome(identifier: str) -> Outcome:
    """The outcome of an id, its own or that of its share or question; KeyError for any other."""
    return _BY_ID[identifier]


def is_outcome(identifier: str) -> bool:
    """Whether `outcome` knows an id."""
    return identifier in _BY_ID
