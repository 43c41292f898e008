"""A practice as stored tables in which nothing makes a difference: no technique, no timing of the root canal.

Patients have two teeth on the average and differ in how long their teeth last; clinicians differ in their habits.
Patients' ages and years matter, so that the models have something to adjust for.
"""

import datetime as dt

import numpy as np
import polars as pl
from technique_truths import QUESTIONS, WITHIN, filled, groups_of, tables_of, values_of

from pipeline.questions.analysis import Analysis
from pipeline.questions.crown_longevity import compare_since_seat
from pipeline.questions.techniques.ask import answer_techniques
from pipeline.questions.techniques.family import alone_main, in_family, main_p
from pipeline.transforms.coded_details import Coded

RULES = {"course_gap_days": "180", "crown_repost_days": "60", "recall_months": "12", "uncertain_years": "4"}
CLINICIANS = 4
FRAILTY = 0.5  # variance of what the teeth of one patient share


def null_practice(seed: int, *, teeth: int) -> dict[str, pl.DataFrame]:
    """Stored tables of `teeth` crowns and as many root canals."""
    rng = np.random.default_rng(seed)
    patient = np.sort(rng.integers(0, teeth // 2, teeth))
    clinician = rng.integers(0, CLINICIANS, teeth)
    values = {}
    for question in (q for q in QUESTIONS if q.id not in WITHIN):
        names = groups_of(question)
        habit = rng.dirichlet(np.full(len(names), 3.0), CLINICIANS)
        drawn = [rng.choice(len(names), p=habit[c]) for c in clinician]
        values[question.id] = values_of(question, np.array(drawn))
    frailty = rng.gamma(1 / FRAILTY, FRAILTY, teeth)[patient]
    age = np.asarray(values["patient_age"], dtype=float)
    values["patient_age"] = age[np.searchsorted(patient, patient)]  # one age a patient
    tables = tables_of(rng, teeth, values, frailty, patient=patient, clinician=clinician, timing=True)
    tables["findings"] = recalls(rng, tables, frailty)
    return tables


def recalls(rng: np.random.Generator, tables: dict[str, pl.DataFrame], frailty: np.ndarray) -> pl.DataFrame:
    """A film 500 days after completion of the teeth that come back: six in ten."""
    courses = tables["endo_courses"]
    unhealed = rng.random(courses.height) < np.minimum(0.2 * frailty, 0.9)
    rows = courses.select("patient_id", "tooth_fdi", exam_date=pl.col("completed") + dt.timedelta(days=500))
    rows = rows.with_columns(pai=pl.Series(np.where(unhealed, 4, 1)), symptomatic=pl.lit(False))
    return filled("findings", rows.filter(pl.Series(rng.random(rows.height) < 0.6)))


def claims(tables: dict[str, pl.DataFrame], analysis: Analysis) -> tuple[bool, list[str], int]:
    """Whether the main comparison is said to differ, which technique contrasts are, and how many looks these were."""
    crowns = tables["crowns"]
    main = compare_since_seat(crowns, tables["patients"], analysis)
    found = answer_techniques(
        crowns,
        tables["endo_courses"],
        tables["tooth_followup"],
        tables,
        analysis,
        rules=RULES,
        coded=Coded(tables["coded_rows"]),
    )
    named = [f"{a.id}: {c.group}" for a in found.answers for c in a.contrasts if c.verdict == "differs"]
    named += [f"{a.id}: dose" for a in found.answers if (a.dose_p_family or 1.0) < 1 - analysis.confidence]
    differs = in_family(main, alone_main(main_p(main, analysis)), analysis).verdict.code == "differs"
    return differs, named, max((a.family for a in found.answers), default=0)
