"""What becomes of root-filled teeth with a crown and without one.

A tooth must last to be crowned. So the crown enters on the day of its seat, as a state that the tooth passes into: a
tooth crowned later counts as without a crown until then. The comparison by label, teeth ever crowned against never,
is shown beside it as the picture that misleads [1]. Delay to the crown is compared from a landmark on, among teeth
still there [2].

References
----------
[1] Suissa S. Immortal time bias in pharmacoepidemiology. Am J Epidemiol 2008;167:492-499.
[2] Anderson JR, Cain KC, Gelber RD. Analysis of survival by tumor response. J Clin Oncol 1983;1:710-719 (landmark;
    from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.questions.covariates import Covariate, Levels, Numeric
from pipeline.questions.crown_longevity import (
    Analysis,
    adjusted_ratio,
    enough_for_ratio,
    failed_patients_by_state,
    failures_by_state,
    fit_states,
)
from pipeline.questions.endo_teeth import (
    CROWNED,
    NOT_CROWNED,
    EndoTeeth,
    crown_spells_of_teeth,
    ever_crowned,
)
from pipeline.questions.group_ratios import Ratios, group_ratios
from pipeline.questions.groups import curve_start, days_of, make_group
from pipeline.questions.steady_ratio import Contrast, Standing, stand_on
from pipeline.questions.verdict import Basis, Scales, write_verdict
from pipeline.results import DAYS_PER_YEAR, Comparison, Difference, FlowStep, Group, Naive, Verdict
from pipeline.stats.cox import CoxInputError
from pipeline.stats.differences import Group as Rows
from pipeline.stats.differences import survival_difference
from pipeline.stats.few_failures import careful_ratio

LABELS = {CROWNED: "A crown after the root canal", NOT_CROWNED: "No crown so far"}
ADJUST: tuple[Covariate, ...] = (
    Numeric("age_at_completion", "age at completion", 10.0),
    Levels("sex", "sex"),
    Levels("tooth_group", "tooth group"),
    Levels("kind", "first treatment or repeat"),
    Levels("bruxism", "bruxism"),
    Levels("smoker", "smoking"),
    Levels("diabetes", "diabetes"),
    Numeric("completion_year", "year of completion", 5.0),
)
# Outcome to: comparison id, outcome word, title, question.
OUTCOMES = {
    "tooth_survival": (
        "tooth_survival_by_crown_after_endo",
        "tooth_loss",
        "How long root-filled teeth are kept: with a crown or without one",
        "Is a tooth kept longer once it has a crown after its root canal?",
    ),
    "free_of_intervention": (
        "endo_free_of_intervention_by_crown",
        "endo_failure",
        "How long root canals stay free of retreatment, surgery or extraction: with a crown or without one",
        "Does a root canal stay free of retreatment, surgery and extraction longer once the tooth has a crown?",
    ),
}
STEADY = (
    "adjusted: all the teeth standardised as crowned and as not crowned by the adjusted Cox model, error by the "
    "infinitesimal jackknife grouped by patient, or the model's where that is larger; limits from those of the two "
    "shares, by Student's t with few failures"
)
CHANGES = (
    "adjusted: all the teeth standardised as crowned and as not crowned by an adjusted Cox model in which the ratio "
    "may change since the crown, all crowned on the day from which the difference counts; error by the infinitesimal "
    "jackknife grouped by patient"
)
DOUBT = (
    "Teeth were not crowned by chance: a tooth that is not expected to last is often left without a crown, which makes "
    "crowns look better than they are."
)


def compare_teeth(found: EndoTeeth, analysis: Analysis, *, outcome: str) -> Comparison:
    """Root-filled teeth once crowned against not crowned so far, on the clock since completion.

    `outcome` is the one that the teeth were made for. Teeth that had a crown when the course began are left out, and
    counted in the flow: their crown is no choice made after the root canal. `Group.crowns` counts teeth.
    """
    rows, spells = found.rows, crown_spells_of_teeth(found.rows)
    groups = _groups(rows, spells, analysis)
    ratios = group_ratios(
        spells, ((CROWNED, NOT_CROWNED),), ADJUST, analysis, unit="course_id", model="cox_time_varying_crown"
    )
    crude = _crude_difference(spells, groups, analysis)
    stands = _stand(spells, ratios, crude, analysis)
    d = stands.difference
    difference = crude
    if d is not None and crude is not None:
        share = (d.per_100 / 100, d.low / 100, d.high / 100)
        difference = _difference(analysis, crude.from_days, share, CHANGES if stands.changes else STEADY)
    name, word, title, question = OUTCOMES[outcome]
    basis = Basis(
        group=groups.get(CROWNED) or _empty(CROWNED),
        reference=groups.get(NOT_CROWNED) or _empty(NOT_CROWNED),
        difference=difference,
        horizon_years=analysis.horizon_years,
        smallest_per_100=analysis.smallest_difference_per_100,
        min_failures=analysis.min_failures,
        years_of_records=years_of_records(rows),
        scales=Scales(stands.ratio, adjusted=d is not None),
    )
    return Comparison(
        id=name,
        title=title,
        question=question,
        outcome=word,
        clock="since_completion",
        groups=tuple(groups.values()),
        estimates=ratios.estimates,
        naive=_naive(rows, analysis),
        difference=difference,
        verdict=verdict_on_teeth(basis),
        flow=_flow(found),
        missing=ratios.missing,
        notes=(*_notes(found, spells), *ratios.notes),
        horizon_years=analysis.horizon_years,
        crude_difference=crude,
        steady=stands.steady,
        mean_years=stands.mean_years,
    )


def days_to_crown(rows: pl.DataFrame) -> tuple[int, tuple[float, float, float]] | None:
    """Teeth crowned while followed, and the quartiles of days from completion to that crown; None if there are none.

    Descriptive: of teeth that got a crown. It says nothing of those still without one.
    """
    days = rows.filter(ever_crowned())["crown_days"]
    if days.is_empty():
        return None
    low, middle, high = (float(np.quantile(days.to_numpy(), q)) for q in (0.25, 0.5, 0.75))
    return len(days), (low, middle, high)


def verdict_on_teeth(basis: Basis) -> Verdict:
    """The verdict, with the doubt that goes with crowns on root-filled teeth."""
    return replace(write_verdict(basis), doubt=DOUBT)


def years_of_records(rows: pl.DataFrame) -> float:
    """Years from the first completion to the last day followed."""
    if rows.is_empty():
        return 0.0
    return float(rows.select((pl.col("exit_date").max() - pl.col("completed").min()).dt.total_days()).item()) / (
        DAYS_PER_YEAR
    )


def _groups(rows: pl.DataFrame, spells: pl.DataFrame, analysis: Analysis) -> dict[str, Group]:
    labelled = {CROWNED: rows.filter(ever_crowned()), NOT_CROWNED: rows.filter(~ever_crowned())}
    return {
        name: make_group(
            spells.filter(pl.col("state") == name),
            name=name,
            label=LABELS[name],
            counted=labelled[name],
            rules=analysis.curve_rules(),
            late=name == CROWNED,
        )
        for name in (CROWNED, NOT_CROWNED)
        if spells.filter(pl.col("state") == name).height
    }


def _crude_difference(spells: pl.DataFrame, groups: dict[str, Group], analysis: Analysis) -> Difference | None:
    horizon = days_of(analysis.horizon_years)
    sides = {s: spells.filter(pl.col("state") == s) for s in (CROWNED, NOT_CROWNED)}
    if any(s not in groups or (groups[s].stops_at_days or 0) < horizon for s in sides):
        return None
    start = curve_start(sides[CROWNED], rules=analysis.curve_rules())
    if start is None or start >= horizon:
        return None
    group, reference = (
        Rows(f["exit_days"], f["event"], entry_days=f["entry_days"], cluster=f["patient_id"]) for f in sides.values()
    )
    d = survival_difference(group, reference, [horizon], from_day=start, confidence=analysis.confidence)
    if np.isnan(d.std_error[0]):
        return None
    return _difference(
        analysis,
        start,
        (-d.estimate[0], -d.high[0], -d.low[0]),
        "difference of two Kaplan-Meier curves, crowns entering on the day of their seat, variance grouped by "
        "patient; not adjusted",
    )


def _stand(spells: pl.DataFrame, ratios: Ratios, crude: Difference | None, analysis: Analysis) -> Standing:
    # All teeth in the model make up the target, each by its first row, which is the one that enters before day 0.
    fit = ratios.adjusted
    with_failures = set(spells.filter(pl.col("event"))["state"])
    modelled = spells.filter(pl.col("state").is_in(list(with_failures)))
    return stand_on(
        fit,
        Contrast(CROWNED, NOT_CROWNED, "the crown", ("a crown after the root canal", "no crown")),
        adjusted_ratio(ratios.estimates, (CROWNED, NOT_CROWNED)),
        rows=np.empty(0, dtype=np.int64) if fit is None else fit.design.rows.entry < 0,
        states={CROWNED: {CROWNED: 1.0}, NOT_CROWNED: {CROWNED: 0.0}},
        began=modelled["crown_days"].fill_null(0).cast(pl.Int64).to_numpy(),
        from_days=None if crude is None else crude.from_days,
        years=crude.years if crude else analysis.horizon_years,
        min_at_risk=analysis.min_at_risk,
        confidence=analysis.confidence,
        noun="teeth",
    )


def _difference(analysis: Analysis, from_days: int, failed: tuple[float, float, float], method: str) -> Difference:
    share, low, high = (float(100 * value) for value in failed)
    return Difference(CROWNED, NOT_CROWNED, analysis.horizon_years, from_days, share, low, high, method)


def _naive(rows: pl.DataFrame, analysis: Analysis) -> Naive | None:
    """The comparison by label, ever crowned against never, as one would make it by hand."""
    label = pl.when(ever_crowned()).then(pl.lit(CROWNED)).otherwise(pl.lit(NOT_CROWNED))
    spells = rows.with_columns(event="failure", state=label, entry_days=pl.lit(0, pl.Int64))
    if not enough_for_ratio(failures_by_state(spells), (CROWNED, NOT_CROWNED)):
        return None
    x = (spells["state"] == CROWNED).cast(pl.Float64).to_numpy()[:, None]
    try:
        fit = fit_states(spells, x, names=(CROWNED,), stratum=None)
    except CoxInputError:
        return None
    failed = failed_patients_by_state(spells)
    ratio = careful_ratio(fit, CROWNED, NOT_CROWNED, failed, confidence=analysis.confidence).exp()
    horizon = days_of(analysis.horizon_years)
    shares = []
    for name in (CROWNED, NOT_CROWNED):
        part = spells.filter(pl.col("state") == name)
        group = make_group(part, name=name, label="", counted=part, rules=analysis.curve_rules())
        at = next((m.survival for m in group.milestones if days_of(m.years) == horizon), None)
        if at is not None:
            shares.append((name, at))
    return Naive(
        contrast=f"{CROWNED} vs {NOT_CROWNED}",
        hazard_ratio=ratio.estimate,
        ci_low=ratio.low,
        ci_high=ratio.high,
        why_biased="immortal time",
        explanation=(
            "Counted by label, a tooth crowned later is credited with all the time it lasted before its crown, time in "
            "which it could not have been lost as a crowned tooth, and every tooth lost early counts as one without a "
            "crown. That makes crowns look far better than they are."
        ),
        survival=tuple(shares),
    )


def _empty(name: str) -> Group:
    return Group(name, LABELS[name], 0, 0, 0, 0.0, 0.0, 0.0, 0.0)


def _notes(found: EndoTeeth, spells: pl.DataFrame) -> list[str]:
    notes = []
    if found.crowned_at_start:
        notes.append(
            f"{found.crowned_at_start:,} teeth that had a crown when the root canal began are not compared here."
        )
    followed = spells.filter(pl.col("exit_days") > pl.col("entry_days"))["course_id"].n_unique()
    if unseen := found.rows.height - followed:
        notes.append(f"{unseen:,} teeth were not seen again after completion: each is in its group, with no follow-up.")
    delay = days_to_crown(found.rows)
    if delay is not None:
        n, (low, middle, high) = delay
        notes.append(
            f"{n:,} teeth got a crown while followed; days from completion to the seat: median {middle:.0f}, quartiles "
            f"{low:.0f} to {high:.0f}. This describes crowned teeth only."
        )
    seen = found.rows.filter(ever_crowned() & pl.col("crown_day_seen"))
    if seen.height:
        notes.append(f"{seen.height:,} crowns from elsewhere have no seat date and count from the day they were seen.")
    during = found.rows.filter(pl.col("crown_days") == 0).height
    if during:
        notes.append(f"{during:,} teeth were crowned by the day the root canal was completed.")
    return notes


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
