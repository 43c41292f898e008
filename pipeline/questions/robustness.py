"""What a comparison could and could not have shown, and how complete follow-up is.

Three doubts, each with its number: too few teeth (the difference that would have been seen), something unmeasured (the
E-value, only where a difference is claimed), and patients who stopped coming (`leaving.py`: how much worse their teeth
must have fared before the verdict turns).
"""

import datetime as dt
from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.practice.outcomes import CROWN_FAILURE, ENDO_FAILURE, Outcome
from pipeline.questions.analysis import Analysis
from pipeline.questions.covariates import UNKNOWN, Covariate, Numeric
from pipeline.questions.groups import days_of
from pipeline.questions.leaving import AWAY_DAYS, leaving_of
from pipeline.questions.question import OF_CROWNS
from pipeline.questions.verdict import DIFFERS
from pipeline.results import BalanceRow, Comparison, Difference, FollowUp, Robustness
from pipeline.stats.balance import balance_table
from pipeline.stats.detectable import detectable_difference
from pipeline.stats.e_value import EValue, e_value
from pipeline.stats.followup import completeness
from pipeline.stats.limits import z_value

# A hazard ratio stands for a risk ratio up to about this share failed (VanderWeele and Ding 2017).
RARE = 0.15


def robustness_of(
    comparison: Comparison,
    spells: pl.DataFrame,
    analysis: Analysis,
    *,
    covariates: Sequence[Covariate] = OF_CROWNS,
    unit: str = "crown_id",
    cutoff: dt.date | None = None,
    away_days: int = AWAY_DAYS,
) -> Robustness:
    """The robustness figures of one comparison of two groups.

    - `comparison`: Its `difference` names the groups, the horizon and the day from which it counts; without one all is
      empty.
    - `spells`: The rows that it was made of: `state` (the group), `entry_days, exit_days, event, patient_id, exit_date,
      exit_reason`, the covariates, and `unit`, the tooth or crown that a row belongs to.
    - `covariates`: Those whose balance is shown, as they stood when the clock started. A crown belongs to its last
      state.
    - `cutoff`: The day up to which a patient could have been followed; by default the last day on which anyone was.
    - `away_days`: A patient last seen longer than this before the cut-off has left.

    The E-value uses the adjusted hazard ratio of the same contrast, the one over the whole window where it changes. The
    outcome counts as rare where both groups are known to have failed in at most `RARE` by the horizon; otherwise the
    ratio is converted as for a common outcome.
    """
    difference = comparison.difference
    if difference is None:
        return Robustness(None, None, None, ())
    claim = _e_value(comparison, difference) if comparison.verdict.code == DIFFERS else None
    return Robustness(
        detectable_per_100=detectable_per_100(difference, analysis),
        e_value=claim.estimate if claim else None,
        e_value_limit=claim.limit if claim else None,
        balance=balance(spells, difference.group, difference.reference, covariates, unit=unit),
        leaving=leaving_of(comparison, spells, analysis, unit=unit, cutoff=cutoff, away_days=away_days),
    )


def detectable_per_100(difference: Difference, analysis: Analysis) -> float:
    """The smallest difference that would have been seen four times in five, from the error of the difference."""
    error = (difference.ci_high - difference.ci_low) / (2 * z_value(analysis.confidence))
    return detectable_difference(error, confidence=analysis.confidence)


def balance(
    spells: pl.DataFrame, group: str, reference: str, covariates: Sequence[Covariate], *, unit: str
) -> tuple[BalanceRow, ...]:
    """How unlike the teeth of two groups were when the clock started, most unlike first; not weighted.

    One row for each number, yes-or-no and level of a word, and for what was not recorded. A number's missing values
    stand at its mean over both groups. What is the same in all is left out. Empty where a group has fewer than 2 teeth.
    """
    columns = dict.fromkeys((unit, "exit_days", "state", *(c.name for c in covariates)))
    last = spells.select(*columns).sort(unit, "exit_days").unique(unit, keep="last", maintain_order=True)
    teeth = last.filter(pl.col("state").is_in([group, reference]))
    treated = (teeth["state"] == group).to_numpy()
    if min(int(treated.sum()), int((~treated).sum())) < 2:
        return ()
    told = [one for covariate in covariates for one in _characteristics(teeth[covariate.name], covariate)]
    if not told:
        return ()
    labels = {name: label for name, label, _ in told}
    table = balance_table(
        np.column_stack([values for _, _, values in told]), treated, np.ones(teeth.height), names=list(labels)
    )
    means = {
        n: _means(teeth[n] if n in teeth.columns else v, treated) for n, v in ((n, pl.Series(v)) for n, _, v in told)
    }
    shown = table.filter(pl.col("before").is_not_null())
    return tuple(
        BalanceRow(name, labels[name], before, None, *means[name])
        for name, before in shown.select("covariate", "before").rows()
    )


