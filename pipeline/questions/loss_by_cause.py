"""What teeth are lost to: cumulative incidence of loss by each cause, each competing with the others.

A tooth is lost once. To follow one cause and end at the others as if the tooth had merely left would count, of each,
more than ever happens, and the causes would add up to more than all teeth lost [Putter 2007]. Here each takes its part
of the teeth still there, and together they are the share lost. Why a tooth was taken out is what the practice wrote.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.practice.counts import count
from pipeline.practice.outcomes import CROWNED_TOOTH_LOSS, TOOTH, TOOTH_LOSS, Outcome, was_followed
from pipeline.practice.tables import LOSS_REASONS
from pipeline.questions.analysis import Analysis
from pipeline.questions.crown_rows import first_of_tooth
from pipeline.questions.endo_outcomes import CROWNED, NOT_CROWNED, crown_spells_of_teeth, endo_teeth
from pipeline.questions.groups import curve_start, curve_stop, days_of
from pipeline.results import NotRun
from pipeline.results.healing import LossByCause, LossGroup, LossTable
from pipeline.results.points import IncidencePoint
from pipeline.stats.aalen_johansen import aalen_johansen
from pipeline.stats.kaplan_meier import kaplan_meier

UNKNOWN = "unknown"
TOTAL = "all"
YEARS = (1.0, 5.0, 10.0)
POINTS_PER_YEAR = 4  # of the picture
OPENED = "crowned_at_start"
OF_ENDO = "endo_tooth_loss_by_cause"
OF_CROWNS = "crowned_tooth_loss_by_cause"
TITLES = {
    OF_ENDO: "What root-filled teeth are lost to",
    OF_CROWNS: "What crowned teeth are lost to",
}
LABELS = {
    OF_ENDO: {
        TOTAL: "All root-filled teeth",
        CROWNED: "A crown after the root canal",
        NOT_CROWNED: "No crown so far",
        OPENED: "Root canal through a crown",
    },
    OF_CROWNS: {
        TOTAL: "All crowned teeth",
        "before_seat": "Root canal before the seat",
        "after_seat": "Root canal after the seat",
        "vital": "No root canal so far",
    },
}
CLOCKS = {OF_ENDO: "since_completion", OF_CROWNS: "since_seat"}
CODES = {OF_ENDO: "procedures: root canal codes", OF_CROWNS: "procedures: crown codes"}
REASON = "procedures.reason"


@dataclass(frozen=True)
class Losses:
    """Tables of losses by cause, and which of them could not be made, with what they lack."""

    tables: tuple[LossTable, ...]
    not_run: tuple[NotRun, ...]


def losses_by_cause(
    crowns: pl.DataFrame, courses: pl.DataFrame, teeth: pl.DataFrame, patients: pl.DataFrame, analysis: Analysis
) -> Losses:
    """Loss by cause of root-filled teeth since completion and of crowned teeth since the seat.

    A table is made where the reason of at least one loss in it was recorded; else `not_run` says what is missing.
    """
    spells = {
        OF_ENDO: root_filled_teeth(crowns, courses, teeth, patients),
        OF_CROWNS: crowned_teeth(crowns, courses, teeth),
    }
    tables, lacking = [], []
    for name, rows in spells.items():
        whole = rows.filter(pl.col("state") == TOTAL)
        known = whole.filter(pl.col("event"), pl.col("reason") != UNKNOWN).height
        if known:
            tables.append(_table(name, rows, analysis))
        else:
            lacking.append(NotRun(name, TITLES[name], (REASON if whole.height else CODES[name],)))
    return Losses(tuple(tables), tuple(lacking))


def root_filled_teeth(
    crowns: pl.DataFrame, courses: pl.DataFrame, teeth: pl.DataFrame, patients: pl.DataFrame
) -> pl.DataFrame:
    """Teeth from their first completed root canal here until they are lost, whatever else is done to them.

    One row per tooth with `state` `all`, and one per state: `crowned_at_start`, else `not_crowned` until its first
    crown and `crowned` from then on. Columns: `state, patient_id, entry_days, exit_days, event, reason`.
    """
    own = courses.filter(~pl.col("done_elsewhere"), pl.col("completed").is_not_null())
    first = first_of_tooth(own, "completed", "course_id")
    ended = _until_lost(first, teeth, TOOTH_LOSS)
    opened = ended.filter(pl.col("crown_at_start") != "none")
    bare = crown_spells_of_teeth(endo_teeth(own, teeth, crowns, patients, outcome=TOOTH_LOSS).rows)
    parts = (_named(ended, TOTAL), _spells(_with_reason(bare, teeth)), _named(opened, OPENED))
    return pl.concat(parts).filter(was_followed())


def crowned_teeth(crowns: pl.DataFrame, courses: pl.DataFrame, teeth: pl.DataFrame) -> pl.DataFrame:
    """Teeth from the seat of their first single crown here until they are lost, whatever becomes of the crown.

    One row per tooth with `state` `all`, and one per state: `before_seat`, or `vital` until a root canal is begun on
    the tooth and `after_seat` from then on; of unknown timing none. A crown seated before the records begin enters
    late.
    """
    own = crowns.filter(pl.col("seat_date").is_not_null(), pl.col("crown_kind") == "single", ~pl.col("done_elsewhere"))
    first = first_of_tooth(own, "seat_date", "crown_id")
    ended = _until_lost(first, teeth, CROWNED_TOOTH_LOSS).with_columns(entry_days=_days("entry_date", "seat_date"))
    begun = first.select(*TOOTH, "seat_date").join(courses.select(*TOOTH, "started"), on=TOOTH)
    begun = begun.filter(pl.col("started") > pl.col("seat_date")).group_by(TOOTH).agg(begun=pl.col("started").min())
    rows = ended.join(begun, on=TOOTH, how="left", maintain_order="left").with_columns(
        opened_days=(pl.min_horizontal("access_date", "begun") - pl.col("seat_date")).dt.total_days()
    )
    before = rows.filter(pl.col("endo_timing") == "before_seat")
    vital = rows.filter(pl.col("endo_timing").is_in(["vital", "through_crown"]))
    opened = vital.filter(pl.col("opened_days") < pl.col("exit_days"))
    never = vital.join(opened.select(TOOTH), on=TOOTH, how="anti")
    until = opened.filter(pl.col("entry_days") < pl.col("opened_days"))
    until = until.with_columns(exit_days="opened_days", event=pl.lit(False), reason=pl.lit(None, pl.String))
    after = opened.with_columns(entry_days=pl.max_horizontal("entry_days", "opened_days"))
    parts = (
        _named(rows, TOTAL),
        _named(before, "before_seat"),
        _named(pl.concat([until, never]), "vital"),
        _named(after, "after_seat"),
    )
    return pl.concat(parts).filter(was_followed())


def incidence_by_cause(spells: pl.DataFrame, years: NDArray[np.float64], analysis: Analysis) -> LossGroup | None:
    """Losses by each cause of one group at the given years, as far as enough are followed; None where too few are.

    `spells` of one state. Shares by Aalen and Johansen, errors grouped by patient; while none was lost to a cause the
    upper limit is that of no loss among as many independent teeth as patients are followed. The total is the sum.
    """
    rules = analysis.curve_rules()
    start = curve_start(spells, rules=rules)
    if start is None or spells.filter(pl.col("exit_days") > start).is_empty():
        return None
    columns: dict[str, Any] = {"entry_days": spells["entry_days"], "cluster": spells["patient_id"], "from_day": start}
    kept = kaplan_meier(spells["exit_days"], spells["event"], **columns, confidence=analysis.confidence)
    stop = curve_stop(kept, rules=rules)[0]
    at = np.array([days_of(y) for y in years], dtype=np.int64)
    shown = (at >= start) & (at <= stop)
    years, at = years[shown], at[shown]
    number = spells["reason"].replace_strict({r: i + 1 for i, r in enumerate(LOSS_REASONS)}, default=0)
    cause = pl.select(pl.when(spells["event"]).then(number).otherwise(0)).to_series()
    options = {**columns, "confidence": analysis.confidence}
    each = aalen_johansen(spells["exit_days"], cause, n_causes=len(LOSS_REASONS), **options).at(at)
    whole = aalen_johansen(spells["exit_days"], cause > 0, n_causes=1, **options).at(at)
    followed = [_followed(spells, int(day)) for day in at]
    tail = (1 - analysis.confidence) / 2
    estimates = (*each.incidence, each.incidence.sum(axis=0))
    limits = zip((*each.low, whole.low[0]), (*each.high, whole.high[0]), strict=True)
    found = []
    lost = spells.filter("event")
    for name, estimate, (low, high) in zip((*LOSS_REASONS, TOTAL), estimates, limits, strict=True):
        points = tuple(
            IncidencePoint(float(y), teeth, float(e), *_limits(float(e), float(a), float(b), patients, tail))
            for y, (teeth, patients), e, a, b in zip(years, followed, estimate, low, high, strict=True)
        )
        mine = lost if name == TOTAL else lost.filter(pl.col("reason") == name)
        found.append(LossByCause(name, mine.height, points, mine["patient_id"].n_unique()))
    return LossGroup("", "", spells.height, spells["patient_id"].n_unique(), start, tuple(found[:-1]), found[-1])


def _table(name: str, rows: pl.DataFrame, analysis: Analysis) -> LossTable:
    groups, notes = [], []
    for state, label in LABELS[name].items():
        spells = rows.filter(pl.col("state") == state)
        grid = np.arange(int(YEARS[-1] * POINTS_PER_YEAR) + 1) / POINTS_PER_YEAR if state == TOTAL else np.array(YEARS)
        lost = int(spells["event"].sum())
        enough = state == TOTAL or lost >= analysis.min_failures
        found = incidence_by_cause(spells, grid, analysis) if enough and spells.height else None
        if found is not None:
            groups.append(_with_name(found, state, label))
        elif spells.height:
            notes.append(f"{label}: too few teeth to part the causes ({lost} lost of {spells.height}).")
    whole = rows.filter(pl.col("state") == TOTAL, pl.col("event"))
    untold = whole.filter(pl.col("reason") == UNKNOWN).height
    if untold:
        notes.insert(
            0,
            f"Of {count(whole.height, 'tooth')} lost, {untold} have no cause recorded; they stand as a cause of "
            "their own.",
        )
    return LossTable(name, TITLES[name], CLOCKS[name], tuple(groups), tuple(notes))


def _with_name(found: LossGroup, name: str, label: str) -> LossGroup:
    return LossGroup(name, label, found.teeth, found.patients, found.starts_at_days, found.causes, found.total)


def _limits(estimate: float, low: float, high: float, patients: int, tail: float) -> tuple[float, float]:
    if np.isfinite(low) and np.isfinite(high):
        return low, high
    if estimate > 0 or patients == 0:
        return 0.0, 1.0  # one patient tells nothing of others
    return 0.0, float(1 - tail ** (1 / patients))


def _followed(spells: pl.DataFrame, day: int) -> tuple[int, int]:
    there = spells.filter((pl.col("entry_days") < day) | (pl.col("entry_days") <= 0), pl.col("exit_days") >= day)
    return there.height, there["patient_id"].n_unique()


def _until_lost(first: pl.DataFrame, teeth: pl.DataFrame, outcome: Outcome) -> pl.DataFrame:
    ended = outcome.ended(first, teeth)
    return _with_reason(ended, teeth).with_columns(
        entry_days=pl.lit(0, pl.Int64),
        exit_days=(pl.col("exit_date") - pl.col(outcome.population.start)).dt.total_days(),
        event="failure",
    )


def _with_reason(rows: pl.DataFrame, teeth: pl.DataFrame) -> pl.DataFrame:
    reasons = teeth.select(*TOOTH, reason=pl.col("loss_reason").fill_null(UNKNOWN))
    return rows.join(reasons, on=TOOTH, how="left", maintain_order="left")


def _named(rows: pl.DataFrame, state: str) -> pl.DataFrame:
    return _spells(rows.with_columns(state=pl.lit(state)))


def _spells(rows: pl.DataFrame) -> pl.DataFrame:
    reason = pl.when("event").then("reason")
    return rows.select("state", "patient_id", "entry_days", "exit_days", "event", reason.alias("reason"))


def _days(later: str, earlier: str) -> pl.Expr:
    return (pl.col(later) - pl.col(earlier)).dt.total_days()
