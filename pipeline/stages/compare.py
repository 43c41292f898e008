"""The comparing stage: linked tables in, one `Results` object out. A pure function of what the store holds."""

import datetime as dt
import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
import polars as pl

from pipeline.machine.beside import Beside, BesideError
from pipeline.notes.accuracy import notes_read
from pipeline.practice.outcomes import CROWNS, ENDO_COURSES, RATES
from pipeline.practice.tables import INPUT_TABLES, NOTE_CHECKS, NOTE_TABLES, NOTE_VALUES, Filled
from pipeline.questions.analysis import Analysis
from pipeline.questions.benchmarks import compare_published, read_benchmarks
from pipeline.questions.calibration import calibration_rows, calibration_sentence
from pipeline.questions.choice_verdict import DEPENDS
from pipeline.questions.choices import explore_choices, with_choices
from pipeline.questions.comparisons import QUESTIONS, LinkedTables
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.questions.crown_states import crown_states
from pipeline.questions.group_ratios import fit_states
from pipeline.questions.hyperemic import Emulated, emulate
from pipeline.questions.leaving import AWAY_DAYS
from pipeline.questions.leaving_weights import with_weighed
from pipeline.questions.lesion_healing import lesion_healing
from pipeline.questions.loss_by_cause import losses_by_cause
from pipeline.questions.misread import misread_contrasts
from pipeline.questions.monitoring import WATCHED, to_watch, watch
from pipeline.questions.owner.sheet import owner_of
from pipeline.questions.owner.teeth import teeth_of
from pipeline.questions.owner.to_do import Waiting
from pipeline.questions.planning import plan_question
from pipeline.questions.quality import make_quality, with_coded_counts
from pipeline.questions.question import SINCE_SEAT, Question
from pipeline.questions.recalls import reader_ways, reading_agreement, recall_rows
from pipeline.questions.robustness import followup_rows, robustness_of
from pipeline.questions.success_rates import own_cases, rate_tables
from pipeline.questions.techniques.ask import answer_techniques
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.family import (
    alone_main,
    among_headlines,
    difference_p,
    in_family,
    main_p,
    verdict_in_family,
)
from pipeline.questions.trade_checks.check_technique import check_technique, count_technique
from pipeline.questions.unseen_openings import unseen_in_longevity, unseen_in_trial
from pipeline.reading.set_aside import SETTLED
from pipeline.release.disclosure import SMALLEST
from pipeline.release.pool.evidence import with_evidence
from pipeline.release.pool.make import pooled_spells
from pipeline.release.pool.others_and_yours import Others
from pipeline.results import (
    ALL_OTHERS,
    Check,
    Choices,
    Comparison,
    Counts,
    NotRun,
    RateTable,
    Results,
    Trial,
    UnknownCode,
)
from pipeline.results.cautions import CAUTIONS
from pipeline.results.healing import LesionHealing
from pipeline.results.monitoring import Benchmark, Monitoring
from pipeline.results.notes import NotesRead
from pipeline.results.owner import Owner
from pipeline.results.planning import what_settles
from pipeline.results.points import CaseCurve
from pipeline.results.records import Records
from pipeline.results.technique import TechniqueAnswer
from pipeline.results.unseen import Unseen
from pipeline.stages.standing import PACKAGES, version
from pipeline.stats.second_opinion import Asked, CoxAsked, CurveAsked, Opinion, opinions
from pipeline.transforms.coded_details import Coded
from pipeline.transforms.link import LinkInput
from pipeline.transforms.patient_numbers import number_patients
from pipeline.transforms.readings import by_readers
from pipeline.transforms.rules import LinkRules

# A gap above this between two libraries' figures means that one of them is wrong.
TOLERANCE = 1e-6
# A run is not held up for ever by the second library.
SECOND_SECONDS = 600


@dataclass(frozen=True)
class RecountInput:
    """What the main comparison is counted on in other ways; see `explore_choices`."""

    tables: LinkInput
    rules: LinkRules
    records_begin: dt.date | None
    of_crowns: int | None


