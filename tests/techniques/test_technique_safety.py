"""Measures of safety: whatever the figures, nothing that is said of them comes down to little difference."""

import dataclasses
import json
import re
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from technique_practice import draw

from dashboards.pages.technique import technique_block
from dashboards.pages.technique_forest import forests
from dashboards.release.technique import release_techniques
from dashboards.words import technique as words_technique
from pipeline.questions.analysis import Analysis
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.engine import Answered, answer_all
from pipeline.questions.techniques.healing import healing_sentence
from pipeline.questions.techniques.learning import learning_questions
from pipeline.questions.techniques.question import COURSE_OUTCOMES, HEALED, TOOTH_LOSS, Question
from pipeline.results import to_plain
from pipeline.results.safety import NEXT_STEP, SAFETY_FIELDS, UNMEASURED, spoken_code
from tests.plain_gate import plain_gate

SAFETY = [q for q in all_questions() if q.safety]
# What the words for little difference come down to, wherever they stand.
NEVER = re.compile(r"little.difference|probably smaller|too small to matter", re.IGNORECASE)
VALUES = {"rubber_dam": [True, False], "naocl_percent": [0.5, 2.5, 5.0, 6.0]}


def test_the_measures_of_safety_are_marked() -> None:
    assert {q.id for q in SAFETY} == {"rubber_dam", "irrigant_strength"}
    assert {q.factor for q in SAFETY} <= SAFETY_FIELDS
    dam = next(q for q in SAFETY if q.id == "rubber_dam")
    for factor in ("rubber_dam", "irrigant_pressure"):
        with pytest.raises(ValueError, match="measure of safety"):
            dataclasses.replace(dam, factor=factor, safety=False)


def alike(question: Question, outcome: str, *, n: int = 20000, seed: int = 7) -> pl.DataFrame:
    """Many teeth, whatever was done the same: the range is narrow around no difference."""
    rng = np.random.default_rng(seed)
    rows = draw(rng, n, {question.factor: rng.choice(VALUES[question.factor], n)}, rate_per_year=0.02)
    empty = pl.lit(None, pl.String)
    rows = rows.with_columns(**{c.name: empty for c in question.adjust if c.name not in rows.columns})
    if outcome != HEALED:
        return rows
    return rows.with_columns(recalled=pl.lit(True), event=pl.Series(rng.random(n) < 0.1), recall_years=pl.lit(1.5))


def answered(question: Question, outcome: str) -> Answered:
    return answer_all([question], {(question.unit, outcome): alike(question, outcome)}, Analysis())


@pytest.mark.one_in(3)
@pytest.mark.parametrize("question", SAFETY, ids=lambda q: q.id)
@pytest.mark.parametrize("outcome", COURSE_OUTCOMES)
def test_no_answer_page_or_file_says_it_of_ways_that_do_as_well(question: Question, outcome: str) -> None:
    # The same rows asked without the mark of safety do say it: so it is the mark that keeps it back.
    plain = dataclasses.replace(question, id="plain", factor="way", safety=False)
    rows = alike(question, outcome).with_columns(way=pl.col(question.factor))
    said = answer_all([plain], {(plain.unit, outcome): rows}, Analysis()).answers
    assert {c.verdict for a in said for c in a.contrasts} == {"little_difference"}

    found = answered(question, outcome)
    (answer,) = found.answers
    assert {c.verdict for c in answer.contrasts} == {"cannot_tell"}
    assert all(UNMEASURED in c.sentence and c.next_step == NEXT_STEP for c in answer.contrasts)
    assert answer.caveats[0] == UNMEASURED
    assert not NEVER.search(json.dumps(to_plain(answer)))
    assert {p.sentences for p in found.plans} == {(NEXT_STEP,)}
    assert not any(p.settled for p in found.plans)

    results = SimpleNamespace(techniques=found.answers, quality=SimpleNamespace(notes=None))
    inside = technique_block(results)
    assert UNMEASURED in inside["asked"][0].caveats
    for shown in (inside["asked"], forests(found.answers, smallest=5.0)):
        assert not NEVER.search(repr(shown))
    shared = release_techniques(plain_gate(), found.answers, smallest=5.0)
    assert shared.contrasts
    assert {c.verdict_code for c in shared.contrasts} == {"cannot_tell"}
    looks = words_technique.looks(shared)
    assert UNMEASURED[1:] in looks
    assert not NEVER.search(looks)


def test_a_measure_of_safety_that_does_differ_is_named_with_the_caution() -> None:
    rng = np.random.default_rng(5)
    dam = next(q for q in SAFETY if q.id == "rubber_dam")
    with_dam = rng.random(6000) < 0.5
    rows = draw(rng, 6000, {"rubber_dam": with_dam}, log_hazard=np.log(2.5) * ~with_dam)
    rows = rows.with_columns(**{c.name: pl.lit(None, pl.String) for c in dam.adjust if c.name not in rows.columns})
    (contrast,) = answer_all([dam], {("course", TOOTH_LOSS): rows}, Analysis()).answers[0].contrasts
    assert contrast.verdict == "differs"
    assert contrast.sentence.endswith(UNMEASURED)


def test_learning_curves_of_a_measure_of_safety_are_marked_too() -> None:
    rng = np.random.default_rng(3)
    rows = draw(rng, 3000, {}).sort("start")
    rows = rows.with_columns(rubber_dam=pl.int_range(pl.len()) > 1500)
    dam = next(q for q in SAFETY if q.id == "rubber_dam")
    taken = learning_questions([dam], {("every_course", "endo_failure"): rows}, Analysis())
    assert len(taken.asked) >= 2
    assert all(question.safety for question, _, _ in taken.asked)


def test_other_verdicts_and_other_questions_stand() -> None:
    codes = ("too_early", "little_difference", "differs", "cannot_tell", "depends_on_how_we_count")
    assert tuple(spoken_code(c, safety=False) for c in codes) == codes
    assert [c for c in codes if spoken_code(c, safety=True) != c] == ["little_difference"]
    few = healing_sentence("too_early", None, ("Dam", 3), ("No dam", 4), 5.0, safety=True)
    assert few == f"Too few teeth to compare (not healed: 3 with dam, 4 with no dam). {UNMEASURED}"
