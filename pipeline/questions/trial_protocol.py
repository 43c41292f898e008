"""The protocol table of the emulated trial: what a trial would do, and what stands in for it in these records.

Sources: Hernán 2016; Hernán 2018.
"""

from dataclasses import dataclass

import polars as pl

from pipeline.practice.counts import count, years
from pipeline.questions.trial_decisions import NO_IRREVERSIBLE, NO_NECROSIS, PrepDays
from pipeline.questions.trial_diagnoses import REVERSIBLE_DAYS
from pipeline.questions.trial_rows import EITHER, WAIT
from pipeline.results import FlowStep, ProtocolRow, TrialArm


@dataclass(frozen=True)
class Facts:
    """What the table is filled from. `rows`, `flow` and `prep_days` are those of `enter_trial`."""

    rows: pl.DataFrame
    arms: tuple[TrialArm, ...]
    flow: tuple[FlowStep, ...]
    prep_days: PrepDays
    horizon_years: float
    confidence: float
    adjusted_for: tuple[str, ...]
    truncated_at: tuple[float, float]


def protocol_table(facts: Facts) -> tuple[ProtocolRow, ...]:
    """One row per part of the protocol."""
    return (
        _eligibility(facts),
        _strategies(facts),
        _assignment(facts),
        _time_zero(facts),
        _follow_up(facts),
        _outcome(facts),
        _contrast(facts),
        _assumptions(facts),
        _analysis(facts),
    )


def _eligibility(facts: Facts) -> ProtocolRow:
    crowns, teeth = facts.flow[0].left, facts.rows.height
    dead, irreversible = (_removed(facts, step) for step in (NO_NECROSIS, NO_IRREVERSIBLE))
    return ProtocolRow(
        "Eligibility",
        "Permanent teeth prepared for a single crown, with a hyperemic pulp and no root canal so far.",
        f"Single crowns made here, seat known, pulp recorded as hyperemic at the preparation, or a reversible pulpitis "
        f"on that day or in the {REVERSIBLE_DAYS} days before; no root canal begun before that day, here or elsewhere; "
        f"no necrosis ({count(dead, 'crown')} left out) and no irreversible pulpitis "
        f"({count(irreversible, 'crown')} left out) recorded by that day; the first such crown of a tooth. "
        f"{count(teeth, 'tooth')} of {count(facts.rows['patient_id'].n_unique(), 'patient')}, out "
        f"of {count(crowns, 'crown')}.",
    )


def _strategies(facts: Facts) -> ProtocolRow:
    first, wait = facts.arms
    either = facts.rows.filter(pl.col("arm") == EITHER).height
    return ProtocolRow(
        "Strategies",
        "A: root canal, then the seat of the crown. B: wait: seat the crown on the vital tooth, and do a root canal "
        "only if it comes to need one, before the seat or after it. A third way, keeping the pulp alive (vital pulp "
        "therapy), is not compared.",
        f"A: a root canal begun by the seat ({count(first.followed, 'tooth')}). B: none begun by the seat "
        f"({count(wait.followed, 'tooth')}). A pulp that flares before the seat (an irreversible pulpitis or "
        "a necrosis recorded after the preparation, before the root canal or with it) and is treated for it has had "
        "what either way would have done: it is part of waiting, and of A where its turn had not come yet. Such a "
        f"tooth, or one lost before the seat, is in both ways in part ({count(either, 'tooth')}). "
        "Covering the pulp or taking away a part of it is not told apart within A or B.",
    )


def _assignment(facts: Facts) -> ProtocolRow:
    named = ", ".join(facts.adjusted_for)
    how = (
        f"taken to be as good as chance among teeth alike in {named}"
        if named
        else "not adjusted for: too few teeth, or arms that do not overlap"
    )
    return ProtocolRow(
        "Assignment", "By chance, known to patient and clinician.", f"By the decision of clinician and patient; {how}."
    )


def _time_zero(facts: Facts) -> ProtocolRow:
    recorded = int(facts.rows["decision_recorded"].sum())
    worked_out = facts.rows.height - recorded
    days = facts.prep_days
    usual = f"{count(days.usual, 'day')}"
    source = (
        f"the practice's own middle of {usual} (from {count(days.own, 'crown')})"
        if days.is_own
        else f"the setting lab_days, {usual}"
    )
    derived = f"; for {count(worked_out, 'tooth')} it is the seat less {source}" if worked_out else ""
    treated, lost = _either(facts, for_need=True), _either(facts, for_need=False)
    held = facts.rows.filter(pl.col("arm") == WAIT, "flared").height
    gone = " and ".join(f"{count(a.departed, 'copy')} of {way}" for way, a in zip("AB", facts.arms, strict=True))
    return ProtocolRow(
        "Time zero",
        "The day of the decision: the preparation.",
        f"The day of the preparation (recorded for {count(recorded, 'tooth')}{derived}). On that day nobody "
        "can tell who is in which way, so each tooth is copied into both; the time of grace ends at the seat. A copy "
        "of A is censored at a seat without a root canal, a copy of B at a root canal that was not for a flare: "
        f"{gone} were. Flared and treated by the seat: {count(treated, 'tooth')}; flared and seated vital: "
        f"{count(held, 'tooth')}; lost before the seat: {count(lost, 'tooth')}. A tooth lost before "
        "its crown has a row in the ledger is not seen.",
    )