@dataclass(frozen=True)
class StoreSummary:
    """What the store tells of itself without its rows being read."""

    practice: str
    filled: Mapping[str, Filled]  # counts of all input tables and the linked ones, by name
    unknown_codes: Sequence[UnknownCode]
    patients_in_ledger: int
    records_begin: dt.date | None
    loads: pl.DataFrame
    quarantine: pl.DataFrame
    reasons: Mapping[str, tuple[str, str]]
    link_counts: Mapping[str, int]
    changes: pl.DataFrame  # counts of rows that later files change
    linked_from: dt.date | None  # the first day that stands, by the linking rules
    cutoff: dt.date | None
    rules: Mapping[str, str]
    settings: Mapping[str, str]
    left_out: pl.DataFrame | None  # texts of optional fields that reading left out: field, note, rows
    could_hold: Mapping[str, tuple[int, int]]  # fields that few rows of the ledger can hold: such rows, and filled in
    other_texts: pl.DataFrame  # texts of fields with usual words that are none of these: table, field, rows, texts
    records: Records  # what the rounding of shared figures hangs on

    @property
    def seed(self) -> int:
        """Where chance starts wherever a method draws any."""
        return int(self.settings.get("seed", "0"))


@dataclass(frozen=True)
class ComparisonInput(StoreSummary):
    """What the comparing stage reads from the store."""

    crowns: pl.DataFrame  # single crowns made here
    every_crown: pl.DataFrame  # of every kind, whoever made it
    endo_courses: pl.DataFrame  # done here
    every_course: pl.DataFrame  # whoever did it
    tooth_followup: pl.DataFrame
    elsewhere_hints: pl.DataFrame
    inputs: Mapping[str, pl.DataFrame]  # the stored input tables but for the procedures, by name
    codes: pl.DataFrame
    recount: RecountInput | None
    others: Others = field(default_factory=Others)
    coded: Coded = field(default_factory=Coded)  # what procedure codes tell where the details do not
    note_values: pl.DataFrame = field(default_factory=NOTE_VALUES.empty)  # read from chart notes
    note_checks: pl.DataFrame = field(default_factory=NOTE_CHECKS.empty)  # some of them held against the chart
    reviews_due: pl.DataFrame | None = None  # on the last day of the data; see `due_reviews`
    film_readers: tuple[str, ...] = ()  # whose readings alone count of the films that one of them read


