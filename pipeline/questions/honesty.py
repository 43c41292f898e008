"""What a comparison could and could not have shown, and how complete follow-up is.

Three doubts, each with its number: too few teeth (the difference that would have been seen), something unmeasured (the
E-value, only where a difference is claimed), and patients who stopped coming (the difference at the extremes of what
may have become of their teeth).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from pipeline.questions.covariates import UNKNOWN, Covariate, Numeric
from pipeline.questions.crown_longevity import ADJUST, Analysis
from pipeline.questions.crown_rows import was_followed
from pipeline.questions.groups import days_of
from pipeline.questions.verdict import DIFFERS
from pipeline.results import BalanceRow, Comparison, Difference, FollowUp, Honesty
from pipeline.stats.balance import balance_table
from pipeline.stats.detectable import detectable_difference
from pipeline.stats.differences import Group as Rows
from pipeline.stats.differences import survival_difference
from pipeline.stats.e_value import EValue, e_value
from pipeline.stats.followup import completeness
from pipeline.stats.limits import z_value
from pipeline.stats.spells import numbered

# A hazard ratio stands for a risk ratio up to about this share failed (VanderWeele and Ding 2017).
RARE = 0.15
FAIL, LAST = "fail", "last"


def honesty_of(
    comparison: Comparison,
    spells: pl.DataFrame,
    analysis: Analysis,
    *,
    covariates: Sequence[Covariate] = ADJUST,
    unit: str = "crown_id",
    cutoff: dt.date | None = None,
) -> Honesty:
    """The honesty figures of one comparison of two groups.

    Parameters
    ----------
    comparison
        Its `difference` names the groups, the horizon and the day from which it counts; without one all is empty.
    spells
        The rows that it was made of: `state` (the group), `entry_days, exit_days, event, patient_id, exit_date,
        exit_reason`, the covariates, and `unit`, the tooth or crown that a row belongs to.
    covariates
        Those whose balance is shown, as they stood when the clock started. A crown belongs to its last state.
    cutoff
        The day up to which a patient could have been followed; by default the last day on which anyone was.

    The E-value uses the adjusted hazard ratio of the same contrast. The outcome counts as rare where both groups are
    known to have failed in at most `RARE` by the horizon; otherwise the ratio is converted as for a common outcome. The
    extremes are differences of two Kaplan-Meier curves, not adjusted.
    """
    difference = comparison.difference
    if difference is None:
        return Honesty(None, None, None, (), ())
    labels = {g.name: g.label for g in comparison.groups}
    claim = _e_value(comparison, difference) if comparison.verdict.code == DIFFERS else None
    return Honesty(
        detectable_per_100=detectable_per_100(difference, analysis),
        e_value=claim.estimate if claim else None,
        e_value_limit=claim.limit if claim else None,
        extremes=extremes(spells, difference, analysis, labels=labels, unit=unit, cutoff=cutoff),
        balance=balance(spells, difference.group, difference.reference, covariates, unit=unit),
    )


def detectable_per_100(difference: Difference, analysis: Analysis) -> float:
    """The smallest difference that would have been seen four times in five, from the error of the difference."""
    error = (difference.ci_high - difference.ci_low) / (2 * z_value(analysis.confidence))
    return detectable_difference(error, confidence=analysis.confidence)


def extremes(
    spells: pl.DataFrame,
    difference: Difference,
    analysis: Analysis,
    *,
    labels: Mapping[str, str],
    unit: str,
    cutoff: dt.date | None = None,
) -> tuple[tuple[str, float, float, float], ...]:
    """The difference if those lost to follow-up had failed at once, or not until the horizon, in each group.

    Lost are teeth whose last row ends before the horizon because the patient was not seen again; a row that ends
    because the tooth passed into another state is not lost. They fail on the day of loss, or are followed without
    failure to the horizon or the cut-off, whichever is first: as `stats.followup.drop_out_extremes` does for one curve.
    Empty where none is lost. Combinations without an estimate (a group wholly failed) are left out.
    """
    horizon = days_of(difference.years)
    columns = ("state", "patient_id", unit, "entry_days", "exit_days", "event", "exit_date", "exit_reason")
    sides_only = pl.col("state").is_in([difference.group, difference.reference])
    ends = _possible(spells.select(columns), unit, cutoff).filter(sides_only)
    lost = ends.filter(pl.col("possible_days") > pl.col("exit_days"), pl.col("exit_days") < horizon)
    if lost.is_empty():
        return ()
    ends = ends.with_columns(patient_id=pl.Series(numbered(ends["patient_id"])[0]))
    names = (difference.group, difference.reference)
    said_of = [labels[name].lower() for name in names]
    words = {FAIL: "all of them failed at once", LAST: f"none of them failed by {difference.years:g} years"}
    out = []
    for one, other in ((FAIL, FAIL), (LAST, LAST), (FAIL, LAST), (LAST, FAIL)):
        sides = [
            _as_rows(ends.filter(pl.col("state") == name), fate, horizon)
            for name, fate in zip(names, (one, other), strict=True)
        ]
        d = survival_difference(
            sides[0], sides[1], [horizon], from_day=difference.from_days, confidence=analysis.confidence
        )
        if np.isfinite(d.std_error[0]):
            said = words[one]
            if one != other:
                said = f"with {said_of[0]} {words[one]}, with {said_of[1]} {words[other]}"
            out.append((said, float(-100 * d.estimate[0]), float(-100 * d.high[0]), float(-100 * d.low[0])))
    return tuple(out)


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
    shown = table.filter(pl.col("before").is_not_null())
    return tuple(BalanceRow(name, labels[name], before) for name, before in shown.select("covariate", "before").rows())


def followup_rows(
    crowns: pl.DataFrame, courses: pl.DataFrame, *, cutoff: dt.date | None = None, confidence: float = 0.95
) -> tuple[FollowUp, ...]:
    """How complete the follow-up of crowns (since the seat) and root canals (since completion) is.

    Crowns whose seat is not known and courses never completed have no clock and are not in it.
    """
    kinds = (("crowns", crowns, "seat_date", "entry_date"), ("root canals", courses, "completed", "completed"))
    return tuple(
        found
        for of, frame, start, entry in kinds
        if (found := _followup(of, frame, (start, entry), cutoff, confidence)) is not None
    )


def _followup(
    of: str, frame: pl.DataFrame, clock: tuple[str, str], cutoff: dt.date | None, confidence: float
) -> FollowUp | None:
    start, entry = clock
    end = cutoff or frame["exit_date"].max()
    rows = (
        frame.filter(pl.col(start).is_not_null())
        .with_columns(
            entry_days=(pl.col(entry) - pl.col(start)).dt.total_days(),
            exit_days=(pl.col("exit_date") - pl.col(start)).dt.total_days(),
            possible_days=(pl.max_horizontal(pl.lit(end, pl.Date), "exit_date") - pl.col(start)).dt.total_days(),
            died=pl.col("exit_reason") == "death",
        )
        .filter(was_followed())
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
    return FollowUp(of, found.rows, None if middle is None else round(middle), found.share_lost, found.clarks_c)


def _e_value(comparison: Comparison, difference: Difference) -> EValue | None:
    contrast = f"{difference.group} vs {difference.reference}"
    adjusted = [e for e in comparison.estimates if e.contrast == contrast and (e.adjusted_for or e.stratified_by)]
    if not adjusted:
        return None
    ratio = adjusted[-1]
    kept = [
        next((m.survival for m in g.milestones if days_of(m.years) == days_of(difference.years)), None)
        for g in comparison.groups
        if g.name in (difference.group, difference.reference)
    ]
    rare = all(share is not None and 1 - share <= RARE for share in kept)
    return e_value(ratio.hazard_ratio, ratio.ci_low, ratio.ci_high, outcome_is_rare=rare)


def _possible(spells: pl.DataFrame, unit: str, cutoff: dt.date | None) -> pl.DataFrame:
    # Only a tooth's last row can be lost; every other row could not have been longer than it was.
    end = pl.max_horizontal(pl.lit(cutoff or spells["exit_date"].max(), pl.Date), "exit_date")
    more = (end - pl.col("exit_date")).dt.total_days()
    is_last = pl.col("exit_days") == pl.col("exit_days").max().over(unit)
    lost = is_last & ~pl.col("event") & (pl.col("exit_reason") == "last_contact")
    return spells.with_columns(possible_days=pl.col("exit_days") + pl.when(lost).then(more).otherwise(0))


def _as_rows(rows: pl.DataFrame, fate: str, horizon: int) -> Rows:
    reach = pl.min_horizontal("possible_days", horizon)
    lost = pl.col("exit_days") < reach
    if fate == FAIL:
        told = rows.with_columns(event=pl.col("event") | lost)
    else:
        told = rows.with_columns(exit_days=pl.when(lost).then(reach).otherwise("exit_days"))
    return Rows(told["exit_days"], told["event"], entry_days=told["entry_days"], cluster=told["patient_id"])


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
        names = ["true"] if values.dtype == pl.Boolean else level.drop_nulls().unique().sort().to_list()
        for name in names:
            is_it = (level == name).fill_null(False).cast(pl.Float64).to_numpy()
            label = covariate.label if values.dtype == pl.Boolean else f"{covariate.label}: {name.replace('_', ' ')}"
            out.append((f"{covariate.name}_{name}", label, is_it))
    if gap.any():
        column = gap.cast(pl.Float64).to_numpy()
        out.append((f"{covariate.name}_{UNKNOWN}", f"{covariate.label}: not recorded", column))
    return out
