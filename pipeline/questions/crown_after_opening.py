"""The other clock: how long a crown lasts once it has been opened, against one seated on a tooth treated before.

Curves start when the tooth is root-filled and crowned: at the opening, or at the seat. They compare old crowns with new
ones: an opened crown was some years old on that day, and crowns that wear out with age fail sooner from then on whether
or not the opening did anything. No curve since the opening can show crowns of equal age, since none of those treated
before was old on its first day. So the ratio and the difference that the verdict stands on are made at equal age: in a
Cox model whose clock is the age of the crown, where an opened crown enters on the day of its opening and is held
against crowns treated before that are as old as it is that day, and every day after. The difference is that of the
crowns that were opened: each from its own age at the opening on, for so many years, opened or treated before. Crowns of
unknown age count in the curve and not in the model.
"""

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.outcomes import was_followed
from pipeline.questions.analysis import Analysis
from pipeline.questions.answer import Asked, answer
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.questions.group_ratios import Ratios, enough_for_ratio, failures_by_state, few_failures_note, group_ratios
from pipeline.questions.groups import days_of
from pipeline.questions.question import SINCE_OPENING
from pipeline.questions.steady_ratio import Standing, Stretch, stand_on
from pipeline.questions.within_patient import compare_within_patients
from pipeline.results import DAYS_PER_YEAR, Comparison, Estimate, FlowStep
from pipeline.stats.cox import CoxFit

# What every ratio here is adjusted for: the clock of the model, day by day.
AGE = "age of the crown"
STATES = ("through_crown", "before_seat")
WHAT_CURVES_SHOW = (
    "The curves compare opened crowns, some years old on the day they begin, with new ones: crowns that wear out with "
    "age fail sooner there even if the opening does nothing. The difference and the ratios are at equal crown age."
)


def opened_rows(crowns: pl.DataFrame, patients: pl.DataFrame) -> pl.DataFrame:
    """One row per crown with a root canal, on the clock since the opening or the seat.

    Columns: those of `crown_rows` with `entry_days, exit_days` counted from that start, `state` (the timing), `event`
    and `crown_age` in years at the start (0 for a crown seated on a treated tooth, null where the seat is unknown).
    """
    known = crown_rows(crowns, patients)
    unknown = crowns.filter(pl.col("seat_date").is_null(), pl.col("endo_timing") == "through_crown")
    unknown = crown_rows(unknown.with_columns(seat_date="access_date"), patients).with_columns(
        seat_date=pl.lit(None, pl.Date), access_days=pl.lit(0, pl.Int64), age_at_seat=pl.lit(None, pl.Float64)
    )
    # A crown of unknown age was moved to start at its opening; the others move by the days from seat to opening.
    both = pl.concat([known, unknown]).filter(pl.col("endo_timing").is_in(["before_seat", "through_crown"]))
    shift = pl.col("access_days").fill_null(0)
    timed = both.with_columns(
        entry_days=pl.max_horizontal(pl.col("entry_days") - shift, pl.lit(0)),
        exit_days=pl.col("exit_days") - shift,
        state="endo_timing",
        event="failure",
        crown_age=pl.when(pl.col("seat_date").is_not_null()).then(shift / DAYS_PER_YEAR),
    )
    return timed.filter(was_followed()).sort("crown_id")


def compare_since_opening(crowns: pl.DataFrame, patients: pl.DataFrame, analysis: Analysis) -> Comparison:
    """The secondary comparison, on the clock since the opening or the seat on a treated tooth."""
    rows = opened_rows(crowns, patients)
    aged = by_age(rows)
    # At equal age the same patients are those of the main comparison, whose vital crowns tell too.
    spells = state_spells(crown_rows(crowns, patients))
    ratios = _ratios(aged, analysis)
    if unknown := rows["seat_date"].null_count():
        told = f"{count(unknown, 'opened crown')} of unknown age are in the curve and not in the hazard ratios."
        ratios = replace(ratios, notes=(*ratios.notes, told))
    return answer(
        SINCE_OPENING,
        Asked(
            rows, (FlowStep("Crowns on root-filled teeth", rows.height, 0, "", "crowns"),), _span(rows),
            notes=(WHAT_CURVES_SHOW,),
        ),
        analysis,
        lambda found, ratio, days: stand_at_equal_age(found.adjusted, aged, days, ratio, analysis),
        ratios=ratios,
        within=lambda ratio: compare_within_patients(
            spells, STATES, (*STATES, "vital"), ratio, confidence=analysis.confidence
        ),
    )  # fmt: skip