def compare(
    stored: ComparisonInput, analysis: Analysis, *, say: Callable[[str], None], others: Beside | None = None
) -> Results:
    """Answer every question that the data allow, and list those that they do not.

    The main comparison is counted in other ways, and a second library asked, in the process of `others` while the
    other questions are answered.
    """
    named_patients, stored = stored.inputs["patients"], _with_numbered_patients(stored)
    others = others or Beside(say=say, here=True)
    every_reading = stored.inputs["findings"]
    counted = by_readers(every_reading, stored.film_readers) if stored.film_readers else every_reading
    if idle := sorted(set(stored.film_readers) - set(every_reading["reader"])):
        say(f"film_readers names who read no film in these records: {', '.join(idle)}")
    stored = replace(stored, inputs={**stored.inputs, "findings": counted})
    patients = stored.inputs["patients"]
    records = LinkedTables(stored.every_crown, stored.every_course, stored.tooth_followup, patients)
    answered: list[tuple[Question, Comparison]] = []
    other_ways = None
    for asking in QUESTIONS:
        if records.has(asking.question):
            say(asking.question.title)
            answered.append((asking.question, asking.answer(records, analysis)))
            if asking.question is SINCE_SEAT:
                other_ways = _other_ways(stored, answered[0][1], named_patients, analysis, say=say, others=others)
    # Last, so that nothing waits for a library that does not end.
    asked_twice = _asked_twice(stored.crowns, stored.inputs["patients"])
    second = others.give(partial(opinions, asked_twice), seconds=SECOND_SECONDS)
    main = next((c for question, c in answered if question is SINCE_SEAT), None)
    say("the decision on a hyperemic tooth, as an emulated trial")
    emulated = emulate(
        stored.crowns,
        stored.every_course,
        stored.tooth_followup,
        patients,
        analysis,
        endo_details=stored.inputs["endo_details"],
        lab_days=int(stored.rules["lab_days"]),
    )
    trial = emulated.trial
    looks = {c.id: main_p(c, analysis) for _, c in answered}
    if isinstance(trial, Trial):
        looks |= {f"{trial.id}: {o.outcome}": difference_p(o.difference, analysis) for o, _ in trial.judged}
    among = among_headlines(looks, main="" if main is None else main.id)
    say("every technique question, as one family of looks")
    techniques = answer_techniques(
        stored.crowns,
        stored.endo_courses,
        stored.tooth_followup,
        stored.inputs,
        analysis,
        rules=stored.rules,
        coded=stored.coded,
    )
    if isinstance(trial, Trial):
        judged = {o: verdict_in_family(v, among.get(f"{trial.id}: {o.outcome}"), analysis) for o, v in trial.judged}
        trial = replace(trial, outcomes=tuple(replace(o, verdict=judged.get(o)) for o in trial.outcomes))
    comparisons: tuple[Comparison, ...] = ()
    rows_of = {asking.question.id: asking.rows(records) for asking in QUESTIONS if records.has(asking.question)}
    for question, compared in answered:
        spells = rows_of[question.id]
        told = in_family(compared, among.get(compared.id), analysis)
        told = replace(
            told,
            robustness=robustness_of(
                told, spells, analysis, covariates=question.adjust, unit=question.unit, cutoff=stored.cutoff,
                away_days=_away_days(stored),
            ),
        )  # fmt: skip
        if compared is main:
            say("weighting the main comparison for who stopped coming")
            told = with_weighed(told, spells, stored.inputs["findings"], analysis, cutoff=stored.cutoff)
        comparisons = (*comparisons, told)
    say("holding the recorded technique against what the trade knows")
    endo_details = stored.inputs["endo_details"]
    crown_details, findings = stored.inputs["crown_details"], stored.inputs["findings"]
    trade_checks = check_technique(endo_details, crown_details, stored.endo_courses, findings, left_out=stored.left_out)
    films = (stored.endo_courses, counted, endo_details)
    gap_days = int(stored.rules["course_gap_days"])
    asked_of_films: dict[str, Any] = {
        "recall_months": int(stored.rules["recall_months"]),
        "uncertain_years": int(stored.rules["uncertain_years"]),
        "gap_days": gap_days,
        "min_recalled": analysis.min_at_risk,
    }
    recalls = recall_rows(*films, **asked_of_films, confidence=analysis.confidence)
    ways = reader_ways(*films, min_films=analysis.min_at_risk, **asked_of_films, confidence=analysis.confidence)
    healed = lesion_healing(
        *films, gap_days=gap_days, min_followed=analysis.min_at_risk, confidence=analysis.confidence, seed=stored.seed
    )
    losses = losses_by_cause(stored.crowns, stored.endo_courses, stored.tooth_followup, patients, analysis)
    say("how many openings these records may not hold")
    unseen = _unseen(stored, next(iter(comparisons), None) if main is not None else None, emulated, analysis)
    say("success rates of crowns and root canals")
    rules, horizon = analysis.curve_rules(), analysis.horizon_years
    of = {CROWNS: stored.crowns, ENDO_COURSES: stored.endo_courses}
    cases: tuple[CaseCurve, ...] = ()
    rates: tuple[RateTable, ...] = ()
    for outcome in RATES:
        spells = outcome.spells(of[outcome.population], stored.tooth_followup)
        rates += rate_tables(spells, outcome, horizon=horizon, rules=rules)
        cases += own_cases(spells, outcome=outcome.rate, horizon=horizon, rules=rules)
    say("clinicians and months against what is expected; published figures")
    monitoring: tuple[Monitoring, ...] = ()
    watched = {
        o.rate: to_watch(
            o, of[o.population], stored.tooth_followup, patients, cutoff=stored.cutoff, away_days=_away_days(stored)
        )
        for o in WATCHED
    }
    for name, teeth in watched.items():
        monitoring += watch(
            teeth, outcome=name, cutoff=stored.cutoff, confidence=analysis.confidence,
            seed=stored.seed,
        )  # fmt: skip
    benchmarks = compare_published(
        read_benchmarks(),
        stored.crowns,
        stored.endo_courses,
        stored.tooth_followup,
        min_at_risk=analysis.min_at_risk,
        confidence=analysis.confidence,
    )
    say("the owner's sheet: changes, early signs, what to do, filters")
    owner = _owner(stored, analysis, watched, rates=rates, monitoring=monitoring, benchmarks=benchmarks)
    if other_ways is not None:
        say("counting the main comparison in every other defensible way")
        comparisons = (with_choices(comparisons[0], other_ways()), *comparisons[1:])
    plans = [
        plan_question(
            c, rows_of[question.id], analysis, unit=question.unit, cutoff=stored.cutoff, looked=among.get(c.id)
        )
        for c, (question, _) in zip(comparisons, answered, strict=True)
    ]
    comparisons = tuple(
        replace(c, verdict=replace(c.verdict, next_step=what_settles(p, c.verdict.next_step)))
        if c.verdict.code != DEPENDS
        else c
        for c, p in zip(comparisons, plans, strict=True)
    )
    say("checking curves and hazard ratios against a second library")
    overview = _results(stored)
    found = replace(
        overview,
        quality=replace(
            with_coded_counts(overview.quality, techniques.from_codes),
            notes=_notes(stored, techniques.answers, analysis),
        ),
        comparisons=comparisons,
        trade_checks=trade_checks,
        trade_counts=count_technique(endo_details),
        planning=(*(p for p in plans if p is not None), *techniques.plans),
        rates=rates,
        not_run=(
            *_not_run(stored),
            *recalls.not_run,
            *((healed,) if isinstance(healed, NotRun) else ()),
            *losses.not_run,
            *((trial,) if isinstance(trial, NotRun) else ()),
            *techniques.not_run,
        ),
        monitoring=monitoring,
        benchmarks=benchmarks,
        owner=owner,
        trials=(trial,) if isinstance(trial, Trial) else (),
        unseen=unseen,
        own_cases=cases,
        techniques=techniques.answers,
        learning=techniques.learning,
        followup=followup_rows(
            stored.crowns, stored.endo_courses, cutoff=stored.cutoff, confidence=analysis.confidence
        ),
        recalls=recalls.rows,
        losses=losses.tables,
        states=crown_states(stored.crowns, patients, analysis),
        agreement=reading_agreement(every_reading, min_pairs=analysis.min_at_risk, confidence=analysis.confidence),
        reader_ways=ways,
        lesion_healing=healed if isinstance(healed, LesionHealing) else None,
        checks=tuple(Check(o.what, o.by, o.rows, o.largest_gap, TOLERANCE) for o in _heard(second, say=say)),
    )
    say("what others found, and what ours adds")
    return with_evidence(found, stored.others, lambda: pooled_spells(records))