def _means(values: pl.Series, treated: np.ndarray) -> tuple[float | None, float | None]:
    """The mean in either group over the teeth of which the value is known; None where it is known of none."""
    known = values.cast(pl.Float64)
    of_group, of_reference = known.filter(pl.Series(treated)).mean(), known.filter(pl.Series(~treated)).mean()
    return (
        None if of_group is None else float(of_group),  # type: ignore[arg-type]
        None if of_reference is None else float(of_reference),  # type: ignore[arg-type]
    )


def followup_rows(
    crowns: pl.DataFrame, courses: pl.DataFrame, *, cutoff: dt.date | None = None, confidence: float = 0.95
) -> tuple[FollowUp, ...]:
    """How complete the follow-up of crowns (since the seat) and root canals (since completion) is.

    Crowns whose seat is not known and courses never completed have no clock and are not in it.
    """
    kinds = ((CROWN_FAILURE, crowns), (ENDO_FAILURE, courses))
    return tuple(
        found for outcome, frame in kinds if (found := _followup(outcome, frame, cutoff, confidence)) is not None
    )


def _followup(outcome: Outcome, frame: pl.DataFrame, cutoff: dt.date | None, confidence: float) -> FollowUp | None:
    start, end = outcome.population.start, cutoff or frame["exit_date"].max()
    rows = outcome.population.timed(frame).with_columns(
        possible_days=(pl.max_horizontal(pl.lit(end, pl.Date), "exit_date") - pl.col(start)).dt.total_days(),
        died=pl.col("exit_reason") == "death",
    )
    if rows.is_empty():
        return None
    found = completeness(
        rows["exit_days"],
        rows["failure"],
        rows["possible_days"],
        entry_days=rows["entry_days"],
        died=rows["died"],
        confidence=confidence,
    )
    middle = found.median_days.days
    return FollowUp(
        outcome.many, found.rows, None if middle is None else round(middle), found.share_lost, found.clarks_c
    )


def _e_value(comparison: Comparison, difference: Difference) -> EValue | None:
    contrast = f"{difference.group} vs {difference.reference}"
    adjusted = [e for e in comparison.estimates if e.contrast == contrast and (e.adjusted_for or e.stratified_by)]
    if not adjusted:
        return None
    limits = adjusted[-1].limits
    if comparison.steady is not None and comparison.steady.overall is not None:
        limits = comparison.steady.overall
    kept = [
        next((m.survival for m in g.milestones if days_of(m.years) == days_of(difference.years)), None)
        for g in comparison.groups
        if g.name in (difference.group, difference.reference)
    ]
    rare = all(share is not None and 1 - share <= RARE for share in kept)
    return e_value(*limits, outcome_is_rare=rare)


def _characteristics(values: pl.Series, covariate: Covariate) -> list[tuple[str, str, np.ndarray]]:
    """Name, label and column of each thing to balance."""
    gap = values.is_null()
    out: list[tuple[str, str, np.ndarray]] = []
    if gap.all():
        return out
    if isinstance(covariate, Numeric):
        number = values.cast(pl.Float64)
        out.append((covariate.name, covariate.label, number.fill_null(strategy="mean").to_numpy()))
    else:
        level = values.cast(pl.String)
        # Of yes and no, yes tells all; of more words each has its row.
        names = ["true"] if values.dtype == pl.Boolean else level.drop_nulls().unique().to_list()
        for name in names:
            is_it = (level == name).fill_null(False).cast(pl.Float64).to_numpy()
            label = covariate.label if values.dtype == pl.Boolean else f"{covariate.label}: {name.replace('_', ' ')}"
            out.append((f"{covariate.name}_{name}", label, is_it))
    if gap.any():
        column = gap.cast(pl.Float64).to_numpy()
        out.append((f"{covariate.name}_{UNKNOWN}", f"{covariate.label}: not recorded", column))
    return out
