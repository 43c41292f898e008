"""Delay to the crown after a root canal, from a landmark on.

Whoever waits longer for a crown has lasted longer already, so delays are not compared from completion. Teeth still
there, and followed, on the landmark day are grouped by what had been done by then, and followed from that day [Anderson
1983]. What is done after the landmark does not move a tooth into another group.
"""

import numpy as np
import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.answer import Asked, answer
from pipeline.questions.endo_outcomes import years_of_records
from pipeline.questions.endo_teeth import EndoTeeth
from pipeline.questions.group_ratios import Ratios
from pipeline.questions.question import LANDMARK_DAYS, SOON_DAYS, kept_by_delay
from pipeline.questions.steady_ratio import Standing, Stretch, stand_on
from pipeline.results import Comparison, Estimate, FlowStep

SOON, LATER, NOT_YET = "crowned_soon", "crowned_later", "not_yet_crowned"


def compare_delay(
    found: EndoTeeth, analysis: Analysis, *, landmark_days: int = LANDMARK_DAYS, soon_days: int = SOON_DAYS
) -> Comparison:
    """Loss of root-filled teeth by the delay to their crown, on the clock since the landmark.

    Groups: crowned up to `soon_days` after completion, crowned after that up to the landmark, not crowned by then.
    The verdict and the difference compare the second with the first. `found` are the teeth followed to their loss.
    """
    question = kept_by_delay(landmark_days=landmark_days, soon_days=soon_days)
    rows = landmark_rows(found.rows, landmark_days=landmark_days, soon_days=soon_days)
    gone = found.rows.height - rows.height
    asked = Asked(
        rows,
        (
            FlowStep("Teeth without a crown when the root canal began", found.rows.height, 0, "", "courses"),
            FlowStep(
                "There and followed on the landmark day",
                rows.height,
                gone,
                f"lost, or not followed past day {landmark_days}",
                "courses",
            ),
        ),
        years_of_records(rows),
        notes=(
            f"Counted from day {landmark_days} after the root canal, in groups by what had been done by "
            "then: teeth lost earlier are in no group.",
        ),
    )

    def stand(ratios: Ratios, ratio: Estimate | None, days: tuple[int, int] | None) -> Standing:
        # The teeth crowned by the landmark, all of them late or all soon.
        fit = ratios.adjusted
        failed = set(rows.filter(pl.col("event"))["state"])
        state = rows.filter(pl.col("state").is_in(list(failed)))["state"]
        columns = [] if fit is None else [name for name in (LATER, NOT_YET) if name in fit.names]
        states = {name: {column: float(column == name) for column in columns} for name in (LATER, SOON)}
        rows_of = state.is_in([LATER, SOON]).to_numpy()
        stretch = None if days is None else Stretch(rows_of, states, days, analysis.horizon_years)
        began = np.zeros(len(state), dtype=np.int64)
        return stand_on(question, fit if LATER in columns else None, ratio, stretch, began=began, analysis=analysis)

    return answer(question, asked, analysis, stand)


def landmark_rows(rows: pl.DataFrame, *, landmark_days: int, soon_days: int) -> pl.DataFrame:
    """Teeth followed past the landmark, on the clock since it: `state, entry_days, exit_days, event` added."""
    days = pl.col("crown_days")
    state = (
        pl.when(days <= soon_days)
        .then(pl.lit(SOON))
        .when(days <= landmark_days)
        .then(pl.lit(LATER))
        .otherwise(pl.lit(NOT_YET))
    )
    return rows.filter(pl.col("exit_days") > landmark_days).with_columns(
        state=state, entry_days=pl.lit(0, pl.Int64), exit_days=pl.col("exit_days") - landmark_days, event="failure"
    )