def main_alone(told: StoreSummary, main: Comparison, analysis: Analysis, *, why: str) -> Results:
    """Results that hold the main comparison alone, which can be made part by part; `why` is what the others lack.

    Its difference is claimed only if it could be claimed whatever the technique questions would have shown.
    """
    main = in_family(main, alone_main(main_p(main, analysis)), analysis)
    doubt = f"{main.verdict.doubt} It was not counted in other ways, as it is where all questions are asked."
    main = replace(main, verdict=replace(main.verdict, doubt=doubt))
    others = NotRun(
        ALL_OTHERS,
        "Root canals, techniques, success rates, monitoring, other ways to count and everything else",
        (why,),
    )
    return replace(_results(told), comparisons=(main,), not_run=(*_not_run(told), others))


def _results(told: StoreSummary) -> Results:
    """What all results say of the records, the settings and the program, with no question answered yet."""
    linked = told.link_counts
    return Results(
        practice=told.practice,
        data_from=told.records_begin.isoformat() if told.records_begin else "",
        data_cutoff=told.cutoff.isoformat() if told.cutoff else "",
        counts=Counts(
            procedures=told.filled["procedures"].rows,
            patients=told.patients_in_ledger,
            crowns=linked.get("crowns", 0),
            endo_courses=linked.get("endo_courses", 0),
            quarantined=told.quarantine.height,
            crowns_unknown_age=linked.get("crowns_from_elsewhere_unknown_age", 0),
        ),
        comparisons=(),
        rates=(),
        records=told.records,
        quality=make_quality(
            loads=told.loads,
            quarantine=told.quarantine,
            reasons=told.reasons,
            filled={name: told.filled[name] for name, table in INPUT_TABLES.items() if table not in NOTE_TABLES},
            unknown_codes=told.unknown_codes,
            link_counts=told.link_counts,
            changes=told.changes,
            could_hold=told.could_hold,
            other_texts=told.other_texts,
        ),
        not_run=(),
        calibration=calibration_sentence(calibration_rows(), linked.get("crowns", 0)),
        rules=dict(told.rules),
        analysis=dict(told.settings),
        versions=_versions(),
        cautions=CAUTIONS,
    )


