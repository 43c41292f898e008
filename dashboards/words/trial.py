"""Sentences on an emulated trial."""

from collections.abc import Sequence

from dashboards import terms
from dashboards.formats import more_or_fewer, phrase, plural, range_more_or_fewer, sentence_case, whole, years
from pipeline.practice.outcomes import CROWNED_TOOTH_LOSS, TOOTH_LOSS, Outcome
from pipeline.results import DiagnosisRow, Difference, IncidenceCurve, TrialArm

WHEN = {"by_prep": "by the preparation", "by_seat": "after it, by the seat"}
FIELDS = {"pulpal_diagnosis": "Pulp", "apical_diagnosis": "Apex"}


def outcome_terms(outcome: str) -> Outcome:
    """The words of an outcome of a trial: the teeth that it follows are crowned, root-filled or not."""
    return CROWNED_TOOTH_LOSS if outcome == TOOTH_LOSS.id else terms.outcome(outcome)


def diagnosis(row: DiagnosisRow) -> str:
    """`Pulp: reversible pulpitis`; of a text that is none of our words only that it is another one."""
    value = {"": "none recorded", "other": "another text"}.get(row.value, phrase(row.value))
    return f"{FIELDS.get(row.field, sentence_case(phrase(row.field)))}: {value}"


def copies_sentence(arms: Sequence[TrialArm]) -> str:
    """How many copies of the teeth were taken out of each way, and the largest weights; empty without arms."""
    if not arms:
        return ""
    gone = " and ".join(f"{whole(a.departed)} from ‘{a.label.lower()}’" for a in arms)
    text = (
        "On the day of the preparation nobody can tell which way a tooth will go, so each tooth is copied into both "
        f"ways, and a copy is taken out on the day on which its tooth leaves that way: {gone}. The copies that stay "
        "stand for those taken out that were like them."
    )
    heaviest = [a.largest_weight for a in arms if a.largest_weight is not None]
    return f"{text} The heaviest copy counts {max(heaviest):.1f} times." if heaviest else text


def crude_sentence(crude: Difference, outcome: str) -> str:
    """The difference before adjustment, beside a sentence that says of what; as there, root canals are fewer."""
    if outcome == "endo_needed":
        return f"Not adjusted: {crude.per_100:.0f} fewer; the range is {crude.ci_low:.0f} to {crude.ci_high:.0f} fewer."
    mid, low, high = (round(v) for v in (crude.per_100, crude.ci_low, crude.ci_high))
    much = f"{more_or_fewer(mid)} per 100" if mid else "about as many"
    return f"Not adjusted: {much}; the range is {range_more_or_fewer(low, high)}."


def incidence_label(curves: Sequence[IncidenceCurve]) -> str:
    """The accessible name of incidence curves: where each ends, with its range."""
    say = outcome_terms(curves[0].outcome)
    parts = []
    for c in curves:
        if len(c.points) < 2:
            parts.append(f"{curve_name(c, curves)}: no curve")
            continue
        p = c.points[-1]
        rng = f"range {round(100 * p.ci_low)} to {round(100 * p.ci_high)}"
        parts.append(f"{curve_name(c, curves)}: {round(100 * p.estimate)} of 100 by {years(p.years)} ({rng})")
    return f"{plural(2, say.noun).capitalize()} that {say.bad}. {'; '.join(parts)}."


def curve_name(curve: IncidenceCurve, curves: Sequence[IncidenceCurve]) -> str:
    """The arm's label, with how it is counted where both ways stand side by side."""
    if any(c.adjusted for c in curves):
        return f"{curve.label}, {'adjusted' if curve.adjusted else 'not adjusted'}"
    return curve.label
