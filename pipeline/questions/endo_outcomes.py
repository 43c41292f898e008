"""What becomes of root-filled teeth with a crown and without one.

A tooth must last to be crowned. So the crown enters on the day of its seat, as a state that the tooth passes into: a
tooth crowned later counts as without a crown until then. The comparison by label, teeth ever crowned against never, is
shown beside it as the picture that misleads [Suissa 2008]. Delay to the crown is compared from a landmark on, among
teeth still there [Anderson 1983].
"""

import numpy as np
import polars as pl

from pipeline.practice.counts import count
from pipeline.questions.analysis import Analysis
from pipeline.questions.answer import Asked, answer
from pipeline.questions.endo_teeth import CROWNED, NOT_CROWNED, EndoTeeth, crown_spells_of_teeth, ever_crowned
from pipeline.questions.group_ratios import Ratios
from pipeline.questions.question import Question
from pipeline.questions.steady_ratio import Standing, Stretch, stand_on
from pipeline.results import DAYS_PER_YEAR, Comparison, Estimate, FlowStep


def compare_teeth(question: Question, found: EndoTeeth, analysis: Analysis) -> Comparison:
    """Root-filled teeth once crowned against not crowned so far, on the clock since completion.

    Teeth crowned when the course began are left out, and counted: their crown is no choice made after the root canal.
    """
    rows, spells = found.rows, crown_spells_of_teeth(found.rows)
    label = pl.when(ever_crowned()).then(pl.lit(CROWNED)).otherwise(pl.lit(NOT_CROWNED))
    asked = Asked(
        spells,
        _flow(found),
        years_of_records(rows),
        labelled=rows.with_columns(event="failure", state=label, entry_days=pl.lit(0, pl.Int64)),
        notes=_notes(found, spells),
    )

    def stand(ratios: Ratios, ratio: Estimate | None, days: tuple[int, int] | None) -> Standing:
        # All teeth in the model make up the target, each by its first row, which is the one that enters before day 0.
        fit = ratios.adjusted
        with_failures = set(spells.filter(pl.col("event"))["state"])
        modelled = spells.filter(pl.col("state").is_in(list(with_failures)))
        stretch = None
        if fit is not None and days is not None:
            states = {CROWNED: {CROWNED: 1.0}, NOT_CROWNED: {CROWNED: 0.0}}
            stretch = Stretch(fit.design.rows.entry < 0, states, days, analysis.horizon_years)
        began = modelled["crown_days"].fill_null(0).cast(pl.Int64).to_numpy()
        return stand_on(question, fit, ratio, stretch, began=began, analysis=analysis)

    return answer(question, asked, analysis, stand)


def days_to_crown(rows: pl.DataFrame) -> tuple[int, tuple[float, float, float]] | None:
    """Teeth crowned while followed, and quartiles of days from completion to that crown; None if there are none."""
    days = rows.filter(ever_crowned())["crown_days"]
    if days.is_empty():
        return None
    low, middle, high = (float(np.quantile(days.to_numpy(), q)) for q in (0.25, 0.5, 0.75))
    return len(days), (low, middle, high)


def years_of_records(rows: pl.DataFrame) -> float:
    """Years from the first completion to the last day followed."""
    if rows.is_empty():
        return 0.0
    return float(rows.select((pl.col("exit_date").max() - pl.col("completed").min()).dt.total_days()).item()) / (
        DAYS_PER_YEAR
    )


def _notes(found: EndoTeeth, spells: pl.DataFrame) -> tuple[str, ...]:
    notes = []
    if found.crowned_at_start:
        notes.append(
            f"{count(found.crowned_at_start, 'tooth')} that had a crown when the root canal began: not compared here."
        )
    followed = spells.filter(pl.col("exit_days") > pl.col("entry_days"))["course_id"].n_unique()
    if unseen := found.rows.height - followed:
        notes.append(
            f"{count(unseen, 'tooth', 'was')} not seen again after completion: each is in its group, with no follow-up."
        )
    delay = days_to_crown(found.rows)
    if delay is not None:
        n, (low, middle, high) = delay
        notes.append(
            f"{count(n, 'tooth')} got a crown while followed; days from completion to the seat: median {middle:.0f}, "
            f"quartiles {low:.0f} to {high:.0f}. This describes crowned teeth only."
        )
    seen = found.rows.filter(ever_crowned() & pl.col("crown_day_seen"))
    if seen.height:
        notes.append(
            f"{count(seen.height, 'crown')} from elsewhere, with no seat date: counted from the day it was seen."
        )
    during = found.rows.filter(pl.col("crown_days") == 0).height
    if during:
        notes.append(f"{count(during, 'tooth', 'was')} crowned by the day the root canal was completed.")
    return tuple(notes)


def _flow(found: EndoTeeth) -> tuple[FlowStep, ...]:
    """What each rule kept; what is left is the sum of the groups, those not seen again among them."""
    steps = (
        ("Completed", found.never_completed, "no filling followed"),
        ("First completed course of its tooth", found.later_courses, "later courses of the same teeth"),
        ("No crown when it began", found.crowned_at_start, "crowned already"),
    )
    left = found.courses
    flow = [FlowStep("Courses of root canal treatment", left, 0, "", "courses")]
    for step, removed, why in steps:
        left -= removed
        flow.append(FlowStep(step, left, removed, why, "courses"))
    return tuple(flow)