def _with_numbered_patients(stored: ComparisonInput) -> ComparisonInput:
    """No figure names a patient, and numbers take less time and room than texts."""
    linked = {
        name: getattr(stored, name)
        for name in ("crowns", "every_crown", "endo_courses", "every_course", "tooth_followup", "elsewhere_hints")
    }
    frames, _ = number_patients({**linked, "coded": stored.coded.rows, **stored.inputs})
    return replace(
        stored,
        **{name: frames[name] for name in linked},  # type: ignore[arg-type]
        inputs={name: frames[name] for name in stored.inputs},
        coded=replace(stored.coded, rows=frames["coded"]),
    )


def _notes(stored: ComparisonInput, answers: Sequence[TechniqueAnswer], analysis: Analysis) -> NotesRead | None:
    """What notes told, how right they are read, and how far their errors would move the technique comparisons."""
    values, checks = stored.note_values, stored.note_checks
    found = notes_read(values, checks, confidence=analysis.confidence)
    if found is None or checks.is_empty():
        return found
    moved = misread_contrasts(
        answers, all_questions(), values, checks, seed=stored.seed, confidence=analysis.confidence
    )
    return replace(found, contrasts=moved)


def _owner(
    stored: ComparisonInput,
    analysis: Analysis,
    watched: Mapping[str, pl.DataFrame],
    *,
    rates: Sequence[RateTable],
    monitoring: Sequence[Monitoring],
    benchmarks: Sequence[Benchmark],
) -> Owner:
    """The owner's sheet, but for what changed since the last run, of which the store knows."""
    ledger = stored.loads.filter(pl.col("table_name") == "procedures")
    read, aside = (int(ledger[name].sum()) for name in ("rows_read", "quarantined"))
    waiting = Waiting(
        reviews=stored.reviews_due,
        hints=stored.elsewhere_hints,
        mend=stored.quarantine.filter(~pl.col("reason").is_in(SETTLED)).height,
        read=int(stored.loads["rows_read"].sum()),
        unknown_codes=stored.unknown_codes,
        courses=stored.endo_courses["completed"].count(),
    )
    return owner_of(
        teeth_of(
            stored.crowns,
            stored.endo_courses,
            stored.tooth_followup,
            posted_at_prep=stored.rules.get("crown_date") == "prep",
            cutoff=stored.cutoff,
            away_days=_away_days(stored),
        ),
        watched,
        rates=rates,
        monitoring=monitoring,
        benchmarks=benchmarks,
        waiting=waiting,
        cutoff=stored.cutoff,
        read=read,
        set_aside=aside,
        asked=analysis,
        fewest=SMALLEST,
    )


def _away_days(stored: ComparisonInput) -> int:
    """Rule 11: whoever was last seen more days before the cut-off has left."""
    return int(stored.rules.get("active_days", AWAY_DAYS))


def _unseen(
    stored: ComparisonInput, main: Comparison | None, emulated: Emulated, analysis: Analysis
) -> tuple[Unseen, ...]:
    """What the ledger may not hold of the main comparison and of the decision on a hyperemic tooth."""
    patients = stored.inputs["patients"]
    setting, seed = stored.rules.get("root_canals_elsewhere", "unknown"), stored.seed
    hints, found = stored.elsewhere_hints, []
    if main is not None:
        found.append(
            unseen_in_longevity(stored.crowns, patients, main, analysis, setting=setting, seed=seed, hints=hints)
        )
    if isinstance(emulated.trial, Trial) and emulated.rows is not None:
        found.append(unseen_in_trial(emulated.rows, emulated.trial, analysis, setting=setting, seed=seed, hints=hints))
    return tuple(found)


