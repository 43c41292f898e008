"""Results objects of an invented practice, drawn at random but internally consistent, for tests of pages and slides.

Every curve is a Kaplan-Meier curve of drawn crowns, so that curves, tables and counts of one object agree.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
import math
import os
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
import sample_owner

from pipeline.results import (
    DAYS_PER_YEAR,
    GRID_MONTHS,
    BalanceRow,
    Check,
    Choice,
    Choices,
    Comparison,
    Counts,
    CurvePoint,
    DiagnosisRow,
    Difference,
    Estimate,
    FilledIn,
    FlowStep,
    FollowUp,
    Group,
    HalfYear,
    IncidenceCurve,
    IncidencePoint,
    LinkNote,
    LoadRow,
    Milestone,
    Naive,
    NotRun,
    ProtocolRow,
    Quality,
    QuarantineRow,
    RateRow,
    RateTable,
    Results,
    Robustness,
    Trial,
    TrialArm,
    TrialOutcome,
    UnknownCode,
    Verdict,
)
from pipeline.results.evidence import Evidence, EvidenceRange, EvidenceRow
from pipeline.results.healing import (
    Agreement,
    CountedShare,
    HealingPoint,
    LesionHealing,
    LossByCause,
    LossGroup,
    LossTable,
    ReaderWay,
    RecallRow,
)
from pipeline.results.leaving import Leaving, LostFromSight, Tipping, Weighed
from pipeline.results.records import Records
from pipeline.results.states import CrownStates, StatePoint
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast, TechniqueGroup
from pipeline.results.trial_words import NAMES, NOT_COMPARED, no_difference, outcome_sentence
from pipeline.results.unseen import Assumption, Moved, Spread, Unseen

YEARS = (0.0, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0)
HORIZON = 5.0
MARGIN = 5.0
LABELS = {
    "before_seat": "Root canal before the crown was seated",
    "through_crown": "Root canal through the crown",
    "vital": "No root canal",
}
CLINICIANS = ("Dr Ashby", "Dr Brandt", "Dr Castellan", "Dr Dunmore", "Dr Ekholm", "Dr Fairweather")


def differs() -> Results:
    """A large practice in which crowns opened later failed more often."""
    return dataclasses.replace(_practice(before=900, through=640, vital=2400, ratio=3.2, seed=5), unseen=unseen())


def unseen() -> tuple[Unseen, ...]:
    """What may be unseen of the main comparison and of the trial."""
    assumed = (Assumption("Share of root canals done by others", "0 to 85 %", "nothing was said"),)
    main = Unseen(
        id="crown_longevity_by_endo_timing",
        setting="unknown",
        seen=640,
        seen_elsewhere=12,
        seen_before_seat=900,
        undated=3,
        hinted=21,
        openings=Spread(310.0, 24.0, 1204.0),
        before_seat=Spread(120.0, 11.0, 480.0),
        failures=Spread(9.0, 1.0, 31.0),
        moved=(
            Moved("per_100", 9.4, 6.1, 12.7, Spread(9.1, 4.4, 14.2), Spread(9.0, 2.2, 16.3), 0.012),
            Moved("hazard_ratio", 2.4, 1.8, 3.1, Spread(2.35, 1.6, 3.3), Spread(2.33, 1.4, 3.8), 0.004),
        ),
        draws=80,
        impossible=7,
        assumptions=assumed,
        sentences=("These records hold 640 opened crowns.", "24 to 1,204 more may be unseen."),
    )
    need = Moved("need_per_100", 22.0, 17.0, 27.0, Spread(33.0, 23.0, 60.0), Spread(34.0, 21.0, 66.0), None)
    trial = dataclasses.replace(
        main, id="hyperemic_before_seat_or_wait", moved=(need,), impossible=15, sentences=("34 instead of 22.",)
    )
    return main, trial


def cannot_tell() -> Results:
    """A middling practice whose range holds both no difference and one that matters."""
    return _practice(before=420, through=130, vital=900, ratio=1.3, seed=2)


def little_difference() -> Results:
    """A very large practice in which the two groups failed alike."""
    return _practice(before=2600, through=2000, vital=5200, ratio=1.0, seed=3)


def too_early() -> Results:
    """A young practice with a handful of failures."""
    return _practice(before=60, through=14, vital=110, ratio=1.4, seed=4)


def one_of_each() -> Results:
    """The smallest practice that has a comparison: one crown, one failure, one of everything, to test the singular."""
    point = CurvePoint(400, 1, 0.0, 0.0, 0.0)
    miles = (Milestone(0, 1, 1, 0, 0, 1.0, 1.0, 1.0), Milestone(1, 1, 1, 0, 0), Milestone(2, 1, 0, 1, 0))
    group = Group("before_seat", LABELS["before_seat"], 1, 1, 1, 1.1, 90.9, 2.3, 506.0, (point,), miles, 0, 0, "few")
    empty = Group("through_crown", LABELS["through_crown"], 0, 0, 0, 0.0, math.nan, math.nan, math.nan)
    comparison = _comparison((group, empty), (), None, None, ())
    rates = (_overall("crown_survival", "Crowns still in place", 1, 1),)
    quality = Quality(
        loads=(LoadRow("ledger.csv", "0" * 64, "procedures", 1, 1, 0, 0),),
        quarantine=(
            QuarantineRow("procedures", "tooth", "tooth_unknown", "ingest", 1, "The tooth is not one.", "Mend it."),
        ),
        filled_in=(FilledIn("procedures", "tooth", 1, 1),),
        unknown_codes=(UnknownCode("D9999", 1),),
    )
    counts = Counts(1, 1, 1, 1, 1, 1)
    return dataclasses.replace(empty_practice(), counts=counts, comparisons=(comparison,), rates=rates, quality=quality)


def empty_practice() -> Results:
    """A practice whose files hold nothing that any analysis could use."""
    return Results(
        practice="Alder Row Dental",
        data_from="2006-01-03",
        data_cutoff="2025-12-31",
        counts=Counts(0, 0, 0, 0, 0, 0),
        comparisons=(),
        rates=(),
        quality=Quality(),
        not_run=(
            NotRun("crown_longevity_by_endo_timing", "Root canal before or through the crown", ("procedures.code",)),
        ),
        rules={},
        analysis={},
        versions={},
    )


def no_technique_data() -> Results:
    """The ordinary practice without any table of technique: those analyses are listed with what they lack."""
    results = differs()
    return dataclasses.replace(
        results,
        comparisons=results.comparisons[:1],
        not_run=(
            NotRun("endo_survival_by_obturation", "How the canals were filled", ("endo_details.obturation",)),
            NotRun("crown_longevity_by_margin", "Margin of the crown", ("crown_details.margin",)),
        ),
    )


HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&{{ 7*7 }}</title></style>"


def hostile() -> Results:
    """The ordinary practice with hostile text in every field that its own files can fill."""
    results = differs()
    rates = tuple(
        dataclasses.replace(
            t, rows=tuple(dataclasses.replace(r, name=HOSTILE) if i == 0 else r for i, r in enumerate(t.rows))
        )
        for t in results.rates
    )
    q = results.quality
    quality = dataclasses.replace(
        q,
        loads=tuple(dataclasses.replace(r, file=HOSTILE) for r in q.loads),
        quarantine=tuple(dataclasses.replace(r, field=HOSTILE, reason=HOSTILE) for r in q.quarantine),
        unknown_codes=(UnknownCode(HOSTILE, 3),),
    )
    first = results.comparisons[0]
    groups = (dataclasses.replace(first.groups[0], label=HOSTILE), *first.groups[1:])
    assert first.choices is not None
    options = {HOSTILE: [HOSTILE, "other"], **first.choices.options}
    rows = tuple(dataclasses.replace(r, options={HOSTILE: HOSTILE, **r.options}) for r in first.choices.rows)
    choices = dataclasses.replace(first.choices, options=options, rows=rows)
    first = dataclasses.replace(first, title=HOSTILE, groups=groups, notes=(HOSTILE,), choices=choices)
    trial = results.trials[0]
    trial = dataclasses.replace(
        trial,
        everyday=(HOSTILE,),
        notes=(HOSTILE,),
        balance=tuple(dataclasses.replace(b, label=HOSTILE) for b in trial.balance),
        curves=tuple(dataclasses.replace(c, label=HOSTILE) for c in trial.curves),
        everyday_curves=tuple(dataclasses.replace(c, label=HOSTILE) for c in trial.everyday_curves),
        outcomes=tuple(dataclasses.replace(o, sentence=HOSTILE, why_none=HOSTILE) for o in trial.outcomes),
        diagnoses=tuple(dataclasses.replace(d, field=HOSTILE, value=HOSTILE) for d in trial.diagnoses),
        arms=tuple(dataclasses.replace(a, label=HOSTILE) for a in trial.arms),
        not_compared=HOSTILE,
    )
    return dataclasses.replace(
        results,
        practice=HOSTILE,
        owner=sample_owner.unlike(results.owner, HOSTILE),
        rates=rates,
        quality=quality,
        comparisons=(first, *results.comparisons[1:]),
        rules={"course_gap_days": HOSTILE},
        cautions=(HOSTILE,),
        evidence=dataclasses.replace(
            _evidence(),
            rows=tuple(dataclasses.replace(r, sources=(HOSTILE,), verdict=HOSTILE) for r in _evidence().rows),
            left_out=(HOSTILE,),
        ),
        trials=(trial,),
        recalls=tuple(dataclasses.replace(r, name=HOSTILE) for r in results.recalls),
        agreement=tuple(dataclasses.replace(a, kind=HOSTILE, who=HOSTILE) for a in results.agreement),
        reader_ways=tuple(
            w if w.reader == "agreed" else dataclasses.replace(w, reader=HOSTILE) for w in results.reader_ways
        ),
        losses=tuple(
            dataclasses.replace(
                t,
                id=HOSTILE,
                title=HOSTILE,
                clock=HOSTILE,
                notes=(HOSTILE,),
                groups=tuple(
                    dataclasses.replace(
                        g, label=HOSTILE, causes=tuple(dataclasses.replace(c, cause=HOSTILE) for c in g.causes)
                    )
                    for g in t.groups
                ),
            )
            for t in results.losses
        ),
    )


@functools.cache
def all_variants() -> dict[str, Results]:
    """Every variant by name."""
    builders = (
        differs,
        cannot_tell,
        little_difference,
        too_early,
        empty_practice,
        no_technique_data,
        one_of_each,
        hostile,
        depends,
    )
    return {b.__name__: b() for b in builders}


def variants_now(*at_once: str) -> dict[str, Results]:
    """Every variant by name in the thorough step (THOROUGH is set), else those named."""
    found = all_variants()
    return found if os.environ.get("THOROUGH") else {name: found[name] for name in at_once}


# Variants in which no group has enough failures for a curve that may be shown.
WITHOUT_CURVES = ("too_early", "empty_practice", "one_of_each")


def few_at_once(*at_once: str) -> list[Any]:
    """The names of all variants as parameters of a test; only those named are ordinary, the others thorough."""
    return [pytest.param(name, marks=[] if name in at_once else [pytest.mark.thorough]) for name in all_variants()]


# --- drawing crowns -------------------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True)
class _Drawn:
    entry: np.ndarray
    exit: np.ndarray
    failed: np.ndarray
    age: np.ndarray  # days since the seat at the cut-off, which bounds follow-up


def _draw(n: int, yearly: float, seed: int, *, late: bool = False) -> _Drawn:
    rng = np.random.default_rng(seed)
    seat_age = rng.integers(200, int(19.5 * DAYS_PER_YEAR), n)
    entry = np.minimum(rng.integers(60, 3600, n), seat_age - 60) if late else np.zeros(n, dtype=int)
    lost = entry + rng.exponential(9 * DAYS_PER_YEAR, n).astype(int) + 1
    end = np.minimum(seat_age, lost)
    fails = entry + rng.exponential(DAYS_PER_YEAR / yearly, n).astype(int) + 1
    return _Drawn(entry, np.minimum(end, fails), fails <= end, seat_age)


def _curve(d: _Drawn) -> tuple[tuple[CurvePoint, ...], int, int | None, str]:
    """Kaplan-Meier with entry and log-log limits, started at 10 followed and stopped when few are left."""
    start = 0
    if d.entry.any():
        order = np.sort(d.entry)
        start = next((int(t) for t in order if ((d.entry < t) & (d.exit > t)).sum() >= 10), 0)
    points, s, green, stop, why = [], 1.0, 0.0, None, ""
    for t in np.unique(d.exit[d.failed & (d.exit > start)]):
        n = int(((d.entry < t) & (d.exit >= t)).sum())
        k = int((d.failed & (d.exit == t)).sum())
        if n < 10 or s / n > 0.05:
            stop, why = int(t), "fewer than 10 crowns were followed"
            break
        s *= 1 - k / n
        green += k / (n * (n - k))
        half = 1.959964 * math.sqrt(green) / abs(math.log(s))
        points.append(CurvePoint(int(t), n, s, s ** math.exp(half), s ** math.exp(-half)))
    return tuple(points), start, stop, why


def _at(points: tuple[CurvePoint, ...], start: int, stop: int | None, day: float) -> tuple[float, float, float] | None:
    if day < start or (stop is not None and day >= stop) or not points:
        return None
    before = [p for p in points if p.days <= day]
    return (before[-1].survival, before[-1].ci_low, before[-1].ci_high) if before else (1.0, 1.0, 1.0)


def _group(name: str, n: int, yearly: float, seed: int) -> Group:
    d = _draw(n, yearly, seed, late=name == "through_crown")
    points, start, stop, why = _curve(d)
    miles = []
    for y in YEARS:
        day = y * DAYS_PER_YEAR
        entered = int((d.entry <= day).sum())
        failed = int((d.failed & (d.exit <= day)).sum())
        ended = int((~d.failed & (d.exit <= day)).sum())
        miles.append(
            Milestone(
                y, entered, entered - failed - ended, failed, ended, *(_at(points, start, stop, day) or (None,) * 3)
            )
        )
    tooth_years = float((d.exit - d.entry).sum() / DAYS_PER_YEAR)
    failures = int(d.failed.sum())
    rate = 100 * failures / tooth_years
    spread = math.exp(1.96 / math.sqrt(max(failures, 1)))
    return Group(
        name,
        LABELS.get(name, name.replace("_", " ")),
        n,
        int(n * 0.8),
        failures,
        tooth_years,
        rate,
        rate / spread,
        rate * spread,
        points,
        tuple(miles),
        start,
        stop,
        why,
        half_years=_half_years(d),
        followed=len(d.entry),
        followed_patients=int(n * 0.8),
    )


def _half_years(d: _Drawn) -> tuple[HalfYear, ...]:
    days = [(m, m * DAYS_PER_YEAR / 12) for m in range(0, int(12 * d.exit.max() / DAYS_PER_YEAR) + 1, GRID_MONTHS)]
    return tuple(
        HalfYear(m, int(((d.entry <= day) & (d.exit > day)).sum()), int((d.failed & (d.exit <= day)).sum()))
        for m, day in days
    )


def _difference(a: Group, b: Group) -> Difference | None:
    """Failures per 100 by the horizon, `a` minus `b`, from the day that both curves have started."""
    end = HORIZON * DAYS_PER_YEAR
    start = max(a.starts_at_days, b.starts_at_days)
    parts = []
    for g in (a, b):
        last, first = _at(g.curve, g.starts_at_days, g.stops_at_days, end), None
        first = _at(g.curve, g.starts_at_days, g.stops_at_days, start)
        if last is None or first is None:
            return None
        se = (last[2] - last[1]) / 3.92
        parts.append((1 - last[0] / first[0], se))
    value = 100 * (parts[0][0] - parts[1][0])
    half = 196 * math.hypot(parts[0][1], parts[1][1])
    return Difference(a.name, b.name, HORIZON, start, value, value - half, value + half, "kaplan_meier_greenwood")


def _estimate(contrast: str, ratio: float, events: int, adjusted: tuple[str, ...], crowns: int) -> Estimate:
    se = 2.1 / math.sqrt(max(events, 1))
    low, high = ratio * math.exp(-1.96 * se), ratio * math.exp(1.96 * se)
    model = "cox_time_varying"
    strata = ("clinician",) if adjusted else ()
    return Estimate(
        contrast, model, adjusted, strata, ratio, low, high, 0.04, "patient_id", crowns + 40, crowns, events, crowns
    )


def _verdict(difference: Difference | None, groups: tuple[Group, ...]) -> Verdict:
    few = min(g.failures for g in groups[:2])
    if few < 10 or difference is None:
        noun = "failure" if few == 1 else "failures"
        return Verdict(
            "too_early", f"Too few failures so far ({few} {noun} in one group) to compare.", "", "", "", "", 5.0
        )
    low, mid, high = (round(v) for v in (difference.ci_low, difference.per_100, difference.ci_high))
    result = f"Of 100 crowns, about {abs(mid)} {'more' if mid > 0 else 'fewer'} failed by 5 years when opened later."
    rng = f"The records are compatible with anything from {low} to {high} more per 100."
    doubt = "Teeth that were opened later may have been in worse shape from the start."
    if difference.ci_low > -MARGIN and difference.ci_high < MARGIN:
        code, sentence = "little_difference", "Any difference is probably smaller than 5 per 100."
    elif difference.ci_low > 0 or difference.ci_high < 0:
        word = "More" if mid > 0 else "Fewer"
        code = "differs"
        sentence = f"{word} crowns failed in these records when the root canal was done through the crown."
    else:
        code, sentence = "cannot_tell", "Both a better and a worse result would matter. We cannot tell yet."
    return Verdict(
        code, sentence, result, rng, doubt, "About 4 more years at the present pace would settle it.", MARGIN
    )


def _comparison(
    groups: tuple[Group, ...],
    estimates: tuple[Estimate, ...],
    naive: Naive | None,
    difference: Difference | None,
    flow: tuple[FlowStep, ...],
) -> Comparison:
    return Comparison(
        "crown_longevity_by_endo_timing",
        "Root canal before the crown, or through it",
        "How long do crowns last when the root canal is done before the crown is seated, versus through the crown?",
        "crown_failure",
        "since_seat",
        groups,
        estimates,
        naive,
        difference,
        _verdict(difference, groups),
        flow,
        (),
        ("Crowns opened later are followed from the day they were opened, never from the seat.",),
        HORIZON,
    )


# --- the rest of a practice -----------------------------------------------------------------------------------------


def _overall(outcome: str, title: str, teeth: int, failures: int) -> RateTable:
    survival = None if teeth < 10 else 1 - failures / teeth * 0.8
    half = 0.0 if survival is None else 1.96 * math.sqrt(survival * (1 - survival) / max(teeth * 0.6, 1))
    low, high = (None, None) if survival is None else (max(survival - half, 0), min(survival + half, 1))
    row = RateRow(
        "all", teeth, max(int(teeth * 0.8), 1), failures, teeth * 6.0, 5, int(teeth * 0.55), survival, low, high
    )
    return RateTable(f"{outcome}_overall", title, outcome, "overall", (row,))


def _rates(outcome: str, title: str, teeth: int, failures: int, seed: int) -> tuple[RateTable, ...]:
    rng = np.random.default_rng(seed)
    tables = [_overall(outcome, title, teeth, failures)]
    names = {
        "year": tuple(str(y) for y in range(2006, 2026)),
        "tooth_group": ("anterior", "premolar", "molar"),
        "site_id": ("Alder Row", "Mill Lane"),
        "provider_id": CLINICIANS,
    }
    for by, values in names.items():
        rows, share = [], rng.dirichlet(np.full(len(values), 8.0))
        for value, s in zip(values, share, strict=True):
            n = max(int(teeth * s), 1)
            k = int(rng.binomial(n, min(failures / teeth, 1)))
            row = _overall(outcome, title, n, k).rows[0]
            if by == "year" and value > "2020":
                row = dataclasses.replace(row, followed=0, survival=None, ci_low=None, ci_high=None)
            rows.append(dataclasses.replace(row, name=value))
        tables.append(RateTable(f"{outcome}_by_{by}", f"{title} by {by}", outcome, by, tuple(rows)))
    return tuple(tables)


def _evidence() -> Evidence:
    """A share that rests on both, and a ratio in conflict."""
    three = [EvidenceRange(*v) for v in ((8.0, 1.8, 32.3), (10.0, 6.6, 14.9), (9.3, 6.3, 13.4))]
    ratios = [EvidenceRange(*v) for v in ((2.5, 1.4, 4.6), (0.6, 0.4, 0.9), (0.64, 0.43, 0.95))]
    share = EvidenceRow(
        "endo_intervention:endo_completion:initial_endo:5", "share",
        ("endo_intervention", "endo_completion", "initial_endo"), 5.0, ("Burry JC. 2016. J Endod",), 1, *three, 250, 20,
        21.4, 104.0, 0.55, 0.13, False, "together", "A sentence on the share.",
    )  # fmt: skip
    ratio = EvidenceRow(
        "crown_longevity_by_endo_timing", "ratio", ("through_crown", "before_seat", "crown_failure", "since_seat"),
        None,        ("another practice", "another practice"), 2, *ratios, 900, 80, 33.0, 0.0, 0.01, 0.7, True, "ours",
        "A sentence on the ratio.",
    )  # fmt: skip
    return Evidence((ratio, share), 0.95, 0.2, 0.5, 0.5, 2, 1, ())


def _practice(*, before: int, through: int, vital: int, ratio: float, seed: int) -> Results:
    groups = (
        _group("before_seat", before, 0.02, seed),
        _group("through_crown", through, 0.02 * ratio, seed + 100),
        _group("vital", vital, 0.013, seed + 200),
    )
    crowns, events = before + through + vital, sum(g.failures for g in groups)
    contrast = "through_crown vs before_seat"
    adjusted = ("age at the seat", "sex", "tooth group", "material", "bruxism", "smoking", "year of the seat")
    estimates = (
        _estimate(contrast, ratio * 1.1, events // 3, (), crowns),
        _estimate(contrast, ratio, events // 3, adjusted, crowns),
        _estimate("through_crown vs vital", ratio * 1.6, events // 2, adjusted, crowns),
    )
    share = tuple((g.name, 1 - 0.5 * g.failures / g.crowns) for g in groups[:2])
    naive = Naive(
        contrast,
        0.71,
        0.5,
        1.02,
        "immortal time",
        "A crown opened later had to last until it was opened, so its years before that are free of failure.",
        share,
    )
    flow = (
        FlowStep("Crown rows posted", crowns + 900, 0, "", "rows"),
        FlowStep(
            "Crowns on permanent teeth", crowns + 160, 740, "re-posted rows of one crown, primary teeth", "crowns"
        ),
        FlowStep("Crowns with a known seat date", crowns, 160, "crowns done elsewhere at an unknown time", "crowns"),
    )
    main = _comparison(groups, estimates, naive, _difference(groups[1], groups[0]), flow)
    d = main.difference
    crude = None
    if d is not None:
        crude = dataclasses.replace(d, per_100=d.per_100 + 1.7, ci_low=d.ci_low + 1.2, ci_high=d.ci_high + 2.2)
    main = dataclasses.replace(
        main, crude_difference=crude, robustness=_robustness(d, main.verdict.code), choices=_choices(d, groups)
    )
    technique = _technique(before, seed)
    endo = max(before + through, 20)
    rates = (
        *_rates("crown_survival", "Crowns still in place", crowns, max(events, 1), seed),
        *_rates("endo_tooth_survival", "Teeth still in place after a root canal", endo, endo // 14, seed + 1),
        *_rates("endo_free_of_intervention", "Root canals without further treatment", endo, endo // 9, seed + 2),
    )
    return Results(
        practice="Alder Row Dental",
        data_from="2006-01-03",
        data_cutoff="2025-12-31",
        records=Records(patients_by_year=tuple((year, crowns) for year in range(2006, 2026))),
        counts=Counts(crowns * 9, int(crowns * 0.7), crowns, endo, 43, 160),
        comparisons=(main, technique, _crown_after_endo(before, seed)),
        rates=rates,
        quality=_quality(crowns),
        not_run=(NotRun("endo_success_at_recall", "Healed at recall", ("findings.pai", "findings.exam_date")),),
        rules={
            "course_gap_days": "180",
            "crown_repost_days": "60",
            "lab_days": "21",
            "renewal_days": "120",
            "uncertain_years": "4",
        },
        analysis={"smallest_difference_per_100": "5", "horizon_years": "5"},
        versions={"toothyears": "0.1.0", "polars": "2.1.0"},
        cautions=("Patients who stop coming are followed only to their last visit.",),
        checks=(
            Check("curve of crowns, vital", "lifelines", crowns, 3e-15, 1e-6),
            Check("crude hazard ratios", "lifelines", crowns, 2e-3, 1e-6),
        ),
        followup=(FollowUp("crowns", crowns, 2310, 0.287, 0.713), FollowUp("root canals", endo, None, 0.31, 0.69)),
        recalls=_recalls(endo),
        evidence=_evidence(),
        agreement=_agreement(),
        reader_ways=_reader_ways(int(endo * 0.31)),
        lesion_healing=_lesion_healing(int(endo * 0.5)),
        losses=_losses(endo),
        states=_states(crowns),
        trials=(_trial(max(before // 2, 20)),),
        techniques=_technique_answers(),
        owner=sample_owner.owner(*CLINICIANS),
    )


def _technique(n: int, seed: int) -> Comparison:
    groups = (_group("cold_lateral", n, 0.022, seed + 7), _group("single_cone", max(n // 3, 12), 0.026, seed + 8))
    base = _comparison(groups, (), None, _difference(groups[1], groups[0]), ())
    return dataclasses.replace(
        base,
        id="endo_survival_by_obturation",
        title="How the canals were filled",
        question="Do teeth last longer after one way of filling the canals than after another?",
        outcome="tooth_loss",
        clock="since_completion",
        estimates=(_estimate("single_cone vs cold_lateral", 1.2, sum(g.failures for g in groups), (), n),),
        notes=(),
    )


def _quality(crowns: int) -> Quality:
    rows = crowns * 9
    return Quality(
        loads=(
            LoadRow("exports/ledger-2006-2015.csv", "a" * 64, "procedures", rows // 2 + 31, rows // 2, 0, 31),
            LoadRow("exports/ledger-2016-2025.csv", "b" * 64, "procedures", rows // 2 + 24, rows // 2, 12, 12),
            LoadRow("exports/patients.parquet", "c" * 64, "patients", 1201, 1201, 0, 0),
        ),
        quarantine=(
            QuarantineRow(
                "procedures",
                "tooth",
                "tooth_unknown",
                "ingest",
                31,
                "The tooth is not one in the notation used.",
                "Correct it at the source.",
            ),
            QuarantineRow(
                "procedures",
                "service_date",
                "after_extraction",
                "link",
                12,
                "Treated after the tooth was extracted.",
                "Look at the tooth numbers of both rows.",
            ),
        ),
        filled_in=(
            FilledIn("procedures", "tooth", rows, int(rows * 0.62)),
            FilledIn("procedures", "provider_id", rows, rows),
            FilledIn("patients", "smoker", 1201, 420),
            FilledIn("crown_details", "material", crowns, int(crowns * 0.8)),
        ),
        links=(
            LinkNote(
                "order_uncertain", 17, "Crowns whose order of root canal and seat hangs on the assumed laboratory time."
            ),
            LinkNote(
                "implant_without_extraction",
                1,
                "Implants where no extraction is on record; the tooth is followed to the last contact before.",
            ),
        ),
        unknown_codes=(UnknownCode("D2999", 14), UnknownCode("X100", 3), UnknownCode("ADJ", 1)),
        flow=(
            FlowStep("Rows read", rows + 55, 0, "", "rows"),
            FlowStep("Rows loaded", rows, 55, "set aside or seen before", "rows"),
        ),
    )


# --- doubt, other ways to count, the emulated trial -----------------------------------------------------------------


def _robustness(d: Difference | None, code: str) -> Robustness:
    """Figures that hang on the difference as those of a run do: 2.8 standard errors, E-value only for a claim."""
    if d is None:
        return Robustness(None, None, None, ())
    error = (d.ci_high - d.ci_low) / 3.92
    claimed = code == "differs"
    balance = tuple(
        BalanceRow(name, label, before)
        for name, label, before in (
            ("sex_f", "sex: f", 0.03),
            ("age_at_seat", "age at the seat", 0.21),
            ("tooth_group_molar", "tooth group: molar", 0.34),
            *((f"material_{i}", f"material: kind {i}", 0.01 * i) for i in range(1, 16)),
        )
    )
    return Robustness(2.8 * error, 2.37 if claimed else None, 1.61 if claimed else None, balance, _leaving(d, code))


def _leaving(d: Difference, code: str) -> Leaving:
    """More failures among those treated before would turn the verdict, fewer among the opened too; nothing else."""
    turned = "cannot_tell" if code == "differs" else "differs"
    tipping = (
        Tipping(d.group, True, 91.0),
        Tipping(d.group, False, -7.5, -6.2, 0.14, turned),
        Tipping(d.reference, True, 93.0, 24.4, 3.31, turned),
        Tipping(d.reference, False, -5.0),
    )
    weighed = Weighed(
        ("age at the seat", "an earlier recement or repair of the crown"), 412, 1900, 1.62, 0.41, 2.4, 20400, 408,
        2.05, 1.4, 3.0, d.per_100 + 1.2, d.ci_low + 1, d.ci_high + 1.4,
    )  # fmt: skip
    lost = (LostFromSight(d.group, 310, 84), LostFromSight(d.reference, 1004, 190))
    return Leaving(548, lost, code if code in ("differs", "little_difference") else "cannot_tell", tipping, weighed)


def _choices(d: Difference | None, groups: tuple[Group, ...]) -> Choices | None:
    """Three choices with 2 x 3 x 2 ways and one with a single way; one way in twelve has no difference."""
    if d is None:
        return None
    options = {
        "crown_date": [
            "posted at the seat",
            "posted at preparation, seated 14 days later",
            "posted at preparation, seated 28 days later",
        ],
        "failure": ["replacement, removal or loss", "also the first recement or repair"],
        "adjustment": ["adjusted", "not adjusted"],
        "uncertain_order": ["counted"],
    }
    rows = []
    for n, key in enumerate(itertools.product(*options.values())):
        shift = 2.0 * (n % 5) - 3.0 if n else 0.0
        none = n == 7
        rows.append(
            Choice(
                dict(zip(options, key, strict=True)),
                None if none else d.per_100 + shift,
                None if none else d.ci_low + shift - 0.4,
                None if none else d.ci_high + shift + 0.4,
                None if none else 1.3 + 0.1 * n,
                None if none else 0.9,
                None if none else 2.5,
                tuple((g.name, g.crowns - n) for g in groups),
                tuple((g.name, g.failures) for g in groups),
                "too_early" if none else "cannot_tell" if n % 3 else "differs",
                n == 0,
            )
        )
    verdicts = {c: sum(r.verdict == c for r in rows) for c in ("differs", "cannot_tell", "too_early")}
    zero = sum(r.ci_low is not None and r.ci_high is not None and r.ci_low <= 0 <= r.ci_high for r in rows)
    said = f"In {zero} of {len(rows)} reasonable ways of counting the range includes zero."
    return Choices(options, tuple(rows), verdicts, False, said)


ARMS = {"endo_first": "A root canal before the seat", "seat_vital": "A vital seat and waiting"}


def _incidence(
    arm: str, label: str, outcome: str, teeth: int, yearly: float, *, adjusted: bool = False
) -> IncidenceCurve:
    """Quarters up to 5 years while 10 are followed; nobody lost but by a steady 8 % a year."""
    points = []
    for quarter in range(21):
        years = quarter / 4
        share = 1 - math.exp(-yearly * years)
        at_risk = int(teeth * math.exp(-(yearly + 0.08) * years))
        if at_risk < 10:
            break
        half = 1.96 * math.sqrt(share * (1 - share) / at_risk)
        points.append(IncidencePoint(years, at_risk, share, max(share - half, 0.0), min(share + half, 1.0)))
    events = int(teeth * (1 - math.exp(-yearly * 5)) * 0.8)
    return IncidenceCurve(arm, label, outcome, teeth, int(teeth * 0.9), events, adjusted, tuple(points))


def _trial(teeth: int) -> Trial:
    """An emulated trial with `teeth` seated vital and two thirds as many treated first."""
    sizes = {"endo_first": 2 * teeth // 3, "seat_vital": teeth}
    yearly = {"endo_first": 0.024, "seat_vital": 0.030}
    curves = [_incidence("seat_vital", ARMS["seat_vital"], "endo_needed", teeth, 0.041)]
    curves += [
        _incidence(arm, label, outcome, sizes[arm], yearly[arm] * scale * (0.93 if adjusted else 1), adjusted=adjusted)
        for outcome, scale in (("crown_failure", 1.0), ("tooth_loss", 0.4))
        for adjusted in (False, True)
        for arm, label in ARMS.items()
    ]
    everyday = (
        _incidence("hyperemic", "Hyperemic at preparation, crowned vital", "endo_needed", teeth, 0.041),
        _incidence("normal", "Normal at preparation, crowned vital", "endo_needed", 4 * teeth, 0.012),
    )
    names = ("hyperemic teeth crowned vital", "teeth that were normal at preparation, crowned vital")
    sentences = []
    for curve, what in zip(everyday, names, strict=True):
        at = next((p for p in curve.points if p.years == 5), None)
        sentences.append(
            f"Of 100 {what}, {round(100 * at.estimate)} had a root canal recorded within 5 years of the seat "
            f"(range {round(100 * at.ci_low)} to {round(100 * at.ci_high)})."
            if at
            else f"Too few {what} to say ({curve.teeth} teeth so far)."
        )
    method = "difference of two Kaplan-Meier curves, variance grouped by patient; "
    adjusted = Difference("endo_first", "seat_vital", 5, 0, -2.4, -7.7, 2.9, method + "adjusted: weighted by the "
                          "inverse chance of the strategy received")  # fmt: skip
    crude = dataclasses.replace(adjusted, per_100=-3.3, ci_low=-8.1, ci_high=1.5, method=method + "not adjusted")
    tooth = dataclasses.replace(adjusted, per_100=-1.4, ci_low=-3.9, ci_high=1.2)
    need = dataclasses.replace(adjusted, per_100=81.5, ci_low=77.8, ci_high=85.3)
    return Trial(
        id="hyperemic_before_seat_or_wait",
        title="A hyperemic tooth that needs a crown",
        question="Does the crown last longer if a hyperemic tooth is treated before the seat, or seated vital?",
        protocol=(
            ProtocolRow("Eligibility", "Teeth with a hyperemic pulp.", f"{sum(sizes.values())} teeth so recorded."),
            ProtocolRow("Time zero", "The day of the decision.", "The day of the preparation."),
        ),
        curves=tuple(curves),
        differences=(
            ("crown_failure", adjusted),
            ("crown_failure_crude", crude),
            ("tooth_loss", tooth),
            ("endo_needed", need),
        ) if teeth > 100 else (),
        everyday=tuple(sentences),
        everyday_curves=everyday,
        balance=(BalanceRow("age", "age at the seat", 0.28, 0.04), BalanceRow("sex_f", "sex: f", 0.07, 0.12)),
        flow=(
            FlowStep("Crowns made here", 5 * teeth, 0, "", "crowns"),
            FlowStep("Hyperemic", sum(sizes.values()), 5 * teeth - sum(sizes.values()), "another pulp", "crowns"),
        ),
        notes=("The pulp is taken as recorded before any root canal.",),
        outcomes=(
            _trial_outcome("crown_failure", adjusted if teeth > 100 else None),
            _trial_outcome("tooth_loss", tooth if teeth > 100 else None),
            _trial_outcome("endo_needed", need if teeth > 100 else None),
        ),
        diagnoses=tuple(
            DiagnosisRow(field, when, value, tuple((arm, sizes[arm] // part) for arm in ARMS))
            for field, when, value, part in (
                ("pulpal_diagnosis", "by_prep", "reversible_pulpitis", 3),
                ("pulpal_diagnosis", "by_prep", "", 2),
                ("apical_diagnosis", "by_prep", "other", 5),
                ("pulpal_diagnosis", "by_seat", "symptomatic_irreversible_pulpitis", 9),
            )
        ),
        not_compared=NOT_COMPARED,
        arms=tuple(TrialArm(arm, ARMS[arm], n - 3, 3, sum(sizes.values()) - n - 3, 2.345) for arm, n in sizes.items()),
    )  # fmt: skip


def _trial_outcome(outcome: str, d: Difference | None) -> TrialOutcome:
    code, said = ("cannot_tell", "we cannot tell yet whether treating first helps") if d else ("too_early", "too few")
    verdict = None if outcome == "endo_needed" else Verdict(
        code, f"{NAMES[outcome]}: {said}.", "2 fewer per 100.", "8 fewer to 3 more per 100.",
        "The teeth were not treated by chance.", "More teeth.", MARGIN,
    )  # fmt: skip
    if d is None:
        why = "too few of them so far"
        return TrialOutcome(outcome, None, True, why, no_difference(outcome, why), verdict)
    said = outcome_sentence(outcome, d.per_100, d.ci_low, d.ci_high, years=d.years, adjusted=True)
    return TrialOutcome(outcome, d, True, "", said, verdict)


def _technique_answers() -> tuple[TechniqueAnswer, ...]:
    """Two technique questions: one names a difference, one has a group too small to be shared."""
    margin = (("chamfer", "Chamfer", 812, 71), ("shoulder", "Shoulder", 640, 58), ("knife_edge", "Knife edge", 90, 7))
    sealer = (("calcium_silicate", "Calcium silicate", 410, 66), ("epoxy_resin", "Epoxy resin", 522, 41))
    return (
        _technique_answer(
            "margin", "Margin of the crown", "crown_failure", margin, ((0.4, -2.6, 3.4), "little_difference")
        ),
        _technique_answer("sealer", "Sealer", "tooth_loss", sealer, ((6.2, 2.1, 10.3), "differs")),
    )


def _technique_answer(
    question: str,
    title: str,
    outcome: str,
    groups: Sequence[tuple[str, str, int, int]],
    found: tuple[tuple[float, float, float], str],
) -> TechniqueAnswer:
    difference, verdict = found
    made = tuple(
        TechniqueGroup(
            name, label, n, n - n // 5, failed, 6.5 * n, 15.4 * failed / n, 12.0 * failed / n, 19.0 * failed / n
        )
        for name, label, n, failed in groups
    )
    ratios = tuple(round(math.exp(v / 8), 3) for v in difference)
    contrasts = tuple(
        TechniqueContrast(g.name, made[0].name, *ratios, *difference, 0.01, 0.04, verdict, "A sentence.", "")
        for g in made[1:]
    )
    return TechniqueAnswer(
        f"technique_{question}_{outcome}", question, f"{title}: {outcome}", "crown", outcome, 5.0, made[0].name, made,
        contrasts, (), "", None, ("age", "sex"), ("clinician",), (), ("Not by chance.",), (), 3,
    )  # fmt: skip


def _recalls(endo: int) -> tuple[RecallRow, ...]:
    n = int(endo * 0.29)
    rows = [RecallRow("all", endo, int(endo * 0.8), int(endo * 0.31), n, *_split(int(endo * 0.31), 0.81, 0.06))]
    for name, part, healed in (
        ("before treatment: a lesion", 0.5, 0.74),
        ("before treatment: no lesion", 0.35, 0.92),
        ("before treatment: not recorded", 0.15, 0.8),
        ("tooth group: anterior", 0.2, 0.83),
        ("tooth group: molar", 0.5, 0.8),
    ):
        n = int(endo * part)
        rows.append(RecallRow(name, n, int(n * 0.8), int(n * 0.3), int(n * 0.28), *_split(int(n * 0.3), healed, 0.08)))
    few = (CountedShare(0, 4), CountedShare(0, 4), CountedShare(4, 4))
    rows.append(RecallRow("clinician: Dr Ekholm", 21, 17, 4, 4, 4, None, None, None, *few))
    return tuple(rows)


def _split(n: int, healed: float, healing: float) -> tuple[object, ...]:
    """Healed, healing and not healed of n, and the loose count of them."""
    a, b = int(n * healed), int(n * healing)
    shares = [
        CountedShare(k, n, k / n, max(k / n - 0.05, 0.0), min(k / n + 0.05, 1.0)) if n else CountedShare(0, 0)
        for k in (a, b, n - a - b, a + b)
    ]
    strict = shares[0]
    return strict.count, strict.share, strict.ci_low, strict.ci_high, *shares[1:]


def _agreement() -> tuple[Agreement, ...]:
    return (
        Agreement("same_reader", 88, CountedShare(91, 120, 0.76, 0.68, 0.83), CountedShare(112, 120, 0.93, 0.87, 0.97),
                  0.81, 0.73, 0.89),
        Agreement("two_readers", 4, CountedShare(2, 5), CountedShare(4, 5), None, None, None),
    )  # fmt: skip


def _reader_ways(recalled: int) -> tuple[ReaderWay, ...]:
    """By two readers, who differ by seven of a hundred teeth."""
    shares = {"agreed": 0.80, "Dr Ekholm": 0.77, "Dr Moreau": 0.84}
    return tuple(
        ReaderWay(name, 60, CountedShare(int(s * recalled), recalled, s, s - 0.05, s + 0.04) if recalled else NO_SHARE)
        for name, s in shares.items()
    )


NO_SHARE = CountedShare(0, 0)


def _lesion_healing(lesions: int) -> LesionHealing:
    """Healing that slows down from year to year; the films leave three of a hundred open."""
    filmed = int(lesions * 0.6)
    points = [(q / 4, 0.85 * (1 - 0.55 ** (q / 4)), int(filmed / (1 + q / 8))) for q in range(1, 21)]
    return LesionHealing(
        lesions, filmed, int(filmed * 0.9), int(filmed * 0.7), 2, 3, 12.4 if filmed else None,
        tuple(HealingPoint(y, n, e, e - 0.02, e + 0.01, e - 0.07, min(e + 0.06, 1.0)) for y, e, n in points if n > 9),
    )  # fmt: skip


def _losses(teeth: int) -> tuple[LossTable, ...]:
    """Losses by cause that grow evenly; the causes add up to the total."""
    yearly = {
        "endodontic": 0.004,
        "periodontal": 0.002,
        "fracture": 0.006,
        "caries": 0.003,
        "other": 0.0,
        "unknown": 0.001,
    }

    def group(name: str, label: str, n: int, years: tuple[float, ...], start: int = 0) -> LossGroup:
        def line(cause: str, share: float) -> LossByCause:
            points = tuple(
                IncidencePoint(y, int(n * (1 - y / 12)), share * y, share * y * 0.7, share * y * 1.4 + 0.01)
                for y in years
                if 365.25 * y >= start
            )
            return LossByCause(cause, round(n * share * 5), points)

        causes = tuple(line(cause, share) for cause, share in yearly.items())
        total = line("all", sum(yearly.values()))
        total = dataclasses.replace(total, losses=sum(c.losses for c in causes))
        return LossGroup(name, label, n, int(n * 0.8), start, causes, total)

    quarters = tuple(i / 4 for i in range(41))
    notes = ("No crown so far: too few teeth to part the causes (4 lost of 60).",)
    return (
        LossTable(
            "endo_tooth_loss_by_cause", "What root-filled teeth are lost to", "since_completion",
            (group("all", "All root-filled teeth", teeth, quarters),
             group("crowned", "A crown after the root canal", teeth // 2, (1.0, 5.0, 10.0), start=92)),
            notes,
        ),
    )  # fmt: skip


def _states(crowns: int) -> CrownStates:
    """Crowns that open and fail evenly over ten years; the shares of the states sum to 1."""
    points = []
    for i in range(41):
        years = i / 4
        opened, lost = 0.009 * years, 0.0125 * years
        share = (1 - opened - lost, opened, lost)
        followed = (round(crowns * (1 - years / 11) * 0.9), round(crowns * 0.01 * years))
        low, high = (tuple(min(max(s + off, 0), 1) for s in share) for off in (-0.02, 0.02))
        points.append(StatePoint(years, followed, share, low, high))
    lost = crowns // 8
    return CrownStates(
        crowns, int(crowns * 0.8), crowns // 11, lost, lost // 4, 0, tuple(points), (1.0, 5.0, 10.0), False
    )


def _crown_after_endo(n: int, seed: int) -> Comparison:
    groups = (_group("crowned", n, 0.015, seed + 17), _group("not_crowned", max(n // 2, 12), 0.034, seed + 18))
    base = _comparison(groups, (), None, _difference(groups[0], groups[1]), ())
    return dataclasses.replace(
        base,
        id="tooth_survival_by_crown_after_endo",
        title="How long root-filled teeth are kept: with a crown or without one",
        question="Is a tooth kept longer once it has a crown after its root canal?",
        outcome="tooth_loss",
        clock="since_completion",
        naive=Naive("crowned vs not_crowned", 0.31, 0.25, 0.4, "immortal time", "A tooth must last to be crowned.",
                    tuple((g.name, 1 - 0.5 * g.failures / g.crowns) for g in groups)),
        notes=(),
    )  # fmt: skip


def depends() -> Results:
    """The ordinary practice, with a verdict that hangs on how we count."""
    results = differs()
    main = results.comparisons[0]
    verdict = dataclasses.replace(
        main.verdict, code="depends_on_how_we_count", sentence="Whether more crowns fail depends on how we count."
    )
    assert main.choices is not None
    main = dataclasses.replace(main, verdict=verdict, choices=dataclasses.replace(main.choices, depends=True))
    return dataclasses.replace(results, comparisons=(main, *results.comparisons[1:]))


def failed_by(g: Group, months: int) -> int:
    """Failures of a group by a month of its exact curve."""
    before, total = 1.0, 0
    for p in g.curve:
        if p.days <= months * 365.25 / 12:
            total += round(p.at_risk * (1 - p.survival / before))
            before = p.survival
    return total
