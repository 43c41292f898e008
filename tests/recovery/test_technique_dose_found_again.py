"""A dose-response that a practice was told is found again, from stored tables on: strength of the irrigant."""

import math

import numpy as np
import polars as pl
import pytest
from technique_truths import QUESTIONS, filled, groups_of, tables_of, values_of

from pipeline.questions.crown_longevity import Analysis
from pipeline.questions.techniques.ask import rows_by_outcome
from pipeline.questions.techniques.engine import answer_all
from pipeline.questions.techniques.question import TOOTH_LOSS
from pipeline.results.technique import TechniqueAnswer
from pipeline.transforms.coded_details import Coded

STRENGTH = next(q for q in QUESTIONS if q.id == "irrigant_strength")
RULES = {"course_gap_days": "180", "crown_repost_days": "60", "recall_months": "12", "uncertain_years": "4"}
# Log hazard ratio of a strength in percent.
TRUTHS = {
    "better up to 3 %, no more beyond": lambda d: -0.9 * np.minimum(d, 3.0) / 3.0,
    "worse by the same step everywhere": lambda d: 0.15 * d,
    "no matter": lambda d: 0.0 * d,
}


def strength_answer(truth, *, n: int, seed: int) -> TechniqueAnswer:
    """The answer on tooth loss in a practice of `n` root canals, at strengths of 0.5 to 8 % in steps of 0.25."""
    rng = np.random.default_rng(seed)
    values = {q.id: values_of(q, rng.integers(0, len(groups_of(q)), n)) for q in QUESTIONS}
    dose = rng.integers(2, 33, n) / 4
    values["irrigant_strength"] = dose
    tables = tables_of(rng, n, values, np.exp(truth(dose) - truth(np.array([3.0]))))
    # Nobody came back for a film.
    tables["findings"] = filled("findings", pl.DataFrame({"patient_id": []}, schema={"patient_id": pl.String}))
    named = (tables[name] for name in ("crowns", "endo_courses", "tooth_followup"))
    rows = rows_by_outcome(*named, tables, rules=RULES, only=("course",), coded=Coded(tables["coded_rows"]))
    asked = answer_all([STRENGTH], rows, Analysis())
    return next(a for a in asked.answers if a.outcome == TOOTH_LOSS)


@pytest.mark.parametrize("name", TRUTHS)
def test_the_curve_is_the_one_told(name: str):
    truth = TRUTHS[name]
    answer = strength_answer(truth, n=9000, seed=5)
    base = truth(np.array([answer.reference_dose]))[0]
    assert len(answer.dose) == 11
    for point in answer.dose:
        error = math.log(point.ci_high / point.ci_low) / 3.92
        told = truth(np.array([point.dose]))[0] - base
        # The spline rounds the corner at 3 %: 0.1 on the scale of the logarithm.
        assert abs(math.log(point.hazard_ratio) - told) < 3.3 * error + 0.1, (name, point)


def test_what_is_said_of_the_curve_fits_the_truth():
    bent, straight, flat = (strength_answer(truth, n=9000, seed=6) for truth in TRUTHS.values())
    assert "not by the same step everywhere" in bent.dose_sentence
    assert "equal steps fits as well" in straight.dose_sentence
    assert "no change along the dose can be told from chance" in flat.dose_sentence


def test_most_bands_hold_the_truth():
    truth = TRUTHS["worse by the same step everywhere"]
    held = []
    for seed in range(25):
        answer = strength_answer(truth, n=2500, seed=100 + seed)
        base = truth(np.array([answer.reference_dose]))[0]
        ends = (answer.dose[0], answer.dose[-1])
        held += [p.ci_low <= math.exp(truth(np.array([p.dose]))[0] - base) <= p.ci_high for p in ends]
    # At 95 %, fewer than 43 of 50 come up once in 300 runs.
    assert sum(held) >= 43