def _not_run(stored: StoreSummary) -> tuple[NotRun, ...]:
    """Analyses that the data do not allow, each with the fields that it lacks."""
    wanted = (
        ("crown_survival_by_provider", "Crowns in place by clinician", ("procedures.provider_id",)),
        ("crown_survival_by_site", "Crowns in place by clinic", ("procedures.site_id",)),
        ("adjustment_for_patient", "Adjustment for age and sex", ("patients.sex", "patients.birth_date|birth_year")),
        ("adjustment_for_material", "Adjustment for material", ("crown_details.material",)),
    )
    out = []
    if not stored.link_counts.get("crowns"):
        out.append(
            NotRun("crown_longevity_by_endo_timing", "Crowns by timing of the root canal", ("procedures: crown codes",))
        )
    for name, title, fields in wanted:
        lacking = tuple(f.replace("|", " or ") for f in fields if not _has(stored, f))
        if name == "adjustment_for_material" and stored.filled["crowns"].by_column["material"]:
            continue  # the codes say enough
        if lacking:
            out.append(NotRun(name, title, lacking))
    return tuple(out)


def _has(stored: StoreSummary, field: str) -> bool:
    table, columns = field.split(".")
    return any(stored.filled[table].by_column[column] for column in columns.split("|"))


def _other_ways(
    stored: ComparisonInput,
    main: Comparison,
    named_patients: pl.DataFrame,
    analysis: Analysis,
    *,
    say: Callable[[str], None],
    others: Beside,
) -> Callable[[], Choices]:
    """Begin to count the main comparison in other ways; the function that comes back waits for them."""
    assert stored.recount is not None
    recount = stored.recount
    counting = partial(
        explore_choices,
        recount.tables,
        stored.codes,
        recount.rules,
        named_patients,
        analysis,
        records_begin=recount.records_begin,
        of_crowns=recount.of_crowns,
        changes=main.steady is not None and main.steady.steady is not True,
    )
    begun = others.give(counting)

    def found() -> Choices:
        try:
            return begun()
        except BesideError as failed:
            say(f"the process that counts in other ways failed ({failed}): they are counted here")
            return counting(say=say)

    return found


def _heard(second: Callable[[], tuple[Opinion, ...]], *, say: Callable[[str], None]) -> tuple[Opinion, ...]:
    """What the second library said; nothing, and that is told, where it could not be asked."""
    try:
        return second()
    except BesideError as failed:
        say(f"the second library was not heard: {failed}. All figures stand; they were not computed twice this time")
        return ()


def _asked_twice(crowns: pl.DataFrame, patients: pl.DataFrame) -> list[Asked]:
    """What a second library is to compute again: the two main curves, and the crude ratios."""
    spells = state_spells(crown_rows(crowns, patients)).filter(pl.col("exit_days") > pl.col("entry_days"))
    asked: list[Asked] = []
    for state in ("before_seat", "vital"):
        part = spells.filter(pl.col("state") == state)
        if part["event"].sum():
            columns = (part[c].to_numpy() for c in ("exit_days", "event", "entry_days"))
            asked.append(CurveAsked(f"curve of crowns, {state}", *columns))
    states = [s for s in ("before_seat", "through_crown") if spells.filter(pl.col("state") == s)["event"].sum()]
    if len(states) == 2 and spells.filter(pl.col("state") == "vital")["event"].sum():
        x = np.column_stack([(spells["state"] == s).cast(pl.Float64).to_numpy() for s in states])
        fit = fit_states(spells, x, names=tuple(states), stratum=None)
        columns = (spells[c].to_numpy() for c in ("exit_days", "event", "entry_days"))
        asked.append(CoxAsked("crude hazard ratios by timing (logarithms)", fit.coef, x, *columns))
    return asked


def _versions() -> dict[str, str]:
    known = {name: version(name) for name in PACKAGES}
    return {"python": platform.python_version(), **{name: found for name, found in known.items() if found}}
