"""What a part of the crowns gives to the main comparison before any model is fitted: counts, and sums that need them.

First a part is counted: who enters, leaves and fails on each day. Once the counts of all parts are added up, it is
looked at again for what needs them: errors grouped by patient, and which levels of the covariates are common enough.
All that a part gives adds up, in any order, and all of a patient's crowns must be in one part.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.covariates import COVARIATE_COUNTS, count_covariates, count_levels, merge_covariates
from pipeline.questions.crown_longevity import FLOW, ROOT_CANAL, count_flow, labelled_rows, short_window, usable_spells
from pipeline.questions.crown_rows import STATES, crown_rows, state_spells
from pipeline.questions.groups import CurveRules, curve_stop, days_of, enough_for_curve, first_failures, past_thin_days
from pipeline.questions.question import OF_CROWNS
from pipeline.stats.few_failures import failed_patients
from pipeline.stats.risk_set_errors import add_squares, curve_squares, difference_squares
from pipeline.stats.risk_set_rates import rate_sums
from pipeline.stats.risk_sets import (
    RISK_SETS,
    Squares,
    count_changes,
    curve_from,
    first_day_from,
    merge,
    risk_table_from,
)

Tables = Mapping[str, pl.DataFrame]
# What a part holds of each stored table.
COLUMNS = {
    "crowns": (
        *("crown_id", "patient_id", "tooth_group", "provider_id", "material", "endo_timing", "failure"),
        *("seat_date", "entry_date", "exit_date", "access_date"),
    ),
    "patients": ("patient_id", "birth_date", "birth_year", "sex", "smoker", "diabetes", "bruxism"),
}
# The difference as if it were a curve, beside the curves of the states.
CRUDE = "difference"


@dataclass(frozen=True, eq=False)
class Counted:
    """The first look at all parts, added up: risk sets and rates by state and by label, labels, other counts."""

    risk_sets: pl.DataFrame
    label_risk_sets: pl.DataFrame
    rates: pl.DataFrame
    label_rates: pl.DataFrame
    labels: pl.DataFrame
    first_failures: pl.DataFrame
    numbers: Mapping[str, object]

    @property
    def with_failures(self) -> set[str]:
        """The states in which a crown failed."""
        return set(self.risk_sets.filter(pl.col("change") > 0)["group"].unique())

    @property
    def failures(self) -> dict[str, int]:
        """The failures of each state."""
        return {state: n for state, n, _ in _failures(self.rates)}

    @property
    def failed(self) -> dict[str, float]:
        """How many patients with one failure each tell as much as the failures of each state."""
        return {state: failed_patients(n, squares) for state, n, squares in _failures(self.rates)}

    @property
    def failed_by_label(self) -> dict[str, float]:
        """`failed`, by the label that a crown has from its seat on."""
        return {state: failed_patients(n, squares) for state, n, squares in _failures(self.label_rates)}

    @property
    def failures_by_label(self) -> dict[str, int]:
        """`failures`, by the label that a crown has from its seat on."""
        return {state: n for state, n, _ in _failures(self.label_rates)}

    @property
    def present(self) -> set[str]:
        """The states that have rows."""
        return set(self.risk_sets["group"].unique())


@dataclass(frozen=True, eq=False)
class SecondPass:
    """What the second look needs of the first: the risk sets and the day from which each curve stands.

    `starts` has the states with a curve; `window` is the day and the years from which and to which a difference of
    curves is taken, None where there is none.
    """

    risk_sets: pl.DataFrame
    with_failures: frozenset[str]
    starts: Mapping[str, int]
    window: tuple[int, float] | None


@dataclass(frozen=True, eq=False)
class Seen:
    """The second look at all parts, added up: squares by state (and `CRUDE`), covariates, clinicians, usable crowns."""

    squares: Mapping[str, Squares]
    covariates: pl.DataFrame
    clinicians: pl.DataFrame
    crowns: int


def count_part(crowns: pl.DataFrame, patients: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """First look at a part: its counts, and beside them its rows with the columns that later looks need."""
    rows = crown_rows(crowns, patients)
    spells = state_spells(rows)
    labelled = labelled_rows(rows).filter(pl.col("state").is_in(ROOT_CANAL))
    numbers = dict(zip(FLOW, count_flow(crowns, rows), strict=True))
    return {
        "spells": _columns_needed(spells, ("crown_id", "provider_id", *(c.name for c in OF_CROWNS))),
        "labelled": _columns_needed(labelled, ()),
        "risk_sets": _changes(spells),
        "label_risk_sets": _changes(labelled) if _are_sound(labelled) else pl.DataFrame(schema=RISK_SETS),
        "rates": _rates(spells),
        "label_rates": _rates(labelled),
        "labels": rows.group_by("endo_timing").agg(
            teeth=pl.len().cast(pl.Int64),
            patients=pl.col("patient_id").n_unique().cast(pl.Int64),
            failures=pl.col("failure").sum().cast(pl.Int64),
            failed_patients=pl.col("patient_id").filter("failure").n_unique().cast(pl.Int64),
        ),
        "first_failures": first_failures(spells, "state").select("state", "day"),
        "numbers": pl.DataFrame(
            {**numbers, "first": [rows["entry_date"].min()], "last": [rows["exit_date"].max()]},
            schema_overrides={"first": pl.Date, "last": pl.Date},
        ),
    }


COUNTS = ("risk_sets", "label_risk_sets", "rates", "label_rates", "labels", "first_failures", "numbers")
LOOKS = ("squares", "covariates", "clinicians", "usable")


def add_counts(parts: Iterable[Tables]) -> Counted:
    """Add the first looks up; of each only the tables of `COUNTS` are read."""
    tables: dict[str, list[pl.DataFrame]] = {name: [] for name in COUNTS}
    for part in parts:
        for name in COUNTS:
            tables[name].append(part[name])
    numbers = pl.concat(tables["numbers"]).select(pl.col(FLOW).sum(), pl.col("first").min(), pl.col("last").max())
    return Counted(
        risk_sets=merge(tables["risk_sets"]),
        label_risk_sets=merge(tables["label_risk_sets"]),
        rates=pl.concat(tables["rates"]),
        label_rates=pl.concat(tables["label_rates"]),
        labels=pl.concat(tables["labels"]).group_by("endo_timing").sum(),
        first_failures=pl.concat(tables["first_failures"]),
        numbers=numbers.row(0, named=True),
    )


def plan_second_pass(counted: Counted, analysis: Analysis) -> SecondPass:
    """What to look for in the second look."""
    rules, table = analysis.curve_rules(), counted.risk_sets
    starts = {
        s: start
        for s in STATES
        if s in counted.present
        and (start := _start(table, s, rules=rules, late=s == "through_crown")) is not None
        and last_exit(table, s) > start
    }
    return SecondPass(table, frozenset(counted.with_failures), starts, _window(table, starts, analysis))


def _window(table: pl.DataFrame, starts: Mapping[str, int], analysis: Analysis) -> tuple[int, float] | None:
    """The window of the difference, as `crude_difference` finds it from the rows."""
    rules, horizon = analysis.curve_rules(), days_of(analysis.horizon_years)
    curves = [curve_from(table, group=s, from_day=starts[s]) for s in ROOT_CANAL if s in starts]
    if len(curves) == len(ROOT_CANAL) and all(curve_stop(c, rules=rules)[0] >= horizon for c in curves):
        start = starts["through_crown"]
        if start < horizon:
            return start, analysis.horizon_years
    first = first_day_from(table, analysis.min_at_risk, group="through_crown")
    return short_window(first, lambda days: [risk_table_from(table, days, group=s) for s in ROOT_CANAL], analysis)


def _failures(rates: pl.DataFrame) -> list[tuple[str, int, int]]:
    return rates.group_by("group").agg(pl.col("failures", "failures_squared").sum()).rows()


def second_pass(spells: pl.DataFrame, plan: SecondPass) -> dict[str, pl.DataFrame]:
    """Second look at a part, at the `spells` of the first: squares, and counts of covariates among usable rows."""
    squares = [
        _squares_table(state, curve_squares(plan.risk_sets, *_columns(rows), group=state, from_day=start, **_by(rows)))
        for state, start in plan.starts.items()
        for rows in (spells.filter(pl.col("state") == state),)
    ]
    if plan.window is not None:
        from_day, years = plan.window
        of_crude = difference_squares(
            plan.risk_sets,
            [days_of(years)],
            *_columns(spells),
            spells["state"],
            pair=("through_crown", "before_seat"),
            from_day=from_day,
            **_by(spells),
        )
        squares.append(_squares_table(CRUDE, of_crude))
    usable = usable_spells(spells, set(plan.with_failures))
    return {
        "squares": pl.concat([_NO_SQUARES, *squares]),
        "covariates": count_covariates(usable, OF_CROWNS),
        "clinicians": count_levels(usable["provider_id"], usable["event"].cast(pl.Int64)),
        "usable": pl.DataFrame({"crowns": [usable["crown_id"].n_unique()]}, schema={"crowns": pl.Int64}),
    }


def add_second_passes(parts: Iterable[Tables]) -> Seen:
    """Add the second looks up."""
    squares: dict[str, Squares] = {}
    covariates = pl.DataFrame(schema=COVARIATE_COUNTS)
    levels: list[pl.DataFrame] = []
    crowns = 0
    for part in parts:
        for name, one in _read_squares(part["squares"]).items():
            squares[name] = add_squares([squares[name], one]) if name in squares else one
        covariates = merge_covariates([covariates, part["covariates"]]) if covariates.height else part["covariates"]
        levels.append(part["clinicians"])
        crowns += int(part["usable"]["crowns"].sum())
    clinicians = pl.concat(levels).group_by("level").agg(pl.col("rows", "failures").sum())
    return Seen(squares, covariates, clinicians, crowns)


def _columns_needed(spells: pl.DataFrame, columns: tuple[str, ...]) -> pl.DataFrame:
    """Follow-up, state and `columns`, with patients and crowns as numbers that mean something in this part only."""
    number = pl.col("patient_id").rank("dense").cast(pl.Int64).alias("patient")
    out = spells.select("exit_days", "entry_days", "event", "state", number, *columns)
    return out.with_columns(pl.col("crown_id").rank("dense")) if "crown_id" in columns else out


def _are_sound(spells: pl.DataFrame) -> bool:
    # A crown last seen on the day it was first seen is in the table by label, where no model can be fitted to it.
    entry = pl.when(pl.col("entry_days") <= 0).then(-1).otherwise("entry_days")
    return spells.filter(pl.col("exit_days") <= entry).is_empty()


def _columns(rows: pl.DataFrame) -> tuple[pl.Series, pl.Series]:
    return rows["exit_days"], rows["event"]


def _by(rows: pl.DataFrame) -> dict[str, pl.Series]:
    return {"entry_days": rows["entry_days"], "cluster": rows["patient"]}


def _changes(spells: pl.DataFrame) -> pl.DataFrame:
    return count_changes(*_columns(spells), entry_days=spells["entry_days"], group=spells["state"])


def _rates(spells: pl.DataFrame) -> pl.DataFrame:
    return rate_sums(*_columns(spells), spells["state"], entry_days=spells["entry_days"], cluster=spells["patient_id"])


def _start(table: pl.DataFrame, state: str, *, rules: CurveRules, late: bool) -> int | None:
    """The day from which the curve of a state stands, as `curve_start` says it of the rows."""
    entered = table.filter(pl.col("group") == state, pl.col("change") < 0)["day"].max()
    if not late or not isinstance(entered, int) or entered <= 0:
        return 0
    need = enough_for_curve(rules)
    start = first_day_from(table, need, group=state)
    if start is None:
        return None
    return past_thin_days(curve_from(table, group=state, from_day=start), need=need)


def last_exit(table: pl.DataFrame, group: str) -> int:
    """The last day on which a row of a group leaves; -1 for a group without rows."""
    day = table.filter(pl.col("group") == group)["day"].max()
    return day if isinstance(day, int) else -1


_SQUARES = {
    "name": pl.String(),
    "array": pl.Int64(),
    "place": pl.Int64(),
    "value": pl.Float64(),
    "patients": pl.Int64(),
}
_NO_SQUARES = pl.DataFrame(schema=_SQUARES)


def _squares_table(name: str, squares: Squares) -> pl.DataFrame:
    return pl.concat(
        pl.DataFrame(
            {"name": name, "array": i, "place": range(len(v)), "value": v, "patients": squares.n_units}, schema=_SQUARES
        )
        for i, v in enumerate(squares.values)
    )


def _read_squares(table: pl.DataFrame) -> dict[str, Squares]:
    out = {}
    for (name,), rows in table.sort("array", "place").group_by("name", maintain_order=True):
        arrays = rows.partition_by("array", maintain_order=True)
        out[str(name)] = Squares(tuple(a["value"].to_numpy() for a in arrays), int(rows["patients"][0]))
    return out
