"""The protocol table of the emulated trial: what a trial would do, and what stands in for it in these records.

Sources: Hernán 2016; Hernán 2018.
"""

from dataclasses import dataclass

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.counts import count, years
from pipeline.questions.trial_decisions import NO_IRREVERSIBLE, NO_NECROSIS, REVERSIBLE_DAYS, PrepDays
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
    """One row per part of the protocol, by the words of `pipeline/data/protocol.csv`."""
    said = _said(facts)
    return tuple(
        ProtocolRow(row["part"], row["in_a_trial"].format(**said), row["here"].format(**said))
        for row in data_rows("protocol")
    )


def _said(facts: Facts) -> dict[str, str]:
    """What the words leave open, by name."""
    rows, (first, wait) = facts.rows, facts.arms
    recorded = int(rows["decision_recorded"].sum())
    unseen = rows.filter(pl.col("tooth_days") <= pl.col("grace_days"), ~pl.col("tooth_lost"))
    teeth = {
        "teeth": rows.height,
        "first": first.followed,
        "wait": wait.followed,
        "either": rows.filter(pl.col("arm") == EITHER).height,
        "recorded": recorded,
        "treated": _either(facts, for_need=True),
        "held": rows.filter(pl.col("arm") == WAIT, "flared").height,
        "lost": _either(facts, for_need=False),
        "unseen": unseen.height,
    }
    return {name: count(n, "tooth") for name, n in teeth.items()} | {
        "reversible_days": str(REVERSIBLE_DAYS),
        "dead": count(_removed(facts, NO_NECROSIS), "crown"),
        "irreversible": count(_removed(facts, NO_IRREVERSIBLE), "crown"),
        "patients": count(rows["patient_id"].n_unique(), "patient"),
        "crowns": count(facts.flow[0].left, "crown"),
        "adjusted": _adjusted(facts),
        "derived": _derived(rows.height - recorded, facts.prep_days),
        "departed": " and ".join(
            f"{count(a.departed, 'copy')} of {way}" for way, a in zip("AB", facts.arms, strict=True)
        ),
        "horizon": years(facts.horizon_years),
        "confidence": f"{100 * facts.confidence:g}",
        "untold": _untold(facts),
        "weighted": _weighted(facts),
    }


def _adjusted(facts: Facts) -> str:
    if not facts.adjusted_for:
        return "not adjusted for: too few teeth, or arms that do not overlap"
    return f"taken to be as good as chance among teeth alike in {', '.join(facts.adjusted_for)}"


def _derived(worked_out: int, days: PrepDays) -> str:
    """Where days of the decision that are not recorded come from."""
    usual = count(days.usual, "day")
    source = f"the setting lab_days, {usual}"
    if days.is_own:
        source = f"the practice's own middle of {usual} (from {count(days.own, 'crown')})"
    return f"; for {count(worked_out, 'tooth')} it is the seat less {source}" if worked_out else ""


def _weighted(facts: Facts) -> str:
    if not facts.adjusted_for:
        return "The same, without weights; errors grouped by patient."
    low, high = (f"{100 * q:g}" for q in facts.truncated_at)
    return (
        "Clone, censor, weight: each copy that was not censored is weighted by the inverse chance of staying with its "
        f"way (logistic regression on {', '.join(facts.adjusted_for)}; stabilised, set back to the percentiles {low} "
        f"and {high}, taken as known; the largest weights are {_largest(facts)}), a tooth in both ways by the chance "
        "that it was to go each. Errors grouped by patient, copies of a tooth among them. Crude figures stand beside."
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
