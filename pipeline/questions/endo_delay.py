"""Delay to the crown after a root canal, from a landmark on.

Whoever waits longer for a crown has lasted longer already, so delays are not compared from completion. Teeth still
there, and followed, on the landmark day are grouped by what had been done by then, and followed from that day [1].
What is done after the landmark does not move a tooth into another group.

References
----------
[1] Anderson JR, Cain KC, Gelber RD. Analysis of survival by tumor response. J Clin Oncol 1983;1:710-719 (from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.questions.crown_longevity import Analysis, adjusted_ratio
from pipeline.questions.endo_outcomes import ADJUST, verdict_on_teeth, years_of_records
from pipeline.questions.endo_teeth import EndoTeeth
from pipeline.questions.group_ratios import Ratios, group_ratios
from pipeline.questions.groups import days_of, make_group
from pipeline.questions.steady_ratio import Contrast, Standing, stand_on
from pipeline.questions.verdict import Basis, Scales
from pipeline.results import Comparison, Difference, FlowStep, Group
from pipeline.stats.differences import Group as Rows
from pipeline.stats.differences import survival_difference

# Half a year leaves most crowns time to be made, and few teeth time to be lost (common practice, no source).
LANDMARK_DAYS = 183
SOON_DAYS = 60
ADJUSTED = (
    "adjusted: the teeth crowned by the landmark, standardised as crowned late and soon by the adjusted Cox model"
)
JACKKNIFE = "; error by the infinitesimal jackknife grouped by patient"
SOON, LATER, NOT_YET = "crowned_soon", "crowned_later", "not_yet_crowned"
CONTRASTS = ((LATER, SOON), (NOT_YET, SOON))


def compare_delay(
    found: EndoTeeth, analysis: Analysis, *, landmark_days: int = LANDMARK_DAYS, soon_days: int = SOON_DAYS
) -> Comparison:
    """Loss of root-filled teeth by the delay to their crown, on the clock since the landmark.

    Groups: crowned up to `soon_days` after completion, crowned after that up to the landmark, not crowned by then.
    The verdict and the difference compare the second with the first. `found` as made for `tooth_survival`.
    """
    rows = landmark_rows(found.rows, landmark_days=landmark_days, soon_days=soon_days)
    labels = {
        SOON: f"A crown within {soon_days} days",
        LATER: f"A crown after {soon_days + 1} to {landmark_days} days",
        NOT_YET: f"No crown by day {landmark_days}",
    }
    sides = {s: rows.filter(pl.col("state") == s) for s in labels}
    groups = {
        s: make_group(f, name=s, label=labels[s], counted=f, rules=analysis.curve_rules())
        for s, f in sides.items()
        if f.height
    }
    ratios = group_ratios(rows, CONTRASTS, ADJUST, analysis, unit="course_id", model="cox_landmark")
    crude = _difference(sides, groups, analysis)
    stands = _stand(rows, ratios, crude, analysis)
    d = stands.difference
    difference = crude
    if d is not None and crude is not None:
        method = (
            ADJUSTED + (", in which the ratio may change within and after a year" if stands.changes else "") + JACKKNIFE
        )
        difference = replace(crude, per_100=d.per_100, ci_low=d.low, ci_high=d.high, method=method)
    empty = {s: Group(s, label, 0, 0, 0, 0.0, 0.0, 0.0, 0.0) for s, label in labels.items()}
    gone = found.rows.height - rows.height
    return Comparison(
        id="tooth_survival_by_delay_to_crown",
        title="How long root-filled teeth are kept, by the delay to the crown",
        question="Is a tooth kept longer if its crown follows the root canal soon?",
        outcome="tooth_loss",
        clock="since_landmark",
        groups=tuple(groups.values()),
        estimates=ratios.estimates,
        naive=None,
        difference=difference,
        verdict=verdict_on_teeth(
            Basis(
                group=groups.get(LATER, empty[LATER]),
                reference=groups.get(SOON, empty[SOON]),
                difference=difference,
                horizon_years=analysis.horizon_years,
                smallest_per_100=analysis.smallest_difference_per_100,
                min_failures=analysis.min_failures,
                years_of_records=years_of_records(rows),
                scales=Scales(stands.ratio, adjusted=d is not None),
            )
        ),
        flow=(
            FlowStep("Teeth without a crown when the root canal began", found.rows.height, 0, "", "courses"),
            FlowStep(
                "There and followed on the landmark day",
                rows.height,
                gone,
                f"lost, or not followed past day {landmark_days}",
                "courses",
            ),
        ),
        missing=ratios.missing,
        notes=(
            f"Followed from a landmark {landmark_days} days after completion, in groups by what had been done by "
            "then: teeth lost earlier are in no group.",
            *ratios.notes,
        ),
        horizon_years=analysis.horizon_years,
        crude_difference=crude,
        steady=stands.steady,
        mean_years=stands.mean_years,
    )


def _stand(rows: pl.DataFrame, ratios: Ratios, crude: Difference | None, analysis: Analysis) -> Standing:
    """The difference of the teeth crowned by the landmark, all of them late or all soon."""
    fit = ratios.adjusted
    failed = set(rows.filter(pl.col("event"))["state"])
    state = rows.filter(pl.col("state").is_in(list(failed)))["state"]
    columns = [] if fit is None else [name for name in (LATER, NOT_YET) if name in fit.names]
    return stand_on(
        fit if LATER in columns else None,
        Contrast(LATER, SOON, "the landmark", ("a later crown", "an early crown")),
        adjusted_ratio(ratios.estimates, (LATER, SOON)),
        rows=state.is_in([LATER, SOON]).to_numpy(),
        states={name: {column: float(column == name) for column in columns} for name in (LATER, SOON)},
        began=np.zeros(len(state), dtype=np.int64),
        from_days=None if crude is None else 0,
        years=analysis.horizon_years,
        min_at_risk=analysis.min_at_risk,
        confidence=analysis.confidence,
        noun="teeth",
    )


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
        state=state,
        entry_days=pl.lit(0, pl.Int64),
        exit_days=pl.col("exit_days") - landmark_days,
        event="failure",
    )


def _difference(sides: dict[str, pl.DataFrame], groups: dict[str, Group], analysis: Analysis) -> Difference | None:
    horizon = days_of(analysis.horizon_years)
    if any(s not in groups or (groups[s].stops_at_days or 0) < horizon for s in (LATER, SOON)):
        return None
    group, reference = (Rows(f["exit_days"], f["event"], cluster=f["patient_id"]) for f in (sides[LATER], sides[SOON]))
    d = survival_difference(group, reference, [horizon], confidence=analysis.confidence)
    if np.isnan(d.std_error[0]):
        return None
    return Difference(
        group=LATER,
        reference=SOON,
        years=analysis.horizon_years,
        from_days=0,
        per_100=float(-100 * d.estimate[0]),
        ci_low=float(-100 * d.high[0]),
        ci_high=float(-100 * d.low[0]),
        method="difference of two Kaplan-Meier curves from the landmark, variance grouped by patient; not adjusted",
    )