def by_age(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows of `opened_rows` with a known seat, in days since it; one last seen when it was opened has no row here."""
    shift = pl.col("access_days").fill_null(0)
    aged = rows.filter(pl.col("seat_date").is_not_null()).with_columns(
        entry_days=pl.col("entry_days") + shift, exit_days=pl.col("exit_days") + shift
    )
    return aged.filter(was_followed())


def stand_at_equal_age(
    fit: CoxFit | None, aged: pl.DataFrame, days: tuple[int, int] | None, ratio: Estimate | None, analysis: Analysis
) -> Standing:
    """The difference of the opened crowns at equal age, with the ratio beside it.

    Over the opened crowns that were open to observation at an age to which `min_at_risk` crowns treated before are
    followed too, `horizon_years` after their opening: past it the model would speak of crowns that nobody saw. No
    difference where fewer than `min_at_risk` are left, or where a curve does not reach the horizon (`days` is None).
    """
    opened = aged["access_days"].fill_null(0).cast(pl.Int64).to_numpy()
    length = days_of(analysis.horizon_years)
    is_opened = (aged["state"] == "through_crown").to_numpy()
    chosen = np.flatnonzero(is_opened & (opened + length <= _followed_to(aged, analysis.min_at_risk)))
    counts = {"chosen": len(chosen), "opened": int(is_opened.sum())}
    question = replace(
        SINCE_OPENING,
        adjusted=SINCE_OPENING.adjusted.format(**counts),
        changing=SINCE_OPENING.changing.format(**counts),
    )
    stretch = None
    if days is not None and len(chosen) >= analysis.min_at_risk:
        states = {state: {"through_crown": float(state == "through_crown")} for state in STATES}
        stretch = Stretch(chosen, states, days, analysis.horizon_years, starts=opened[chosen])
    return stand_on(question, fit, ratio, stretch, began=opened, analysis=analysis)


def _followed_to(aged: pl.DataFrame, min_at_risk: int) -> int:
    """The last age in days to which at least so many crowns treated before are followed; -1 if there is none."""
    before = aged.filter(pl.col("state") == "before_seat")
    entry, leave = np.sort(before["entry_days"].to_numpy()), np.sort(before["exit_days"].to_numpy())
    at_risk = np.searchsorted(entry, leave, side="left") - np.searchsorted(leave, leave, side="left")
    return int(leave[at_risk >= min_at_risk].max(initial=-1))


def _ratios(aged: pl.DataFrame, analysis: Analysis) -> Ratios:
    """Ratios at equal age, by age alone and adjusted."""
    failures, labels = failures_by_state(aged), SINCE_OPENING.labels
    few = [name for name in labels if not enough_for_ratio(failures, [name])]
    if few:
        return Ratios(notes=tuple(few_failures_note(labels[name].lower()) for name in few))
    return group_ratios(
        aged,
        (SINCE_OPENING.pair,),
        SINCE_OPENING.adjust,
        analysis,
        unit=SINCE_OPENING.unit,
        model=SINCE_OPENING.model,
        held=(AGE,),
    )


def _span(rows: pl.DataFrame) -> float:
    if rows.is_empty():
        return 0.0
    span = pl.col("exit_date").max() - pl.coalesce("access_date", "seat_date").min()
    return float(rows.select(span.dt.total_days()).item() / DAYS_PER_YEAR)