def _follow_up(facts: Facts) -> ProtocolRow:
    longest = years(facts.horizon_years)
    unseen = facts.rows.filter(pl.col("tooth_days") <= pl.col("grace_days"), ~pl.col("tooth_lost")).height
    return ProtocolRow(
        "Follow-up",
        f"From time zero to the outcome, death, loss from sight, or {longest}.",
        "From the preparation to the outcome, death, the patient's last contact, the end of the records, or "
        f"{longest}. Not seen again after the seat: {count(unseen, 'tooth')}.",
    )


def _outcome(facts: Facts) -> ProtocolRow:
    return ProtocolRow(
        "Outcome",
        "Crown failure; loss of the tooth; under B, need of a root canal.",
        "Crown failure: replacement, removal, or loss of the tooth, before the seat too; an opening alone is none. "
        "Loss of the tooth: whatever was done to the crown. Need of a root canal, under B: one for a flare before the "
        "seat, or the first one begun while the crown is in place; failure of the crown and loss of the tooth compete "
        "with it. Under A every tooth has one. What was done elsewhere counts where it is known.",
    )


def _contrast(facts: Facts) -> ProtocolRow:
    return ProtocolRow(
        "Contrast",
        f"A minus B, per 100 teeth by {years(facts.horizon_years)}, whatever happens after the assignment: crowns "
        "failed, teeth lost, root canals.",
        "The same, had all teeth followed A, and had all followed B; a tooth of B opened later stays in B. Above 0: "
        "more under A. "
        f"Limits: {100 * facts.confidence:g}%.",
    )


def _assumptions(facts: Facts) -> ProtocolRow:
    return ProtocolRow(
        "Assumptions",
        "None on who got which treatment; those lost from sight are like those who stay.",
        "Nothing unrecorded decided both the strategy and the fate of the tooth (how bad the pulp was beyond its "
        "diagnosis, symptoms, the size of the defect and what the patient wished are not recorded); every kind of "
        "tooth could be treated either way; a diagnosis that is not recorded is missing for reasons of no account, "
        "though one is written down more often where a root canal is begun; a root canal between preparation and seat "
        f"without any diagnosis was {_untold(facts)}; how many days it took to the root canal or the "
        "seat says nothing of the fate of the tooth; the pulp is recorded as it was before any "
        "root canal; those lost from sight are like those who stay; root canals elsewhere that nobody told are not "
        "seen.",
    )


def _analysis(facts: Facts) -> ProtocolRow:
    low, high = (f"{100 * q:g}" for q in facts.truncated_at)
    weighted = (
        f"Clone, censor, weight: each copy that was not censored is weighted by the inverse chance of staying with its "
        f"way (logistic regression on {', '.join(facts.adjusted_for)}; stabilised, set back to the percentiles {low} "
        f"and {high}, taken as known; the largest weights are {_largest(facts)}), a tooth in both ways by the chance "
        "that it was to go each. Errors grouped by patient, copies of a tooth among them. Crude figures stand beside."
        if facts.adjusted_for
        else "The same, without weights; errors grouped by patient."
    )
    return ProtocolRow(
        "Analysis",
        "Kaplan-Meier curves by assigned strategy; cumulative incidence (Aalen-Johansen) where outcomes compete.",
        weighted,
    )


def _either(facts: Facts, *, for_need: bool) -> int:
    way = pl.col("for_need") if for_need else pl.col("course_started").is_null()
    return facts.rows.filter(pl.col("arm") == EITHER, way).height


def _untold(facts: Facts) -> str:
    share = facts.rows.filter("untold")["doubt"].max()
    if isinstance(share, float) and share > 0:
        return f"done for a flare as often as one with a diagnosis ({round(100 * share)} of 100)"
    return "planned, and no pulp had flared"


def _largest(facts: Facts) -> str:
    return " and ".join(
        f"{a.largest_weight or 0:.2f} in {way}" for way, a in zip("AB", facts.arms, strict=True) if a.largest_weight
    )


def _removed(facts: Facts, step: str) -> int:
    return next((s.removed for s in facts.flow if s.step == step), 0)
