"""The protocol table of the emulated trial: what a trial would do, and what stands in for it in these records [1].

References
----------
[1] Hernán MA, Robins JM. Using big data to emulate a target trial when a randomized trial is not available. Am J
    Epidemiol 2016;183:758-764.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.questions.trial_decisions import NO_IRREVERSIBLE, NO_NECROSIS, PrepDays
from pipeline.questions.trial_diagnoses import REVERSIBLE_DAYS
from pipeline.questions.trial_rows import FIRST, WAIT
from pipeline.results import FlowStep, ProtocolRow


@dataclass(frozen=True)
class Facts:
    """What the table is filled from. `rows`, `neither`, `flow` and `prep_days` are those of `enter_trial`."""

    rows: pl.DataFrame
    neither: pl.DataFrame
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
        f"no necrosis ({_many(dead, 'crown', 'crowns')} left out) and no irreversible pulpitis "
        f"({_many(irreversible, 'crown', 'crowns')} left out) recorded by that day; the first such crown of a tooth. "
        f"{_many(teeth, 'tooth', 'teeth')} of {_many(facts.rows['patient_id'].n_unique(), 'patient', 'patients')}, out "
        f"of {_many(crowns, 'crown', 'crowns')}.",
    )


def _strategies(facts: Facts) -> ProtocolRow:
    first, wait = _arm(facts, FIRST).height, _arm(facts, WAIT).height
    return ProtocolRow(
        "Strategies",
        "A: root canal, then the seat of the crown. B: seat the crown on the vital tooth, and do a root canal only if "
        "it comes to need one. A third way, keeping the pulp alive (vital pulp therapy), is not compared.",
        f"A: a root canal begun on the day of the preparation or after it and completed by the seat "
        f"({_many(first, 'tooth', 'teeth')}). B: none begun by the seat ({_many(wait, 'tooth', 'teeth')}). Begun and "
        f"not completed by the seat: neither ({_many(facts.neither.height, 'crown', 'crowns')}, left out). Covering "
        "the pulp or taking away a part of it is not told apart within A or B.",
    )


def _assignment(facts: Facts) -> ProtocolRow:
    named = ", ".join(facts.adjusted_for)
    how = (
        f"taken to be as good as chance among teeth alike in {named}"
        if named
        else "not adjusted for: too few teeth, or arms that do not overlap"
    )
    return ProtocolRow(
        "Assignment",
        "By chance, known to patient and clinician.",
        f"By the decision of clinician and patient; {how}.",
    )


def _time_zero(facts: Facts) -> ProtocolRow:
    recorded = int(facts.rows["decision_recorded"].sum())
    worked_out = facts.rows.height - recorded
    days = facts.prep_days
    usual = f"{days.usual} {'day' if days.usual == 1 else 'days'}"
    source = (
        f"the practice's own middle of {usual} (from {_many(days.own, 'crown', 'crowns')})"
        if days.is_own
        else f"the setting lab_days, {usual}"
    )
    derived = f"; for {_many(worked_out, 'tooth', 'teeth')} it is the seat less {source}" if worked_out else ""
    flared, neither = _arm(facts, FIRST).filter("flared").height, facts.neither.filter("flared").height
    held = _arm(facts, WAIT).filter("flared").height
    return ProtocolRow(
        "Time zero",
        "The day of the decision: the preparation.",
        f"Who is eligible is settled on the day of the preparation (recorded for {_many(recorded, 'tooth', 'teeth')}"
        f"{derived}). The arm is known only at the seat, and follow-up starts there. So all teeth here got their "
        "crown: a tooth lost or given up between preparation and seat is not seen. A pulp that turned bad in that "
        "time, with an irreversible pulpitis or a necrosis recorded after the preparation, counts under A if it was "
        f"treated by the seat ({_many(flared, 'tooth', 'teeth')}) and under B if no root canal was begun "
        f"({_many(held, 'tooth', 'teeth')}); of the crowns left out as neither there were {neither:,}.",
    )


def _follow_up(facts: Facts) -> ProtocolRow:
    longest = _years(facts.horizon_years)
    unseen = facts.rows.filter(pl.col("tooth_days") == 0, ~pl.col("tooth_lost")).height
    return ProtocolRow(
        "Follow-up",
        f"From time zero to the outcome, death, loss from sight, or {longest}.",
        f"From the seat to the outcome, death, the patient's last contact, the end of the records, or {longest}. Not "
        f"seen again after the seat: {_many(unseen, 'tooth', 'teeth')}.",
    )


def _outcome(facts: Facts) -> ProtocolRow:
    return ProtocolRow(
        "Outcome",
        "Crown failure; loss of the tooth; under B, need of a root canal.",
        "Crown failure: replacement, removal, or loss of the tooth; an opening alone is none. Loss of the tooth: "
        "whatever was done to the crown. Need of a root canal, under B: the first one begun while the crown is in "
        "place; failure of the crown and loss of the tooth compete with it. Under A every tooth has one. What was done "
        "elsewhere counts where it is known.",
    )


def _contrast(facts: Facts) -> ProtocolRow:
    return ProtocolRow(
        "Contrast",
        f"A minus B, per 100 teeth by {_years(facts.horizon_years)}, whatever happens after the assignment: crowns "
        "failed, teeth lost, root canals.",
        f"The same, by the strategy followed at the seat; a tooth of B opened later stays in B. Above 0: more under A. "
        f"Limits: {100 * facts.confidence:g}%.",
    )


def _assumptions(facts: Facts) -> ProtocolRow:
    return ProtocolRow(
        "Assumptions",
        "None on who got which treatment; those lost from sight are like those who stay.",
        "Nothing unrecorded decided both the strategy and the fate of the tooth (how bad the pulp was beyond its "
        "diagnosis, symptoms, the size of the defect and what the patient wished are not recorded); every kind of "
        "tooth could be treated either way; a diagnosis that is not recorded is missing for reasons of no account, "
        "though one is written down more often where a root canal is begun; the pulp is recorded as it was before any "
        "root canal; those lost from sight are like those who stay; root canals elsewhere that nobody told are not "
        "seen.",
    )


def _analysis(facts: Facts) -> ProtocolRow:
    low, high = (f"{100 * q:g}" for q in facts.truncated_at)
    weighted = (
        f"The same, each tooth weighted by the inverse chance of the strategy it received (logistic regression on "
        f"{', '.join(facts.adjusted_for)}; stabilised, set back to the percentiles {low} and {high}, taken as known); "
        "errors grouped by patient. Crude figures stand beside."
        if facts.adjusted_for
        else "The same, without weights; errors grouped by patient."
    )
    return ProtocolRow(
        "Analysis",
        "Kaplan-Meier curves by assigned strategy; cumulative incidence (Aalen-Johansen) where outcomes compete.",
        weighted,
    )


def _arm(facts: Facts, arm: str) -> pl.DataFrame:
    return facts.rows.filter(pl.col("arm") == arm)


def _many(n: int, one: str, more: str) -> str:
    return f"{n:,} {one if n == 1 else more}"


def _removed(facts: Facts, step: str) -> int:
    return next((s.removed for s in facts.flow if s.step == step), 0)


def _years(years: float) -> str:
    return f"{years:g} {'year' if years == 1 else 'years'}"
