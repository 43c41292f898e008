"""The decision on a hyperemic tooth, as an emulated trial: root canal before the seat, or seat it vital and wait.

The main comparison sets crowns opened later against crowns on teeth treated before. No one decides to have a crown
opened later; what is decided, at the preparation of a tooth with a hyperemic pulp, is whether to treat it first. This
question follows all teeth on which that decision was due from the day of the preparation on, by clone, censor, weight
(`trial_rows.py`, `trial_weights.py`): a pulp that flares before the seat is part of waiting, and the price of waiting
(a root canal, before the seat or through the crown, and what that does) is paid only by those that come to need it.
Three things are weighed: the crown, the tooth, and the need of a root canal.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.practice.counts import count
from pipeline.practice.counts import years as in_years
from pipeline.practice.outcomes import outcome as named
from pipeline.questions.analysis import Analysis
from pipeline.questions.groups import curve_stop, days_of
from pipeline.questions.trial_decisions import FIELDS, OTHER_TEXT, REVERSIBLE_DAYS, Decisions
from pipeline.questions.trial_protocol import Facts, protocol_table
from pipeline.questions.trial_rows import EITHER, ENDO, FEWEST_TOLD, FIRST, WAIT, enter_trial
from pipeline.questions.trial_weights import TRUNCATED_AT, Cloned, Weighted, clone, weigh
from pipeline.questions.verdict import CANNOT_TELL, DIFFERS, LITTLE_DIFFERENCE, Basis, write_verdict
from pipeline.results import (
    DAYS_PER_YEAR,
    DiagnosisRow,
    Difference,
    Group,
    IncidenceCurve,
    NotRun,
    Trial,
    TrialArm,
    TrialOutcome,
    Verdict,
)
from pipeline.results.points import IncidencePoint
from pipeline.results.trial_words import (
    CROWN,
    NAMES,
    NEED,
    NOT_COMPARED,
    OUTCOMES,
    TOOTH,
    no_difference,
    outcome_sentence,
)
from pipeline.stats.aalen_johansen import aalen_johansen
from pipeline.stats.differences import Group as Rows
from pipeline.stats.differences import survival_difference
from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.spells import Floats

ID = "hyperemic_before_seat_or_wait"
TITLE = "A hyperemic tooth that needs a crown: root canal first, or seat it vital and wait"
LAB_DAYS = 21
LABELS = {FIRST: "A root canal before the seat", WAIT: "A vital seat and waiting"}
VITAL_NEED = "endo_needed_since_seat"
COLUMNS = {
    NEED: ("need_days", "need_cause"),
    VITAL_NEED: ("vital_days", "vital_cause"),
    CROWN: ("crown_days", "crown_failed"),
    TOOTH: ("tooth_days", "tooth_lost"),
}
CRUDE = "_crude"
POINTS_PER_YEAR = 4


@dataclass(frozen=True)
class Emulated:
    """The trial, and the rows of `enter_trial` that it stands on (None where it was not run)."""

    trial: Trial | NotRun
    rows: pl.DataFrame | None


def emulate(
    crowns: pl.DataFrame,
    endo_courses: pl.DataFrame,
    tooth_followup: pl.DataFrame,
    patients: pl.DataFrame,
    analysis: Analysis,
    *,
    endo_details: pl.DataFrame,
    lab_days: int = LAB_DAYS,
) -> Emulated:
    """Emulate the trial on the linked tables and the recorded diagnoses (see `pipeline.practice.tables`).

    `lab_days` (days from preparation to seat) is that of the linking rules, for practices that record too few days of
    preparation. All outcomes are followed from the preparation to the horizon of `analysis` at most.

    Returns `NotRun` where no pulp is recorded as hyperemic and no reversible pulpitis is diagnosed, else a `Trial`:

    - `curves`: outcome "endo_needed" for "seat_vital", crude; "crown_failure" and "tooth_loss" for both arms, crude and
      weighted. Points at every quarter of a year since the preparation, up to where the curve stops by the rules of all
      curves. A tooth that is in both ways (see `enter_trial`) counts in part in each, in the crude ones too.
    - `differences`: "crown_failure", "tooth_loss" and "endo_needed" (weighted), and each with "_crude"; without weights
      only the latter. None is given where a curve stops before the horizon or an arm has fewer than `min_failures`
      events by then, since the error of a difference is then not to be trusted.
    - `outcomes`: the same three, each with its sentence, or with why there is no difference; crown and tooth each with
      its verdict, by the weighted difference (the crude one without weights).
    - `arms`: how many teeth each way has, and how many of its clones were censored.
    - `diagnoses`: teeth of each arm by recorded diagnosis, by the preparation and from then to the seat.
    - `everyday`: of 100 teeth seated vital, how many came to need a root canal, hyperemic ones and then normal ones;
      `everyday_curves` are the same two curves, since the seat. Then how many hyperemic ones flared before it.

    Need of a root canal is no failure. Under "endo_first" every tooth has one, so its difference is 100 less what came
    to need one under "seat_vital".
    """
    hyperemic = crowns.filter(pl.col("pulp_status_at_prep") == "hyperemic").height
    if not hyperemic and endo_details.filter(pl.col("pulpal_diagnosis") == "reversible_pulpitis").is_empty():
        return Emulated(NotRun(ID, TITLE, ("crown_details.pulp_status_at_prep",)), None)
    horizon = days_of(analysis.horizon_years)
    entered, normal = (
        enter_trial(
            crowns,
            endo_courses,
            tooth_followup,
            patients,
            endo_details,
            pulp=pulp,
            lab_days=lab_days,
            horizon_days=horizon,
        )
        for pulp in ("hyperemic", "normal")
    )
    rows = entered.rows
    cloned = clone(rows)
    weighted, why = weigh(cloned, min_teeth=analysis.min_at_risk)
    weight = pl.lit(None, pl.Float64) if weighted is None else pl.Series(weighted.values)
    kinds = (False,) if weighted is None else (False, True)
    clones = cloned.kept.with_columns(weight=weight)
    sides = {arm: clones.filter(pl.col("arm") == arm) for arm in (FIRST, WAIT)}
    curves = [incidence_curve(sides[WAIT], NEED, arm=WAIT, label=LABELS[WAIT], analysis=analysis)]
    curves += [
        incidence_curve(side, outcome, arm=arm, label=LABELS[arm], analysis=analysis, adjusted=adjusted)
        for outcome in (CROWN, TOOTH)
        for adjusted in kinds
        for arm, side in sides.items()
    ]
    found = [
        (outcome + ("" if adjusted else CRUDE), difference(sides, outcome, analysis, adjusted=adjusted))
        for outcome in OUTCOMES
        for adjusted in reversed(kinds)
    ]
    differences = tuple((name, d) for name, d in found if d is not None)
    everyday = [
        replace(incidence_curve(_vital(entry.rows), VITAL_NEED, arm=pulp, label=label, analysis=analysis), outcome=NEED)
        for pulp, label, entry in (
            ("hyperemic", "Hyperemic at preparation, crowned vital", entered),
            ("normal", "Normal at preparation, crowned vital", normal),
        )
    ]
    doubt = why_not_claimed(rows)
    arms = _arms(cloned, weighted)
    trial = Trial(
        id=ID,
        title=TITLE,
        question=(
            "When a tooth prepared for a crown has a hyperemic pulp, do the crown and the tooth last longer with the "
            "root canal done before the seat, or by waiting: seating the crown on the vital tooth, with a root canal "
            "only when it is needed?"
        ),
        protocol=protocol_table(
            Facts(
                rows=rows,
                arms=arms,
                flow=entered.flow,
                prep_days=entered.prep_days,
                horizon_years=analysis.horizon_years,
                confidence=analysis.confidence,
                adjusted_for=() if weighted is None else weighted.adjusted_for,
                truncated_at=TRUNCATED_AT,
            )
        ),
        curves=tuple(c for c in curves if c.teeth),
        differences=differences,
        everyday=(
            *(
                everyday_sentence(curve, words, years=analysis.horizon_years)
                for curve, words in zip(everyday, (("hyperemic ", ""), ("", " normal at preparation")), strict=True)
            ),
            flare_sentence(rows.height, int(rows["flared"].sum()), int(rows["untold"].sum())),
        ),
        everyday_curves=tuple(c for c in everyday if c.teeth),
        balance=() if weighted is None else weighted.balance,
        flow=entered.flow,
        notes=(
            *(why if weighted is None else weighted.notes),
            *_notes(entered, arms, analysis),
        ),
        outcomes=tuple(
            _outcome(o, dict(differences), sides, doubt, analysis, adjusted=weighted is not None) for o in OUTCOMES
        ),
        diagnoses=diagnosis_rows(sides),
        not_compared=NOT_COMPARED,
        arms=arms,
    )
    return Emulated(trial, rows)


def incidence_curve(
    rows: pl.DataFrame, outcome: str, *, arm: str, label: str, analysis: Analysis, adjusted: bool = False
) -> IncidenceCurve:
    """Cumulative incidence of one outcome in clones of one way, with errors grouped by patient.

    Need of endo by Aalen-Johansen, others by one minus Kaplan-Meier; each clone counts by its `share`, with `adjusted`
    by its `weight`. Points stop where fewer than `min_at_risk` are followed or one more event would move the unweighted
    curve too far; while none has happened the upper limit is the exact one for 0 of those followed.
    """
    return IncidenceCurve(
        arm=arm,
        label=label,
        outcome=outcome,
        teeth=rows.height,
        patients=rows["patient_id"].n_unique(),
        events=int(_happened(rows, outcome).sum()),
        adjusted=adjusted,
        points=_points(rows, outcome, analysis, adjusted=adjusted) if rows.height else (),
        event_patients=rows.filter(_happened(rows, outcome))["patient_id"].n_unique(),
    )


def difference(
    sides: dict[str, pl.DataFrame], outcome: str, analysis: Analysis, *, adjusted: bool
) -> Difference | None:
    """Per 100 by the horizon, treated first minus seated vital; None where it cannot be trusted.

    Failures of the crown and teeth lost by two Kaplan-Meier curves. Of root canals: all of those treated first, less
    the share (Aalen-Johansen) of those seated vital that came to need one.
    """
    if why_no_difference(sides, outcome, analysis):
        return None
    horizon = days_of(analysis.horizon_years)
    how = "adjusted: weighted by the inverse chance of the strategy received" if adjusted else "not adjusted"
    if outcome == NEED:
        share, low, high = _incidence(sides[WAIT], NEED, np.array([horizon]), analysis, adjusted=adjusted)
        found = (1 - share[0], 1 - high[0], 1 - low[0])
        method = (
            "all, as every tooth treated first has one, less the cumulative incidence with waiting (Aalen-Johansen)"
        )
    else:
        days, event = COLUMNS[outcome]
        first, wait = (
            Rows(s[days], s[event], weights=s["weight" if adjusted else "share"], cluster=s["patient_id"])
            for s in (sides[FIRST], sides[WAIT])
        )
        d = survival_difference(first, wait, [horizon], confidence=analysis.confidence)
        found = (-d.estimate[0], -d.high[0], -d.low[0])
        method = "difference of two Kaplan-Meier curves"
    if np.isnan(found).any():
        return None
    per_100, low_100, high_100 = (float(100 * v) for v in found)
    return Difference(
        group=FIRST,
        reference=WAIT,
        years=analysis.horizon_years,
        from_days=0,
        per_100=per_100,
        ci_low=low_100,
        ci_high=high_100,
        method=f"{method}, variance grouped by patient; {how}",
    )


def why_no_difference(sides: dict[str, pl.DataFrame], outcome: str, analysis: Analysis) -> str:
    """What forbids a difference, as it follows "since"; empty where one can be given."""
    clear = {arm: int((~s["either"]).sum()) for arm, s in sides.items()}
    few = [f"{n:,} with {LABELS[arm].lower()}" for arm, n in clear.items() if n < analysis.min_at_risk]
    if few:
        return f"fewer than {analysis.min_at_risk} teeth went one of the two ways ({' and '.join(few)})"
    counted = {WAIT: sides[WAIT]} if outcome == NEED else sides
    events = {arm: int(_happened(s, outcome).sum()) for arm, s in counted.items()}
    if min(events.values()) < analysis.min_failures:
        so_far = " and ".join(f"{n:,} with {LABELS[arm].lower()}" for arm, n in events.items())
        return f"too few {named(outcome).happened} so far ({so_far}; at least {analysis.min_failures} are asked for)"
    horizon = days_of(analysis.horizon_years)
    if any(_stop(s[COLUMNS[outcome][0]], _any_event(s, outcome), analysis) < horizon for s in counted.values()):
        return f"too few teeth are followed for {in_years(analysis.horizon_years)}"
    return ""


def diagnosis_rows(sides: dict[str, pl.DataFrame]) -> tuple[DiagnosisRow, ...]:
    """Teeth of each arm by diagnosis, known by the preparation and recorded from then to the seat, in declared order.

    Other texts come as one, then those without a record; levels that no tooth has are left out.
    """
    fields = (
        ("pulpal_diagnosis", "by_prep", "pulpal_diagnosis"),
        ("apical_diagnosis", "by_prep", "apical_diagnosis"),
        ("pulpal_diagnosis", "by_seat", "pulpal_later"),
        ("apical_diagnosis", "by_seat", "apical_later"),
    )
    out = []
    for field, when, column in fields:
        counts = {arm: dict(s[column].fill_null("").value_counts().iter_rows()) for arm, s in sides.items()}
        for value in (*FIELDS[field], OTHER_TEXT, ""):
            teeth = tuple((arm, counts[arm].get(value, 0)) for arm in sides)
            if any(n for _, n in teeth):
                out.append(DiagnosisRow(field, when, value, teeth))
    return tuple(out)


def everyday_sentence(curve: IncidenceCurve, words: tuple[str, str], *, years: float) -> str:
    """`Of 100 hyperemic teeth crowned vital, N had a root canal recorded within 5 years (range a to b).`

    `words` stand before and after "teeth". Where the curve stops before that, the sentence says so.
    """
    before, after = words
    within = f"within {in_years(years)} of the seat"
    at = next((p for p in curve.points if p.years == years), None)
    if at is None:
        so_far = f"{count(curve.teeth, 'tooth')} so far"
        return (
            f"Too few {before}teeth{after} were crowned vital and followed to say how many need a root canal {within} "
            f"({so_far})."
        )
    n, low, high = (round(100 * share) for share in (at.estimate, at.ci_low, at.ci_high))
    which = f"{before}teeth{after} and" if after else f"{before}teeth"
    some = str(n) if n else "fewer than 1" if at.estimate > 0 else "none"
    return f"Of 100 {which} crowned vital, {some} had a root canal recorded {within} (range {low} to {high})."


def flare_sentence(teeth: int, flared: int, untold: int) -> str:
    """`Of 412 hyperemic teeth, 17 flared between the preparation and the seat (...).`, and of how many it is not told.

    `untold` are those whose root canal was begun then with no diagnosis on record.
    """
    if not teeth:
        return "No hyperemic tooth was prepared for a crown."
    more = (
        f"; of {untold:,} whose root canal was begun then no diagnosis tells whether the pulp had flared"
        if untold
        else ""
    )
    return (
        f"Of {count(teeth, 'hyperemic tooth')}, {format(flared, ',') if flared else 'none'} "
        f"{'are' if flared > 1 else 'is'} "
        f"recorded to have flared between the preparation and the seat (an irreversible pulpitis or a necrosis){more}."
    )


def _vital(rows: pl.DataFrame) -> pl.DataFrame:
    """The teeth that were seated vital, each whole."""
    return rows.filter(pl.col("arm") == WAIT).with_columns(share=1.0)


def _arms(cloned: Cloned, weighted: Weighted | None) -> tuple[TrialArm, ...]:
    kept = cloned.kept
    weight = pl.Series([None] * kept.height, dtype=pl.Float64) if weighted is None else pl.Series(weighted.values)
    out = []
    for arm in (FIRST, WAIT):
        own = kept.select("arm", "either", weight=weight).filter(pl.col("arm") == arm)
        either, largest = int(own["either"].sum()), own["weight"].max()
        out.append(
            TrialArm(
                arm=arm,
                label=LABELS[arm],
                followed=own.height - either,
                either=either,
                departed=cloned.departed[arm],
                largest_weight=float(largest) if isinstance(largest, float) else None,
            )
        )
    return tuple(out)


def _points(rows: pl.DataFrame, outcome: str, analysis: Analysis, *, adjusted: bool) -> tuple[IncidencePoint, ...]:
    days = COLUMNS[outcome][0]
    stop = _stop(rows[days], _any_event(rows, outcome), analysis)
    quarters = np.arange(int(analysis.horizon_years * POINTS_PER_YEAR) + 1) / POINTS_PER_YEAR
    years = np.unique(np.append(quarters, analysis.horizon_years))
    at = np.array([days_of(y) for y in years], dtype=np.int64)
    years, at = years[at <= stop], at[at <= stop]
    estimate, low, high = _incidence(rows, outcome, at, analysis, adjusted=adjusted)
    at_risk = (rows[days].to_numpy()[:, None] >= at).sum(axis=0)
    none_yet = 1 - ((1 - analysis.confidence) / 2) ** (1 / np.maximum(at_risk, 1))
    low = np.where(np.isnan(low), estimate, low)
    high = np.where(np.isnan(high), np.where((estimate == 0) & (at > 0), none_yet, estimate), high)
    return tuple(
        IncidencePoint(float(y), int(n), float(e), float(a), float(b))
        for y, n, e, a, b in zip(years, at_risk, estimate, low, high, strict=True)
    )


def _outcome(
    outcome: str, found: dict[str, Difference], sides: dict[str, pl.DataFrame], doubt: str, analysis: Analysis,
    *, adjusted: bool,
) -> TrialOutcome:  # fmt: skip
    d = found.get(outcome if adjusted else outcome + CRUDE)
    verdict = None if outcome == NEED else _verdict(sides, outcome, d, analysis)
    if verdict is not None and doubt and verdict.code in (DIFFERS, LITTLE_DIFFERENCE):
        verdict = _not_claimed(verdict, outcome, doubt)
    if d is None:
        why = why_no_difference(sides, outcome, analysis) or "its error could not be worked out"
        return TrialOutcome(outcome, None, adjusted, why, no_difference(outcome, why), verdict)
    said = outcome_sentence(outcome, d.per_100, d.ci_low, d.ci_high, years=d.years, adjusted=adjusted)
    return TrialOutcome(outcome, d, adjusted, "", said, verdict)


def _happened(rows: pl.DataFrame, outcome: str) -> pl.Series:
    event = rows[COLUMNS[outcome][1]]
    return event == ENDO if outcome in (NEED, VITAL_NEED) else event


def _any_event(rows: pl.DataFrame, outcome: str) -> pl.Series:
    """Events of the outcome and those that compete with it."""
    return rows[COLUMNS[outcome][1]].cast(pl.Int64) > 0


def _incidence(
    rows: pl.DataFrame, outcome: str, at: NDArray[np.int64], analysis: Analysis, *, adjusted: bool
) -> tuple[Floats, Floats, Floats]:
    days, event = (rows[name] for name in COLUMNS[outcome])
    weights = rows["weight" if adjusted else "share"]
    cluster, confidence = rows["patient_id"], analysis.confidence
    if outcome in (NEED, VITAL_NEED):
        curve = aalen_johansen(days, event, weights=weights, cluster=cluster, n_causes=3, confidence=confidence)
        found = curve.at(at)
        return found.incidence[ENDO - 1], found.low[ENDO - 1], found.high[ENDO - 1]
    kept = kaplan_meier(days, event, weights=weights, cluster=cluster, confidence=confidence).at(at)
    return 1 - kept.survival, 1 - kept.high, 1 - kept.low


def _stop(days: pl.Series, event: pl.Series, analysis: Analysis) -> int:
    # The last day shown, by the unweighted curve, so that a curve and its weighted twin stop together.
    return curve_stop(kaplan_meier(days, event), rules=analysis.curve_rules())[0]


def _verdict(sides: dict[str, pl.DataFrame], outcome: str, found: Difference | None, analysis: Analysis) -> Verdict:
    both = pl.concat(sides.values())
    span = (pl.col("exit_date").max() - pl.col("entry_date").min()).dt.total_days()
    first, wait = (
        Group(arm, LABELS[arm], s.height, s["patient_id"].n_unique(), n, 0.0, 0.0, 0.0, 0.0)
        for arm, s in sides.items()
        for n in [int(_happened(s, outcome).sum())]
    )
    verdict = write_verdict(
        Basis(
            group=first,
            reference=wait,
            difference=found,
            horizon_years=analysis.horizon_years,
            smallest_per_100=analysis.smallest_difference_per_100,
            min_failures=analysis.min_failures,
            confidence=analysis.confidence,
            years_of_records=float(both.select(span).item() or 0) / DAYS_PER_YEAR,
        )
    )
    # Standing alone, the sentence has to say of which of the three outcomes it speaks.
    return replace(verdict, sentence=f"{NAMES[outcome]}: {verdict.sentence[:1].lower()}{verdict.sentence[1:]}")


def why_not_claimed(rows: pl.DataFrame) -> str:
    """Why a difference is no verdict: root canals between preparation and seat of which nothing tells the reason.

    Empty where at least `FEWEST_TOLD` of them are told by a diagnosis, or fewer than that are not.
    """
    between = rows.filter(pl.col("course_started") > pl.col("decision_date"))
    untold = int(between["untold"].sum())
    if untold < FEWEST_TOLD or between.height - untold >= FEWEST_TOLD:
        return ""
    return (
        f"No diagnosis tells why {untold:,} of {between.height:,} root canals between preparation and seat were done: "
        "planned, or for a pulp that flared while it waited"
    )


def _not_claimed(verdict: Verdict, outcome: str, reason: str) -> Verdict:
    return replace(
        verdict,
        code=CANNOT_TELL,
        sentence=f"{NAMES[outcome]}: we cannot tell. {reason}. Until that is known, the difference is not claimed.",
        doubt=f"{reason}. {verdict.doubt}",
        next_step="Record the pulpal diagnosis with each root canal begun between preparation and seat.",
    )


def _notes(entered: Decisions, arms: tuple[TrialArm, ...], analysis: Analysis) -> tuple[str, ...]:
    rows = entered.rows
    first, wait, either = (rows.filter(pl.col("arm") == arm) for arm in (FIRST, WAIT, EITHER))
    late = (pl.col("course_completed").is_null() | (pl.col("course_completed") > pl.col("seat_date"))).fill_null(True)
    same_day = pl.col("course_started") == pl.col("decision_date")
    untold = rows.filter("untold")
    as_told = untold["doubt"].mean() if untold.height else 0.0
    counted = (
        (
            rows.filter("by_diagnosis").height,
            f"counted as hyperemic by a reversible pulpitis recorded in the {REVERSIBLE_DAYS} days up to the "
            "preparation, not by the pulp recorded with the crown",
        ),
        (
            rows.filter(~pl.col("decision_recorded")).height,
            "without a recorded day of preparation: it is worked out from the seat",
        ),
        (first.filter(same_day).height, "treated first had the root canal begun on the day of the preparation itself"),
        (
            either.filter("for_need").height,
            "flared after the preparation and had the root canal before the seat: in part in both ways, as either "
            "would have treated it",
        ),
        (
            untold.height,
            "had a root canal begun between preparation and seat with no diagnosis on record that tells why: "
            + (
                f"taken to have flared as often as those with one ({round(100 * as_told)} of 100)"
                if isinstance(as_told, float) and as_told > 0
                else "taken as treated first, though a pulp may have flared"
            ),
        ),
        (wait.filter("flared").height, "flared after the preparation, seated vital all the same"),
        (either.filter(pl.col("course_started").is_null()).height, "lost before the seat, in part in both ways"),
        (first.filter(late).height, "treated first had the root canal begun by the seat and completed later or never"),
        (first.filter("course_elsewhere").height, "treated first had the root canal done by another practice"),
        (rows.filter("order_uncertain").height, "whose order of root canal and seat is not sure, counted as labelled"),
        (
            wait.filter(pl.col("access_elsewhere").fill_null(False), pl.col("need_cause") == ENDO).height,
            "seated vital needed a root canal that another practice did",
        ),
        (
            wait.filter("given_up").height,
            "seated vital needed a root canal for which the crown was renewed: a need of it, and a crown failure",
        ),
    )
    notes = [f"{count(n, 'tooth')} {what}." for n, what in counted if n]
    for arm in arms:
        if arm.followed < analysis.min_at_risk:
            notes.append(f"Too few to compare: {count(arm.followed, 'tooth')} with {arm.label.lower()}.")
    return tuple(notes)
