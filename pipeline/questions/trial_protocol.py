"""The protocol table of the emulated trial: what a trial would do, and what stands in for it in these records [1].

References
----------
[1] Hernán MA, Robins JM. Using big data to emulate a target trial when a randomized trial is not available. Am J
    Epidemiol 2016;183:758-764.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.questions.trial_rows import FIRST, WAIT
from pipeline.results import FlowStep, ProtocolRow


@dataclass(frozen=True)
class Facts:
    """What the table is filled from. `rows` and `flow` are those of `enter_trial`."""

    rows: pl.DataFrame
    flow: tuple[FlowStep, ...]
    window_days: int
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
    return ProtocolRow(
        "Eligibility",
        "Permanent teeth that need a crown, with a hyperemic pulp and no root canal so far.",
        f"Crowns made here, seat known, pulp recorded as hyperemic at preparation, no root canal from elsewhere and "
        f"none begun more than {facts.window_days} days before the seat; the first such crown of a tooth. "
        f"{_many(teeth, 'tooth', 'teeth')} of {_many(facts.rows['patient_id'].n_unique(), 'patient', 'patients')}, out "
        f"of {_many(crowns, 'crown', 'crowns')}.",
    )


def _strategies(facts: Facts) -> ProtocolRow:
    first, wait = _arm(facts, FIRST).height, _arm(facts, WAIT).height
    neither = next((s.removed for s in facts.flow if s.step == "Treated first, or seated vital"), 0)
    return ProtocolRow(
        "Strategies",
        "A: root canal, then the crown. B: seat the crown on the vital tooth, and do a root canal only if it comes to "
        "need one.",
        f"A: a root canal begun in the {facts.window_days} days before the seat, or on it, and completed by the seat "
        f"({_many(first, 'tooth', 'teeth')}). B: none begun by the seat ({_many(wait, 'tooth', 'teeth')}). Begun and "
        f"not completed by the seat: neither ({_many(neither, 'crown', 'crowns')}, left out).",
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
    dated = facts.rows["prep_date"].count()
    return ProtocolRow(
        "Time zero",
        "The day of the decision, before either strategy begins.",
        f"The seat of the crown: the preparation is dated for {dated:,} of "
        f"{_many(facts.rows.height, 'tooth', 'teeth')}, and the day of the decision is not recorded. So all teeth here "
        "got their crown: a tooth lost or given up between decision and seat, more likely on the longer way of A, is "
        "not seen, and a pulp that turned bad in that time is counted under A.",
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
        "Crown failure: replacement, removal, or extraction of the tooth; an opening alone is none. Loss of the tooth: "
        "extraction, whatever was done to the crown. Need of a root canal, under B: the first course begun while the "
        "crown is in place; failure of the crown and loss of the tooth compete with it.",
    )


def _contrast(facts: Facts) -> ProtocolRow:
    return ProtocolRow(
        "Contrast",
        f"A minus B: failures per 100 teeth by {_years(facts.horizon_years)}, whatever happens after the assignment.",
        f"The same, by the strategy followed at the seat; a tooth of B opened later stays in B. Above 0: more failures "
        f"under A. Limits: {100 * facts.confidence:g}%.",
    )


def _assumptions(facts: Facts) -> ProtocolRow:
    return ProtocolRow(
        "Assumptions",
        "None on who got which treatment; those lost from sight are like those who stay.",
        "Nothing unrecorded decided both the strategy and the fate of the tooth (how bad the pulp was, symptoms, the "
        "size of the defect and what the patient wished are not recorded); every kind of tooth could be treated either "
        "way; the pulp is recorded as it was before any root canal; those lost from sight are like those who stay; "
        "root canals done elsewhere after the seat are not seen.",
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


def _years(years: float) -> str:
    return f"{years:g} {'year' if years == 1 else 'years'}"
